"""The targets that `lineset calc` can look up, and how a measured value stands against one.

The same code as the live checks: targets, tolerances and demands of `lineset.assess`. A verdict is not given here: of a
typed number nobody knows how long the system ran, nor with which instrument it was read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from lineset.assess import charge_checks
from lineset.assess.check import Check, Reading, Wanting, bounds, joined_u
from lineset.assess.decision import Decision, Finding, decide
from lineset.assess.demands import Demand
from lineset.assess.errors import AssessError
from lineset.assess.evidence import Evidence, Known
from lineset.assess.limits import ROLES, Limit, limit
from lineset.assess.rules import SHIPPED
from lineset.assess.targets import SPLIT_SOURCE, SUPERHEAT_SOURCE, Target, return_wet_bulb, target_subcooling
from lineset.cli.calc_answer import CalcError, Given, measured, site_barometer
from lineset.cli.calc_answer import answer as derived_answer
from lineset.cli.calc_options import OPTIONS, TARGET_NAMES
from lineset.equipment.display import Units, shown, spread_shown
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.points import POINTS
from lineset.equipment.system import SystemRecord
from lineset.measure.uncertainty import Z95
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import CAUTIONS
from lineset_drivers.quantity import SI_UNIT, Quantity

_DIFFERENCE = Quantity.TEMPERATURE_DIFFERENCE
_WEATHER = ("return_air", "return_humidity", "return_wet_bulb")


@dataclass(frozen=True, slots=True)
class Asked:
    """One target: its name and title, what it takes, how the value to hold against it is given, and its check."""

    name: str
    title: str
    option: str  # the option of the value itself
    derived: str  # the derived value that this is
    readings: tuple[str, ...]  # the options that the value is worked out from instead
    takes: tuple[str, ...]
    needs: str
    formula: str
    validity: str
    source: str
    check: Check


ASKED: dict[str, Asked] = {
    row.name: row
    for row in (
        Asked(
            "target_superheat", "target superheat, fixed orifice", "superheat", "total_superheat",
            ("vapor_pressure", "vapor_temperature"), ("outdoor_air", *_WEATHER),
            '--outdoor-air "85 degF" and --return-wet-bulb "67 degF" (or --return-air and --return-humidity)',
            "bilinear in table RA3.2-2, by outdoor dry bulb and return wet bulb",
            "fixed orifice, cooling at full capacity for 15 minutes; 55 to 115 degF outdoors, 50 to 76 degF return wet "
            "bulb; none where the table has a dash (below 5 degF)",
            SUPERHEAT_SOURCE,
            charge_checks.SUPERHEAT,
        ),
        Asked(
            "target_split", "target temperature split", "split", "temperature_split", ("supply_air",), _WEATHER,
            '--return-air "75 degF" and --return-wet-bulb "63 degF" (or --return-humidity)',
            "bilinear in table RA3.2-3, by return dry bulb and return wet bulb",
            "cooling at full capacity for 15 minutes; 70 to 84 degF return, 50 to 76 degF wet bulb; a check of airflow "
            "that tells little about capacity",
            SPLIT_SOURCE,
            charge_checks.SPLIT,
        ),
        Asked(
            "target_subcooling", "target subcooling, expansion valve", "subcooling", "subcooling",
            ("liquid_pressure", "liquid_temperature"), ("nameplate_subcooling",),
            '--nameplate-subcooling "10 degF" (on the outdoor unit\'s nameplate or charging label)',
            "the figure on the unit's nameplate",
            "expansion valve, cooling at full capacity for 15 minutes, at least 55 degF outdoors",
            "the unit's nameplate",
            charge_checks.SUBCOOLING,
        ),
    )
}  # fmt: skip
assert tuple(ASKED) == TARGET_NAMES
_OWN = ("nameplate_subcooling", *(row.option for row in ASKED.values()))
# Options of every question; "name" is the question itself.
_ALWAYS = ("name", "units", "role", "altitude", "barometer")


@dataclass(frozen=True, slots=True)
class TargetAnswer:
    """A target as looked up; with a measured value also how that stands. SI: K, K of standard uncertainty."""

    asked: Asked
    target: Target
    inputs: dict[str, Given]
    demands: tuple[Demand, ...]
    row: Limit
    low: float | None
    high: float | None
    value: Given | None = None
    decision: Decision | None = None
    deviation_u: float = 0.0

    @property
    def interval95(self) -> tuple[float, float]:
        """95 % interval of the target, SI."""
        return self.target.value - Z95 * self.target.u, self.target.value + Z95 * self.target.u

    @property
    def carries_verdict(self) -> bool:
        """Whether both the target and the tolerance on the value's side rest on more than memory or habit."""
        finding = None if self.decision is None else self.decision.finding
        sides = {Finding.LOW: (self.row.low_basis,), Finding.HIGH: (self.row.high_basis,)}.get(
            finding or Finding.WITHIN, (self.row.low_basis, self.row.high_basis)
        )
        return self.target.basis.carries_verdict and any(basis.carries_verdict for basis in sides)


