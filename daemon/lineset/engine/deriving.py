"""Derived values as their inputs change: computed, fed to their detectors, told when they settle or cannot exist."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Derived, NotDerivable
from lineset.engine import derivation, settling
from lineset.engine.ahead import ahead_of
from lineset.engine.route import LiveValue
from lineset.engine.state import EngineState, PointState, SystemState
from lineset.engine.uncertain import Budgets
from lineset.equipment.points import title
from lineset.measure.quality import REASON, USABLE, Quality

# Of these each is told only after it has lasted; the others may be one sample, and count once they have lasted so long.
_LASTING = frozenset({Quality.STALE, Quality.FROZEN, Quality.NOT_IN_CONTACT})
_ODD_NS = 3_000_000_000
_GOOD = Quality.GOOD  # a member of an enumeration costs a look-up each time that it is named


def derive(
    state: EngineState,
    system: SystemState,
    names: tuple[Derived, ...],
    context: derivation.SystemContext,
    budgets: Budgets,
    out: list[e.OutputBody],
    live: list[LiveValue] | None,
) -> None:
    """Compute the named values as of now, where their inputs allow it; events go to `out`, values to `live`, if any."""
    t, now, id_ = state.t, context.now(system), system.record.id
    for named in names:
        inputs = derivation.gather(system, named, t)
        if inputs is None:
            continue
        target = system.derived.get(named.name)
        if target is None:
            target = system.derived[named.name] = PointState(name=named.name)
            target.origin = "derived"
        try:
            value, u = derivation.compute(now, system, named, inputs, budgets)
        except NotDerivable as error:
            out += settling.end_derived(state, system, target, str(error))
            if target.quality is not Quality.INVALID:
                target.quality = Quality.INVALID
                out.append(_quality(system, target, str(error)))
            continue
        target.value, target.u, target.t = value, u, inputs.newest
        if target.quality is not _GOOD:
            target.quality = _GOOD
            out.append(_quality(system, target, REASON[_GOOD]))
        change = settling.derived_step(state, system, named, target, inputs, now, budgets)
        if change is not None:
            out.append(change)
        if live is None:
            continue
        settled = settling.derived_settled(target, inputs) and not settling.disturbed_input(system, named.name)
        ahead = None if settled else ahead_of(target)
        live.append(LiveValue(id_, named.name, True, target.t, value, u, _GOOD, settled, "", "", ahead))


def fed_together(
    fed: Sequence[tuple[SystemState, Mapping[str, Derived]]],
) -> Iterable[tuple[SystemState, tuple[Derived, ...]]]:
    """What the samples of one frame feed, each derived value once, by system."""
    if len(fed) == 1:
        return ((fed[0][0], tuple(fed[0][1].values())),)
    if len(fed) == 2 and fed[0][0] is fed[1][0]:  # a gauge set, a pair of probes
        return ((fed[0][0], tuple({**fed[0][1], **fed[1][1]}.values())),)
    found: dict[str, tuple[SystemState, dict[str, Derived]]] = {}
    for system, names in fed:
        found.setdefault(system.record.id, (system, {}))[1].update(names)
    return [(system, tuple(names.values())) for system, names in found.values()]


def due_each_second(system: SystemState) -> tuple[Derived, ...]:
    """The derived values of each second an input of which was read since this was last asked."""
    fresh = [name for name, place in system.points.items() if place.fresh]
    if not fresh:
        return ()
    for name in fresh:
        system.points[name].fresh = False
    read = frozenset(fresh)
    return tuple(each for each in derivation.each_second(tuple(system.points)) if not read.isdisjoint(each.inputs))


def end_unfed(state: EngineState, system: SystemState) -> list[e.OutputBody]:
    """End, once a second, the derived values whose inputs have gone: at once where one is stale or otherwise no good.

    What is paired, or was entered, may stand without a live reading: `gather` knows. The value's quality becomes that
    of the input, which the reason names.
    """
    out: list[e.OutputBody] = []
    for target in system.derived.values():
        if target.value is None:
            continue
        cause = _no_good(system, target.name, state.t)
        if cause is not None and derivation.gather(system, _named(target.name), state.t) is None:
            reason = f"{title(cause.name)}: {REASON[cause.quality]}"
            out += settling.end_derived(state, system, target, reason)
            target.quality = cause.quality
            out.append(_quality(system, target, reason))
        elif state.t - target.t > derivation.SKEW_NS:
            out += settling.end_derived(state, system, target, "its inputs are no longer measured")
    return out


def _named(name: str) -> Derived:
    base, _, instance = name.partition(".")
    return CATALOGUE[base].at_instance(instance)


def _no_good(system: SystemState, name: str, t: int) -> PointState | None:
    """The first input that cannot be used as it is; one odd sample between good ones takes nothing back."""
    for point in _named(name).inputs:
        place = system.points.get(point)
        if place is None or place.quality in USABLE:
            continue
        if place.quality in _LASTING or t - place.t > _ODD_NS:
            return place
    return None


def on_record(system: SystemState) -> list[e.OutputBody]:
    """All derived values of a system as they stand, for the record of this second; nothing where there are none."""
    values = {
        name: (settling.sig9(target.value), settling.sig9(target.u))
        for name, target in system.derived.items()
        if target.value is not None and target.quality is Quality.GOOD
    }
    return [e.Derived(system=system.record.id, values=values)] if values else []


def _quality(system: SystemState, target: PointState, reason: str) -> e.QualityChanged:
    return e.QualityChanged(system=system.record.id, name=target.name, quality=target.quality, reason=reason)
