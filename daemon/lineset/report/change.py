"""What the work changed: values before and after, with the uncertainty of their difference.

What one instrument gets wrong in the same way both times cancels in a difference (JCGM 100:2008, F.1.2.3): the parts of
both budgets that carry one name are subtracted before they are squared. They do not cancel whole, for a meter drifts a
little within a visit and a probe sits in other air after the work; how much is left is KEPT, and is judgement. Scatter,
the last digit and lag are new each time.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from lineset.contract import entry as e
from lineset.measure.source import coverage95, split

# source -> the part of it that is another one at the second reading. Judgement, no source.
KEPT: Mapping[str, float] = {
    "accuracy": 0.2,
    "calibration": 0.0,
    "reference": 0.0,
    "barometer": 0.0,
    "frequency": 0.2,
    "installation": 0.5,
    "stand-in": 0.2,
}


@dataclass(frozen=True, slots=True)
class Difference:
    """After minus before, SI; `half` is the half width of its 95 % interval."""

    value: float
    u: float
    half: float

    @property
    def shown(self) -> bool:
        """Whether the difference exceeds its interval."""
        return abs(self.value) > self.half


def difference(
    before: e.Settled, after: e.Settled, *, moved: bool = False, before_target: float = 0.0, after_target: float = 0.0,
    target_u: float = 0.0,
) -> Difference:  # fmt: skip
    """How much a settled value changed, each taken over its own target where one is given.

    `moved`: a probe was placed anew between, so that how it sits is another matter each time. `target_u` is what the
    two targets add, as a standard uncertainty. A record without budgets is taken as sharing nothing.
    """
    parts: dict[str, float] = {}
    names = {*before.budget, *after.budget}
    for name in names:
        kind, _ = split(name)
        first, second = before.budget.get(name, 0.0), after.budget.get(name, 0.0)
        kept = KEPT.get(kind, 1.0)
        if kind == "installation" and moved:
            kept = 1.0
        if name not in before.budget or name not in after.budget:
            kept = 1.0
        parts[f"{name} shared"] = math.sqrt(1.0 - kept * kept) * (second - first)
        parts[f"{name} before"] = kept * first
        parts[f"{name} after"] = kept * second
    if not before.budget:
        parts["own before"] = before.u
    if not after.budget:
        parts["own after"] = after.u
    if target_u:
        parts["target"] = target_u
    u = math.sqrt(sum(part * part for part in parts.values()))
    value = (after.value - after_target) - (before.value - before_target)
    return Difference(value, u, coverage95(parts) * u)


# What a change of weather or of the house hardly moves. Common practice, no source.
STEADFAST = (
    "herm_capacitance", "fan_capacitance", "blower_capacitance", "contactor", "filter_drop", "coil_drop", "static",
    "line_voltage", "control_voltage", "heat_strip", "airflow", "blower_current", "return_static", "supply_static",
    "total_external_static", "voltage_unbalance", "blower_share", "blower_apparent",
)  # fmt: skip
# Conditions under which the rest was measured: told, never called a change that the work made.
CONDITIONS = ("outdoor_air_temperature", "return_air_temperature", "return_air_humidity", "return_wet_bulb")
_AIR_COMES_IN = ("outdoor_air_temperature", "return_wet_bulb")  # what must be alike for a plain comparison
# Told over the air that it meets: the first part of what the weather does is taken off by that.
OWN_REFERENCE = (
    "condensing_over_outdoor", "liquid_line_approach", "outdoor_coil_rise", "evaporator_temperature_difference",
)  # fmt: skip
_INDOORS = ("return_wet_bulb", "return_dew_point", "return_humidity", "return_enthalpy", "return_air_density")
# Values that are told against their own target, and the check that holds the target.
AGAINST_TARGET = {"temperature_split": "split", "total_superheat": "superheat", "subcooling": "subcooling"}


@dataclass(frozen=True, slots=True)
class Change:
    """One value before and after. `basis` says how weather and house were taken into account.

    target: over the target that belongs to the conditions of the moment (`source` names the relation); own_reference:
    over the air that it meets; steadfast: they hardly move it; left_alone: no published relation was at hand, so it is
    as measured. `conditions_changed`: they were others, or are not known for both times, so that a difference that is
    left alone need not come from the work.
    """

    name: str
    unit: str
    before: e.Settled
    after: e.Settled
    difference: Difference
    basis: str
    source: str = ""
    before_target: float | None = None
    after_target: float | None = None
    conditions_changed: bool = False

    @property
    def verdict(self) -> str:
        """changed, changed_with_conditions or not_shown."""
        if not self.difference.shown:
            return "not_shown"
        return "changed_with_conditions" if self.basis == "left_alone" and self.conditions_changed else "changed"


def changes(
    before: Mapping[str, e.Settled], after: Mapping[str, e.Settled], checks: Mapping[tuple[str, str], e.Checked],
    moved: Collection[tuple[str, str]] = (),
    conditions: Mapping[str, tuple[e.Settled, e.Settled]] = MappingProxyType({}),
) -> list[Change]:  # fmt: skip
    """Everything that settled both before and after the work, in the order of `after`.

    `before` and `after` are of one state of the system (running, or standing) for each name. `checks` are verdicts by
    (phase, name), for their targets; `moved` the (instrument, channel) placed anew between; `conditions` (before,
    after) of what comes in from weather and house.
    """
    conditions_changed = any(name not in conditions for name in _AIR_COMES_IN) or any(
        difference(*pair).shown for pair in conditions.values()
    )
    moved_names = {
        body.name for body in (*before.values(), *after.values()) if (body.instrument, body.channel) in moved
    }
    found = []
    for name, second in after.items():
        first = before.get(name)
        if first is None or is_condition(name):
            continue
        found.append(_change(name, first, second, checks, moved_names, conditions_changed))
    return found


def is_condition(name: str) -> bool:
    """Whether this value is a condition of the measurement, not a result."""
    return name in CONDITIONS or name == "barometric_pressure" or name.startswith(_INDOORS)


def _change(
    name: str, first: e.Settled, second: e.Settled, checks: Mapping[tuple[str, str], e.Checked],
    moved_names: Collection[str], conditions_changed: bool,
) -> Change:  # fmt: skip
    sources = {split(part)[1].partition("/")[0] for part in second.budget if part.startswith("installation ")}
    moved = name in moved_names or bool(sources & set(moved_names)) or bool(set(second.inputs) & set(moved_names))
    check = AGAINST_TARGET.get(name)
    one = checks.get(("before", check)) if check else None
    two = checks.get(("after", check)) if check else None
    if one is not None and two is not None and one.target is not None and two.target is not None:
        target_u = math.hypot(one.target_u or 0.0, two.target_u or 0.0)
        found = difference(
            first, second, moved=moved, before_target=one.target, after_target=two.target, target_u=target_u
        )
        return Change(name, second.unit, first, second, found, "target", two.source, one.target, two.target)
    basis = "steadfast" if name.startswith(STEADFAST) else "own_reference" if name in OWN_REFERENCE else "left_alone"
    return Change(
        name, second.unit, first, second, difference(first, second, moved=moved),
        basis, conditions_changed=conditions_changed,
    )  # fmt: skip
