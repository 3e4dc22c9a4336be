"""Which derived values hang on which points, and the inputs that they are computed from.

An input is the live reading at its point where one is placed there; else a value that a person entered lately; else,
for derived values that are paired from readings taken one after the other with one meter, what last settled there in
the same run. Inputs that are too old or too far apart give no value, never a wrong one.
"""

from __future__ import annotations

import math
from functools import lru_cache

import msgspec

from lineset.contract.entry import SystemRecord
from lineset.derive import propagate as propagation
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context, Derived
from lineset.derive.propagate import Propagated, evaluated
from lineset.engine.state import PointState, SystemState
from lineset.engine.uncertain import Budgets
from lineset.measure.installation import OUTDOOR
from lineset.measure.quality import USABLE, Quality
from lineset.visit.run import Mode, RunState

NS = 1_000_000_000
SKEW_NS = 15 * NS  # live inputs farther apart than this do not belong together
ENTERED_NS = 600 * NS  # for how long a value read by eye stands for the present
SAID_NS = 60 * NS  # for how long it bears witness of the run
# What a start or a stop does not change at once, or (a part on the bench) not at all: read by eye before it, it still
# stands after it.
AMBIENT = frozenset(
    {
        "outdoor_air_temperature",
        "return_air_temperature",
        "return_air_humidity",
        "barometric_pressure",
        "line_voltage",
        "control_voltage",
        "herm_capacitance",
        "fan_capacitance",
        "blower_capacitance",
    }
)
# A line farther than this from the outdoor air has not come to rest with it (judgement): a clamp's contact and the
# probes' tolerances are about 2 K together.
EQUAL_K = 3.0
LINES = ("vapor_line_temperature", "liquid_line_temperature", "discharge_line_temperature")
_ODD = 5.0  # standard deviations from the mean of what settled: an odd sample, or a jump
PAIRED_NS = 1800 * NS  # for how long a settled reading may be paired with a later one of the same run
_ENTERED = Quality.ENTERED  # a member of an enumeration costs a look-up each time that it is named
_MEASURED = USABLE - {_ENTERED}


class Inputs(msgspec.Struct, frozen=True, gc=False):
    """Input values gathered for one derived value; SI."""

    values: tuple[float, ...]
    us: tuple[float, ...]
    newest: int  # ns
    attested: bool  # at least one input is not live: entered, or settled earlier
    settled: bool  # every input is settled
    response_s: float
    places: tuple[PointState, ...]
    held: tuple[bool, ...]  # whether the place's settled value was taken, not its reading


class SystemContext:
    """What a system's derived values need besides readings; the barometer's reading is used where there is one."""

    __slots__ = ("_barometer", "_context", "_standard")

    def __init__(self, record: SystemRecord) -> None:
        self._standard = Context.at_altitude(
            record.refrigerant, record.altitude_m, record.line_frequency_hz, record.nameplate
        )
        self._context = self._standard
        self._barometer: float | None = None

    def now(self, system: SystemState) -> Context:
        """The context with the barometer as it stands."""
        place = system.points.get("barometric_pressure")
        value = place.value if place is not None and place.quality in USABLE else None
        if value != self._barometer:
            self._barometer = value
            self._context = self._standard
            if value is not None and place is not None:
                self._context = self._standard.with_barometer(value, place.u)
        return self._context


@lru_cache(maxsize=512)
def depending_on(point_name: str) -> tuple[Derived, ...]:
    """The derived values that a point is an input of, its instance carried over."""
    base, dot, instance = point_name.partition(".")
    return tuple(
        derived.at_instance(instance)
        for derived in CATALOGUE.values()
        if base in derived.inputs and (not dot or base in derived.instanced)
    )


def fed_by(system: SystemState, point_name: str) -> tuple[Derived, ...]:
    """The derived values of a system that a point feeds: `depending_on`, and those of the instances it has elsewhere.

    Line voltage feeds the apparent power of every heat strip that was measured, whichever came first.
    """
    found = depending_on(point_name)
    more: dict[Derived, None] = {}
    for named in found:
        if point_name.partition(".")[0] not in named.instanced:
            for other in system.points:
                base, _, instance = other.partition(".")
                if instance and base in named.instanced:
                    more[named.at_instance(instance)] = None
    return (*found, *more)


def placed(system: SystemState, named: Derived) -> bool:
    """Whether something sat, or was entered, at each input of a derived value: else it needs no looking at."""
    return all(name in system.points for name in named.inputs)


@lru_cache(maxsize=64)
def each_second(points: tuple[str, ...]) -> tuple[Derived, ...]:
    """The derived values worked out once a second that all inputs of are among these points; in a fixed order."""
    found = {
        named.name: named
        for point_name in points
        for named in depending_on(point_name)
        if named.each_second and all(name in points for name in named.inputs)
    }
    return tuple(found.values())


def heard(system: SystemState, t: int, name: str) -> float | None:
    """What a probe says of the run at `t` ns; None where there is none that may be used.

    A clamp off the wire still says zero here: it is weighed against the others there. What a person read by eye says
    nothing of the run a minute later.
    """
    place = system.points.get(name)
    if place is None or place.value is None:
        return None
    if place.quality is Quality.ENTERED:
        return place.value if t - place.t <= SAID_NS else None
    return place.value if place.quality in USABLE or place.quality is Quality.NOT_IN_CONTACT else None


