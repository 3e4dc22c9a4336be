"""From a detector's change to the event on record, for readings and for derived values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime

from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context, Derived
from lineset.engine import hunting
from lineset.engine.derivation import AMBIENT, Inputs, budget
from lineset.engine.rounding import sig9 as sig9
from lineset.engine.state import ChannelState, EngineState, PointState, SystemState
from lineset.engine.uncertain import Budgets, with_window
from lineset.equipment.points import point
from lineset.measure.settle import Detector, detector
from lineset.measure.source import combined, coverage95
from lineset.measure.uncertainty import Z95
from lineset.visit.run import RunState
from lineset_drivers.quantity import SI_UNIT, Quantity, unit_of

# What was derived from values that a person attested or that settled earlier is told again only when it moved by
# more than this share of its standard uncertainty.
_MOVED = 0.25
_STOPPED, _STARTING = RunState.STOPPED, RunState.STARTING  # naming a member costs a look-up each time


def iso_date(wall_ns: int) -> str:
    """The UTC date of a wall time, as YYYY-MM-DD."""
    return datetime.fromtimestamp(wall_ns // 1_000_000_000, tz=UTC).date().isoformat()


def entered_parts(system: SystemState, body: e.Entered, budgets: Budgets) -> dict[str, float]:
    """The parts of an entered value: the "+/-" given (95 %), its last digit, and how the meter sits there."""
    digit = body.resolution / math.sqrt(12.0)
    return budgets.entered(system, body.point, body.value, (body.half_width or 0.0) / Z95, digit)


def _settled(
    state: EngineState, system: SystemState, place: PointState, unit: str, value: float, parts: Mapping[str, float],
    **more: object,
) -> e.Settled:  # fmt: skip
    u = combined(parts)
    half = coverage95(parts) * u
    place.held, place.held_u, place.held_t, place.held_epoch = value, u, state.t, system.run.epoch
    place.held_parts = dict(parts)
    place.attested = False
    system.settled_count[state.phase] = system.settled_count.get(state.phase, 0) + 1
    return e.Settled(
        system=system.record.id,
        phase=state.phase,
        name=place.name,
        value=sig9(value),
        unit=unit,
        u=sig9(u),
        low=sig9(value - half),
        high=sig9(value + half),
        budget={name: sig9(abs(effect)) for name, effect in parts.items() if effect},
        run=system.run.state,
        run_s=sig9((state.t - system.run.since) * 1e-9),
        **more,  # type: ignore[arg-type]
    )


def attested(
    state: EngineState, system: SystemState, place: PointState, body: e.Entered, parts: Mapping[str, float]
) -> e.Settled:
    """A person read it and says so: settled by attestation, and labelled `entered`."""
    place.origin = "entered"
    event = _settled(
        state, system, place, point(body.point).si_unit, body.value, parts, instrument=body.instrument, origin="entered"
    )
    place.attested = True
    return event


def changed(
    state: EngineState, system: SystemState, place: PointState, channel: ChannelState, budgets: Budgets
) -> e.OutputBody:
    """What to put on record when a reading's detector changed."""
    watch = place.detector
    assert watch is not None
    if not watch.settled:
        return lost(state, system, place, _why(watch, point(place.name).si_unit))
    fit = watch.fit()
    parts = with_window(budgets.parts(system, place, fit.mean), place.name, fit, channel.record.response_s)
    place.origin = "instrument"
    return _settled(
        state,
        system,
        place,
        point(place.name).si_unit,
        fit.mean,
        parts,
        window_s=sig9(fit.window_s),
        samples=fit.samples,
        slope=sig9(fit.slope),
        instrument=place.instrument,
        channel=place.channel,
    )


def _why(watch: Detector, unit: str) -> str:
    """Why it was let go; of what hunts also how far and how often."""
    wide = watch.hunting_amplitude
    if not wide:
        return watch.why
    # a difference of temperatures is in kelvins
    return (
        f"it hunts by {wide:.3g} {'K' if unit == 'Cel' else unit} to either side every {watch.hunting_period_s:.0f} s"
    )


def lost(state: EngineState, system: SystemState, place: PointState, reason: str) -> e.Unsettled:
    """What had settled is steady no more."""
    return e.Unsettled(system=system.record.id, phase=state.phase, name=place.name, reason=reason)


def too_coarse(system: SystemState, place: PointState, channel: ChannelState) -> e.TooCoarse:
    """Said once per placement: with this meter the reading cannot be shown to settle."""
    record = channel.record
    watch = place.detector
    # a meter that has gone to a coarser range, or whose profile says nothing, shows a wider step than is declared
    seen = watch.step / abs(unit_of(record.unit, Quantity(record.quantity)).factor) if watch is not None else 0.0
    step = max(record.resolution, seen)
    return e.TooCoarse(
        system=system.record.id,
        name=place.name,
        instrument=place.instrument,
        channel=place.channel,
        reason=(
            f"too coarse: {step:.3g} {record.unit} steps are wider than what a verdict on "
            f"{point(place.name).title} tolerates; use a finer range or another meter"
        ),
    )


def start_over(state: EngineState, system: SystemState, reason: str = "") -> list[e.OutputBody]:
    """Forget all windows. With a reason, what had settled is told to be so no more."""
    out: list[e.OutputBody] = []
    for place in (*system.points.values(), *system.derived.values()):
        ended = hunting.end(state, system, place, reason)
        if reason:
            out += ended
        watch = place.detector
        if watch is None:
            continue
        if watch.settled and reason:
            out.append(lost(state, system, place, reason))
        watch.reset()
        if place.staying is not None:
            place.staying.reset()
    return out


