"""Diagnosis: what explains the readings of a running system, ranked, and what would decide between the likeliest.

Order, and why:
1. faults of instruments that show plainly, for with them every later step would judge a number that is none;
2. what a reading shows by itself (capacitor, heat strips, supply voltage): needs no expectation;
3. all explanations of the residuals at once, an instrument that is off among them. Airflow and coils go before charge
   where the evidence does not tell them apart, for charge is what every other fault moves too (Braun and Li, California
   Energy Commission PIER, pp. 53 and 60: superheat less subcooling "last"), and adjusting it would hide the fault.

A cause is named only where the sound system is ruled out, at least one residual lies beyond its 99 % band, and one
explanation holds most of what is left; otherwise it says that it cannot tell, between what, and what to read next.
Nothing here ever says to add refrigerant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from lineset.assess.cause import Cause, Kind
from lineset.assess.electrical_faults import electrical_faults
from lineset.assess.evidence import Evidence
from lineset.assess.expectation import Footing, is_orifice
from lineset.assess.fault_words import FAULT_WORDS, MEASURE, OFF_WORDS, PAIRS
from lineset.assess.instrument_faults import PRESSURE_CAUTION, instrument_faults
from lineset.assess.likelihood import SOUND, Weighed, weigh
from lineset.assess.residuals import Residual, Residuals, residuals
from lineset.assess.signs import Fault, Row, chart
from lineset.equipment.display import Units, shown
from lineset_drivers.quantity import Quantity

# A fault is alleged only where the sound system is less likely than this; tuned on simulated visits.
ALARM = 0.40
_ALARM_OFF = 0.10  # the same before an instrument is accused, which is on circumstantial evidence only
# Between that and this it says that it cannot tell whether anything is wrong.
DOUBT = 0.85
# and named where one explanation holds this part of what is left.
NAMED = 0.55
_NAMED_OFF = 0.80  # the same for an instrument
_WORTH_NAMING = 0.05  # explanations with less than this part of what is left are not listed
_CLOSE = 3.0  # within this factor airflow and coil go before charge
_FEWEST = 3  # residuals below which the refrigerant circuit is not judged


class Outcome(StrEnum):
    """What a diagnosis comes to."""

    SOUND = "sound"  # nothing speaks for a fault
    NAMED = "named"  # one cause explains the readings
    CANNOT_TELL = "cannot_tell"  # something is wrong, and several causes would explain it
    NOT_ENOUGH = "not_enough"  # too little has settled to say anything


@dataclass(frozen=True)
class Diagnosis:
    """Ranked causes (the likeliest first), what was looked at, and what to read next."""

    outcome: Outcome
    causes: tuple[Cause, ...]
    residuals: Residuals
    next_measurement: str = ""
    footing: Footing = Footing.GENERIC

    @property
    def first(self) -> Cause | None:
        return self.causes[0] if self.causes else None


def diagnose(
    evidence: Evidence,
    *,
    at_rest: Evidence | None = None,
    earlier: Sequence[Evidence] = (),
    least_run_s: float = 0.0,
    units: Units = "customary",
) -> Diagnosis:
    """What explains what has settled in a system that runs in cooling.

    `at_rest` and `earlier` as in `residuals`. Before `least_run_s` of running only what a reading shows by itself is
    told. Systems whose stage or capacity is not held (two-stage, inverter) are
    judged by residuals only against their own earlier visits.
    """
    rows = residuals(evidence, at_rest=at_rest, earlier=earlier)
    plain = instrument_faults(evidence, rows)
    withheld = {name for cause in plain for name in cause.withholds}
    if "*" in withheld:
        return Diagnosis(Outcome.NAMED, tuple(plain), rows)
    electrical = electrical_faults(evidence)
    withheld |= {name for cause in electrical for name in cause.withholds}
    rows = rows.without(*withheld)
    footing = _footing(rows)
    known = [*plain, *electrical]
    steady = evidence.run == "running" and evidence.mode in ("cool", "") and evidence.undisturbed_s >= least_run_s
    if not steady or not _held(evidence, footing):
        outcome = Outcome.NAMED if known else Outcome.NOT_ENOUGH
        return Diagnosis(outcome, tuple(known), rows, footing=footing)
    if len(rows.rows) < _FEWEST:
        outcome = Outcome.NAMED if known else Outcome.NOT_ENOUGH
        return Diagnosis(outcome, tuple(known), rows, "; ".join(_missing(rows)[:2]), footing)
    table = chart(is_orifice(evidence.system))
    weighed = weigh(rows, table)
    sound = next((each.share for each in weighed if each.name == SOUND), 1.0)
    if sound >= DOUBT or (known and sound >= ALARM):
        return Diagnosis(Outcome.NAMED if known else Outcome.SOUND, tuple(known), rows, footing=footing)
    ranked = _ranked([each for each in weighed if each.name != SOUND], 1.0 - sound)
    # what is told is the part of all that may explain the readings, the sound system too: no more sure than that
    told_share = [Weighed(each.name, each.share * (1.0 - sound)) for each in ranked if each.share >= _WORTH_NAMING]
    likely = [_cause(each, rows, table, units) for each in told_share]
    if any(cause.id == "failing_fan_capacitor" for cause in electrical):
        likely = [_by_fan(cause) for cause in likely]
    causes = (*known, *likely)
    accused = ranked[0].name.startswith("off:")
    alarming = sound < (_ALARM_OFF if accused else ALARM) and bool(rows.outside)
    if (alarming and ranked[0].share >= (_NAMED_OFF if accused else NAMED)) or known:
        return Diagnosis(Outcome.NAMED, causes, rows, footing=footing)
    return Diagnosis(Outcome.CANNOT_TELL, causes, rows, _decider(ranked, rows, table), footing)


def _held(evidence: Evidence, footing: Footing) -> bool:
    control = getattr(evidence.system, "capacity_control", "")
    if control in ("two_stage", "inverter"):
        return footing is Footing.OWN and evidence.said("full_capacity") is True
    return True


def _footing(rows: Residuals) -> Footing:
    return Footing.OWN if any(row.footing is Footing.OWN for row in rows.rows) else Footing.GENERIC


def _ranked(weighed: Sequence[Weighed], left: float) -> list[Weighed]:
    """By share of what is left when the sound system is ruled out; airflow and coil before charge where close."""
    shares = sorted((Weighed(each.name, each.share / left) for each in weighed), key=lambda each: -each.share)
    charge, air = {Fault.LOW_CHARGE, Fault.HIGH_CHARGE}, {Fault.LOW_INDOOR_AIRFLOW, Fault.OUTDOOR_COIL}
    first = shares[0]
    if first.name in charge and first.share < NAMED:
        for each in shares[1:]:
            if each.name in air and each.share * _CLOSE >= first.share:
                shares.remove(each)
                return [each, *shares]
    return shares


def _by_fan(cause: Cause) -> Cause:
    if cause.id != Fault.OUTDOOR_COIL:
        return cause
    return replace(cause, meaning=f"the weak fan capacitor may be all of it; else {cause.meaning}")


# ------------------------------------------------------------------------------------------------------------- words


def _quantity(row: Residual) -> Quantity:
    match row.feature.unit:
        case "Cel":
            return Quantity.TEMPERATURE
        case "K":
            return Quantity.TEMPERATURE_DIFFERENCE
    return Quantity.PRESSURE_DIFFERENCE


def told(row: Residual, units: Units) -> str:
    """One residual as a sentence."""
    quantity = _quantity(row)
    off = quantity if quantity is Quantity.PRESSURE_DIFFERENCE else Quantity.TEMPERATURE_DIFFERENCE
    where = {-1: "below", 0: "within the band about", 1: "above"}[row.sign]
    size = "" if not row.sign else f"{shown(abs(row.residual), off, units)} "
    return (
        f"{row.feature.title} {shown(row.value, quantity, units)} is {size}{where} the expected "
        f"{shown(row.expected, quantity, units)} (band +/- {shown(row.band, off, units)})"
    )


def _cause(weighed: Weighed, rows: Residuals, table: Mapping[Fault, Row], units: Units) -> Cause:
    if weighed.name.startswith("off:"):
        return _off(weighed, rows, units)
    fault = Fault(weighed.name)
    words, row = FAULT_WORDS[fault], table[fault]
    speaks_for, against = [], []
    for each in rows.rows:
        sign = row.sign(each.name)
        if sign == "?":
            if each.sign > 0 and fault is Fault.LOW_INDOOR_AIRFLOW:
                speaks_for.append(told(each, units))
            continue
        wanted = {"-": -1, "0": 0, "+": 1}[sign]
        if each.sign and each.sign == wanted:
            speaks_for.append(told(each, units))
        elif each.sign or (wanted and each.name not in row.weak and each.band < each.feature.scale):
            against.append(f"{told(each, units)}; this cause would {_moves(wanted)} it")
    return Cause(
        fault,
        words.title,
        words.kind,
        weighed.share,
        tuple(speaks_for),
        tuple(against),
        words.meaning,
        words.next_step,
        PRESSURE_CAUTION if words.kind is Kind.REFRIGERANT else "",
    )


def _moves(wanted: int) -> str:
    return {-1: "lower", 0: "hardly move", 1: "raise"}[wanted]


def _off(weighed: Weighed, rows: Residuals, units: Units) -> Cause:
    point = weighed.name.removeprefix("off:")
    id_, title, remedy = OFF_WORDS[point]
    speaks_for, against = [], []
    for each in rows.rows:
        if each.sign and each.by.get(point):
            speaks_for.append(f"{told(each, units)}, which hangs on this reading")
        elif each.sign:
            against.append(f"{told(each, units)}, which does not hang on this reading")
    return Cause(
        id_,
        title,
        Kind.INSTRUMENT,
        weighed.share,
        tuple(speaks_for),
        tuple(against),
        "one instrument explains what is out of the ordinary better than any fault of the system",
        remedy,
        PRESSURE_CAUTION if point.endswith("pressure") else "",
    )


def _missing(rows: Residuals) -> list[str]:
    here = {row.name for row in rows.rows}
    wanted = ("superheat", "subcooling", "split", "condensing", "evaporating")
    return [MEASURE[name] for name in wanted if name not in here]


def _decider(ranked: Sequence[Weighed], rows: Residuals, table: Mapping[Fault, Row]) -> str:
    """The reading that would tell the two likeliest explanations apart."""
    here = {row.name for row in rows.rows}
    one, other = ranked[0].name, ranked[1].name
    if one.startswith("off:") or other.startswith("off:"):
        point = (one if one.startswith("off:") else other).removeprefix("off:")
        return OFF_WORDS[point][2]
    pair = PAIRS.get(frozenset({one, other}))
    if pair is not None and all(MEASURE[name] != pair for name in here):
        return pair
    apart: list[tuple[int, str]] = []
    for name, text in MEASURE.items():
        if name in here:
            continue
        signs = table[Fault(one)].sign(name), table[Fault(other)].sign(name)
        if "?" in signs or signs[0] == signs[1]:
            continue
        apart.append((-2 if "0" not in signs else -1, text))
    if apart:
        return min(apart)[1]
    return "the same readings again in other weather, or after the cheaper of the two has been put right"