def _key(name: str) -> str:
    return name.strip().lower().replace("-", "_").replace(" ", "_")


def is_target(name: str) -> bool:
    """Whether `name` asks for a target."""
    return _key(name) in ASKED


def refuse_unused(name: str, asked: Mapping[str, Any]) -> None:
    """Raise CalcError where a value that only targets take was typed for another question."""
    typed = [_flag(key) for key in _OWN if asked.get(key) is not None]
    if typed:
        raise CalcError(f"{name} does not use {', '.join(typed)}; leave it out, or ask for a target")


def _flag(key: str) -> str:
    return "--" + key.replace("_", "-")


def answer(name: str, typed: Mapping[str, str]) -> TargetAnswer:
    """Look the target up. `typed` holds all options' texts by key. Raises CalcError."""
    asked = ASKED[_key(name)]
    _refuse(asked, typed)
    role = typed.get("role", ROLES[0])
    if role not in ROLES:
        raise CalcError(f"--role: {role!r} is not known; there are {', '.join(ROLES)}")
    inputs = {key: _read(key, typed[key]) for key in asked.takes if key in typed}
    evidence = _evidence(asked, inputs, typed)
    try:
        target, demands, slope = _target(asked, evidence)
    except Wanting as wanting:
        raise CalcError(f"{asked.title} needs {asked.needs}") from wanting
    except (AssessError, PhysicsError) as error:
        raise CalcError(f"{asked.title}: {error}") from error
    row = limit(asked.check.limit, role, SHIPPED.limits)
    low, high = bounds(row, Reading(target.value, 0.0, _DIFFERENCE, target))
    found = TargetAnswer(asked, target, inputs, demands, row, low, high)
    return _held(found, typed, evidence, slope)


def _refuse(asked: Asked, typed: Mapping[str, str]) -> None:
    known = {*asked.takes, asked.option, *asked.readings, *_ALWAYS}
    known |= {"refrigerant"} if {"vapor_pressure", "liquid_pressure"} & set(asked.readings) else set()
    unused = [_flag(key) for key, text in typed.items() if key not in known and text]
    if unused:
        raise CalcError(f"{asked.title} does not use {', '.join(unused)}; leave it out, or ask for another value")
    if "return_wet_bulb" in typed and "return_humidity" in typed:
        raise CalcError("give --return-wet-bulb or --return-humidity, not both: each says how moist the air is")
    given = [key for key in asked.readings if key in typed]
    if asked.option in typed and given:
        raise CalcError(f"give {_flag(asked.option)} or {' and '.join(map(_flag, given))}, not both")


def _read(key: str, text: str) -> Given:
    if key in OPTIONS:
        option = OPTIONS[key]
        return measured(option.flag, text, option.quantity, POINTS[option.points[0]].title)
    title = "nameplate subcooling" if key == "nameplate_subcooling" else key.replace("_", " ")
    return measured(_flag(key), text, _DIFFERENCE, title)