def applies(system: SystemState, named: Derived) -> bool:
    """Whether a derived value has a meaning here and now: its ratings are given, and the run allows it.

    A run whose mode nobody can tell does not forbid a value of one mode; a value of a standing system needs the proof
    that it stands.
    """
    if named.needs_nameplate:
        plate = system.record.nameplate
        if not all(getattr(plate, field) for field in named.needs_nameplate):
            return False
    run = system.run
    if named.needs_mode and run.mode not in (Mode.NONE, *named.needs_mode):
        return False
    return not named.needs_stopped or (run.state is RunState.STOPPED and _equalised(system))


def _equalised(system: SystemState) -> bool:
    """Whether no line that is read tells that the stop is too fresh: each within EQUAL_K of the outdoor air."""
    air = system.points.get(OUTDOOR)
    if air is None or air.value is None:
        return False
    for name in LINES:
        place = system.points.get(name)
        known = place is not None and place.quality in USABLE
        if place is not None and known and place.value is not None and abs(place.value - air.value) > EQUAL_K:
            return False
    return True


def gather(system: SystemState, named: Derived, t: int) -> Inputs | None:
    """The inputs of a derived value at `t` ns, or None when one is missing, too old or too far from the others.

    None also where the value does not apply.
    """
    if (named.needs_stopped or named.needs_mode or named.needs_nameplate) and not applies(system, named):
        return None
    points = system.points
    places = []
    for name in named.inputs:
        place = points.get(name)
        if place is None:
            return None
        places.append(place)
    if named.paired and all(_held(system, place, t) for place in places):
        # one meter visits the points one after the other: what settled in this run is put together, and nothing else
        newest = max(place.held_t for place in places)
        values = tuple(place.held for place in places if place.held is not None)
        us = tuple(place.held_u for place in places)
        return Inputs(values, us, newest, True, True, 0.0, tuple(places), (True,) * len(places))
    return _gather_live(system, places, named.paired, t)


def _gather_live(system: SystemState, places: list[PointState], paired: bool, t: int) -> Inputs | None:
    values, us = [], []
    newest, oldest = 0, t
    attested, settled = paired, not paired
    response_s = 0.0
    held = []
    for place in places:
        value, u, seen = place.value, place.u, place.t
        taken = False
        if value is not None and place.quality in _MEASURED and place.channel:
            if seen < oldest:
                oldest = seen
            if settled:
                watch = place.detector
                settled = watch is not None and watch.settled
            if place.response_s > response_s:
                response_s = place.response_s
        elif place.quality is _ENTERED and value is not None and t - seen <= ENTERED_NS and same_run(system, place):
            attested = True
        elif paired and _held(system, place, t):
            assert place.held is not None
            value, u, seen = place.held, place.held_u, place.held_t
            taken = True
        else:
            return None
        values.append(value)
        us.append(u)
        held.append(taken)
        if seen > newest:
            newest = seen
    if newest - oldest > SKEW_NS and not attested:
        return None
    if attested and settled:
        # beside what a person attested stands what settled, not the sample of the moment: it may be the odd one, or
        # the first of a jump
        for place in places:
            if place.value is None or place.quality not in _MEASURED or not place.channel:
                continue
            assert place.detector is not None
            fit = place.detector.fit()
            settled = settled and abs(place.value - fit.mean) <= _ODD * fit.scatter
            at = places.index(place)
            values[at], us[at] = fit.mean, math.hypot(place.u, fit.u_mean)
    return Inputs(tuple(values), tuple(us), newest, attested, settled, response_s, tuple(places), tuple(held))


def same_run(system: SystemState, place: PointState) -> bool:
    """Whether what a person read at this place still stands in the present run."""
    return place.held_epoch == system.run.epoch or place.name in AMBIENT


def _held(system: SystemState, place: PointState, t: int) -> bool:
    return place.held is not None and place.held_epoch == system.run.epoch and t - place.held_t <= PAIRED_NS


def compute(
    context: Context, system: SystemState, named: Derived, inputs: Inputs, budgets: Budgets
) -> tuple[float, float]:
    """Value and standard uncertainty. Raises NotDerivable outside the formula's validity."""
    if len(inputs.values) > 1 and (inputs.attested or budgets.sharing(system, named, inputs.places)):
        found = budget(context, system, named, inputs, budgets)
        return found.value, found.u
    done, u = evaluated(named, context, inputs.values, inputs.us)
    return done.value, u


def budget(context: Context, system: SystemState, named: Derived, inputs: Inputs, budgets: Budgets) -> Propagated:
    """Value, standard uncertainty and what each source contributes. Raises NotDerivable like `compute`."""
    given = zip(inputs.places, inputs.values, inputs.us, inputs.held, strict=True)
    parts = budgets.of_inputs(system, tuple(given))
    return propagation.budget(named, context, inputs.values, parts, system.record.id)