def end_attested(state: EngineState, system: SystemState, reason: str) -> list[e.OutputBody]:
    """A run has ended: what a person read in it, and what was worked out from that, holds no longer.

    What a start or a stop does not change stands; so does what was paired from readings taken one after the other.
    """
    out: list[e.OutputBody] = []
    for place in (*system.points.values(), *system.derived.values()):
        if not place.attested or _of_no_run(place.name):
            continue
        place.attested = False
        if not place.settled:
            out.append(lost(state, system, place, f"{reason}; what was read by eye holds for its run"))
    return out


def _of_no_run(name: str) -> bool:
    base = name.partition(".")[0]
    named = CATALOGUE.get(base)
    return base in AMBIENT if named is None else all(point_name in AMBIENT for point_name in named.inputs)


def stay(state: EngineState, system: SystemState, place: PointState, channel: ChannelState, value: float,
         t: int, budgets: Budgets) -> e.OutputBody | None:  # fmt: skip
    """Feed the detector of a clamp that stays, until it takes over from the one that judges a spot reading.

    It does when it has settled, or when its whole horizon has passed since the clamp was put there; what the spot
    reading had settled at is then told to be steady no more.
    """
    staying, spot = place.staying, place.detector
    assert staying is not None
    assert spot is not None
    proved = staying.push(t, value)
    if not proved and t - place.placed < staying.hold_s * 1e9:
        return None
    place.detector, place.staying = staying, None
    if proved:
        return changed(state, system, place, channel, budgets)
    if spot.settled:
        return lost(state, system, place, "the clamp stays here, and over minutes its amps are still moving")
    return None


def end_derived(state: EngineState, system: SystemState, target: PointState, reason: str) -> list[e.OutputBody]:
    """A derived value exists no more; told where it had settled."""
    out: list[e.OutputBody] = []
    watch = target.detector
    out += hunting.end(state, system, target, reason)
    if target.settled or target.attested:
        out.append(lost(state, system, target, reason))
    target.attested = False
    if watch is not None:
        watch.reset()
    target.value = None
    return out


def allowed(system: SystemState, named: Derived) -> bool:
    """Whether this derived value may settle in the present run state."""
    if not named.needs_run:
        return True
    # what is paired from settled readings of one run does not wait for the circuit to come to rest
    run = system.run.state
    return run is not _STOPPED and (named.paired or run is not _STARTING)


def disturbed_input(system: SystemState, name: str) -> str:
    """Why a derived value says nothing now: what a task has done to one of its inputs; "" where nothing was done."""
    if not system.disturbed_points:
        return ""
    named = CATALOGUE.get(name.partition(".")[0])
    inputs = named.inputs if named is not None else ()
    return next((system.disturbed_points[each] for each in inputs if each in system.disturbed_points), "")


def derived_step(
    state: EngineState, system: SystemState, named: Derived, target: PointState, inputs: Inputs, context: Context,
    budgets: Budgets,
) -> e.OutputBody | None:  # fmt: skip
    """Feed a derived value's detector, or judge it by its inputs; what to put on record, if anything."""
    value = target.value
    assert value is not None
    watch = target.detector
    why_not = "" if not named.needs_run or allowed(system, named) else "the system is not running"
    if system.disturbed_points:
        why_not = why_not or disturbed_input(system, named.name)
    if why_not:
        if watch is not None and watch.settled:
            watch.reset()
            return lost(state, system, target, why_not)
        return None
    if inputs.attested:
        if not inputs.settled:
            return None
        same_run = target.held_epoch == system.run.epoch and target.origin == _origin(state)
        if same_run and target.held is not None and abs(value - target.held) <= _MOVED * max(target.u, 1e-300):
            return None
        target.origin = _origin(state)
        event = _derived_settled_event(
            state, system, named, target, inputs, value, _parts(context, system, named, inputs, budgets)
        )
        target.attested = not named.paired
        return event
    if watch is None:
        watch = target.detector = detector(named.quantity, response_s=inputs.response_s, point=target.name)
        if watch is None:
            return None
    if not watch.push(inputs.newest, value):
        return None
    if not watch.settled:
        return lost(state, system, target, _why(watch, SI_UNIT[named.quantity]))
    fit = watch.fit()
    parts = with_window(_parts(context, system, named, inputs, budgets), target.name, fit, inputs.response_s)
    return _derived_settled_event(
        state, system, named, target, inputs, fit.mean, parts,
        window_s=sig9(fit.window_s), samples=fit.samples, slope=sig9(fit.slope),
    )  # fmt: skip


def _parts(
    context: Context, system: SystemState, named: Derived, inputs: Inputs, budgets: Budgets
) -> Mapping[str, float]:
    """What each source contributes: asked for only when a value settles."""
    return budget(context, system, named, inputs, budgets).parts


def _origin(state: EngineState) -> str:
    # what was paired in one phase is told anew in the next
    return f"derived/{state.phase}"


def _derived_settled_event(
    state: EngineState, system: SystemState, named: Derived, target: PointState, inputs: Inputs, value: float,
    parts: Mapping[str, float], **more: object,
) -> e.Settled:  # fmt: skip
    return _settled(
        state, system, target, SI_UNIT[named.quantity], value, parts, origin="derived",
        inputs={name: sig9(x) for name, x in zip(named.inputs, inputs.values, strict=True)}, **more,
    )  # fmt: skip


def derived_settled(target: PointState, inputs: Inputs) -> bool:
    """Whether the derived value as it stands is settled."""
    return inputs.settled if inputs.attested else target.settled