def _evidence(asked: Asked, inputs: Mapping[str, Given], typed: Mapping[str, str]) -> Evidence:
    plate = inputs.get("nameplate_subcooling")
    if plate is not None and not plate.value > 0.0:
        raise CalcError(f"--nameplate-subcooling: {plate.text!r} is not above zero; read the nameplate again")
    record = SystemRecord(
        id="asked", refrigerant="", nameplate=Nameplate(subcooling_target_k=None if plate is None else plate.value)
    )
    values = {
        OPTIONS[key].points[0]: Known(given.value, given.u or 0.0) for key, given in inputs.items() if key in OPTIONS
    }
    if "return_humidity" in inputs or asked.name != "target_subcooling":
        site = site_barometer(typed.get("altitude"), typed.get("barometer"))
        values["barometric_pressure"] = Known(site.value, site.u or 0.0)
    return Evidence(record, values=values)


def _target(asked: Asked, evidence: Evidence) -> tuple[Target, tuple[Demand, ...], float]:
    """The target, the demands behind it, and its slope by the return probe that a split shares."""
    if asked.name == "target_superheat":
        return *charge_checks.superheat_target(evidence, SHIPPED), 0.0
    if asked.name == "target_split":
        wet = return_wet_bulb(evidence)
        if wet is None:
            raise Wanting("the return air's temperature and its wet bulb or humidity")
        target, slope = charge_checks.split_target(evidence, SHIPPED, wet)
        return target, asked.check.demands, slope
    if evidence.system.nameplate.subcooling_target_k is None:
        raise Wanting("only the nameplate knows it")
    return target_subcooling(evidence.system), asked.check.demands, 0.0


def _held(found: TargetAnswer, typed: Mapping[str, str], evidence: Evidence, slope: float) -> TargetAnswer:
    """With the measured value held against the target, where one was typed."""
    asked = found.asked
    shared = 0.0
    if asked.option in typed:
        value = _read(asked.option, typed[asked.option])
    elif any(key in typed for key in asked.readings):
        wanted = [*asked.readings, *(("return_air",) if asked.name == "target_split" else ())]
        derived = derived_answer(
            asked.derived, {key: typed[key] for key in wanted if key in typed},
            refrigerant=typed.get("refrigerant", ""), altitude=typed.get("altitude"), barometer=typed.get("barometer"),
        )  # fmt: skip
        value = Given("from its readings", derived.value, derived.u, _DIFFERENCE, derived.derived.title)
        dry = evidence.known("return_air_temperature")
        shared = 0.0 if dry is None else slope * dry.u**2
    else:
        return found
    u = joined_u(value.u or 0.0, found.target.u, shared)
    return replace(
        found, value=value, deviation_u=u, decision=decide(value.value, u, found.low, found.high, found.row.rule)
    )


def as_data(found: TargetAnswer) -> dict[str, Any]:
    """The answer for programs, SI: K, and Cel for temperatures."""
    asked, target = found.asked, found.target
    data: dict[str, Any] = {
        "name": asked.name, "title": asked.title, "value": target.value, "unit": SI_UNIT[_DIFFERENCE],
        "quantity": str(_DIFFERENCE), "basis": str(target.basis),
    }  # fmt: skip
    if target.u > 0.0:
        data |= {"uncertainty": target.u, "interval95": list(found.interval95)}
    data["inputs"] = {
        key: {"value": given.value, "unit": SI_UNIT[given.quantity], "given": given.text}
        | ({} if given.u is None else {"uncertainty": given.u})
        for key, given in found.inputs.items()
    }
    data["acceptance"] = {
        "low": found.low, "high": found.high, "unit": "K", "role": found.row.role, "rule": str(found.row.rule),
        "source": found.row.named, "advisory": not found.carries_verdict,
    }  # fmt: skip
    data["instruments"] = [{"point": each.point, "demand": each.shown, "source": each.source} for each in found.demands]
    if found.value is not None and found.decision is not None:
        data["measured"] = {
            "value": found.value.value, "unit": "K", "given": found.value.text, "finding": str(found.decision.finding),
            "deviation": found.value.value - target.value,
        }  # fmt: skip
        if found.value.u is not None:
            data["measured"] |= {
                "uncertainty": found.value.u,
                "deviation_uncertainty": found.deviation_u,
                "probability_of_conformance": found.decision.probability,
            }
    return data | {
        "formula": asked.formula,
        "validity": asked.validity,
        "source": target.source,
        "cautions": [_caution(found)],
    }


def _caution(found: TargetAnswer) -> str:
    if found.asked.name == "target_split":
        return (
            "A target is no verdict: mode, run time, panels, filter and coil count too; follow the maker's procedure."
        )
    return (
        f"{CAUTIONS['A1']} Read the nameplate: A2L and A3 refrigerants burn. Rule out airflow and coils first; follow "
        "the maker's charging procedure and local code."
    )


def _k(value: float, units: Units, u: float | None = None) -> str:
    return shown(value, _DIFFERENCE, units, u)


def as_text(found: TargetAnswer, units: Units = "customary") -> str:
    """The answer for people: the target first, how the measured value stands, then from what and by which source."""
    asked, target, row = found.asked, found.target, found.row
    lines = [
        f"{asked.title}: {_k(target.value, units)}  ({_k(target.value, 'si' if units == 'customary' else 'customary')})"
    ]
    if target.u > 0.0:
        low, high = (_k(end, units) for end in found.interval95)
        lines.append(
            f"  95 % interval: {low} .. {high}; standard uncertainty {spread_shown(target.u, _DIFFERENCE, units)}"
        )
    if found.value is not None and found.decision is not None:
        side = {Finding.LOW: "below", Finding.HIGH: "above"}.get(found.decision.finding, "within")
        likely = f"probability of conformance {found.decision.probability:.2f}"
        if found.value.u is None:
            likely = 'type the readings with "+/-" for a probability of conformance'
        lines.append(
            f"  {asked.option} {_k(found.value.value, units, found.value.u)} against {_k(target.value, units)}: "
            f"{side} {_tolerance(found, units)}; {likely}"
        )
        means = {Finding.LOW: row.if_low, Finding.HIGH: row.if_high}.get(found.decision.finding, "")
        lines += [f"  {means}"] if means else []
    lines.append("from")
    lines += [
        f"  {given.title}: {shown(given.value, given.quantity, units, given.u)}" for given in found.inputs.values()
    ]
    lines += [
        "how",
        f"  {asked.formula}",
        f"  holds for: {asked.validity}",
        f"  source: {target.source} ({target.basis})",
    ]
    lines += ["held against", f"  {_tolerance(found, units)}; {row.named}"]
    if not found.carries_verdict:
        lines.append("  advice only: it rests on memory or habit, so no verdict rests on it")
    lines.append("which allows for instruments as good as")
    lines += [f"  {POINTS[each.point].title} to {each.shown}; {each.source}" for each in found.demands]
    lines.append(f"Caution: {_caution(found)}")
    return "\n".join(lines)


def _tolerance(found: TargetAnswer, units: Units) -> str:
    """ "12.3 degF .. 22.3 degF, by simple acceptance"."""
    ends = " .. ".join("open" if end is None else _k(end, units) for end in (found.low, found.high))
    return f"{ends}, by {str(found.row.rule).replace('_', ' ')}"


def list_data() -> list[dict[str, Any]]:
    """The targets, as `lineset calc --list --json` names them."""
    return [
        {
            "name": row.name, "short_names": [row.name.replace("_", "-")], "title": row.title, "kind": "target",
            "unit": SI_UNIT[_DIFFERENCE], "quantity": str(_DIFFERENCE), "inputs": list(row.takes),
            "options": [_flag(key) for key in row.takes], "needs_refrigerant": False, "ratings": [],
            "measured_by": [_flag(row.option), *map(_flag, row.readings)], "formula": row.formula,
            "validity": row.validity, "source": row.source,
        }
        for row in ASKED.values()
    ]  # fmt: skip


def list_text() -> str:
    """The targets, as `lineset calc --list` names them."""
    return "\n\n".join(
        "\n".join(
            [
                f"{row.name}  (or: {row.name.replace('_', '-')})",
                f"  what       {row.title}; with {_flag(row.option)} or {' '.join(map(_flag, row.readings))} also how "
                "that stands",
                f"  inputs     {row.needs}",
                f"  formula    {row.formula}",
                f"  holds for  {row.validity}",
                f"  source     {row.source}",
            ]
        )
        for row in ASKED.values()
    )
