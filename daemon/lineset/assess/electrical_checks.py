"""Checks of the electrical side: capacitors, motor and strip amps, line and control volts, contactor; and static."""

from __future__ import annotations

import math

from lineset.assess import preconditions as pre
from lineset.assess.basis import Basis
from lineset.assess.check import Check, Reading, Wanting, want, words_of
from lineset.assess.evidence import FACTS, Evidence
from lineset.assess.limits import limit
from lineset.assess.rules import Rules
from lineset.assess.targets import Target
from lineset.equipment.asking import needs
from lineset.equipment.nameplate import USUAL_CAPACITOR_TOLERANCE, Nameplate
from lineset.measure.uncertainty import Z95
from lineset_drivers.quantity import Quantity

Q = Quantity
_LIVE = "Line voltage and stored charge: keep one hand out, meter rated for it, probes on before you look."
_BENCH = "Power off and locked out; discharge the capacitor and prove it before you touch a terminal."

# A clamp whose error may be more than this part of the capacitor's tolerance says nothing of a pass.
COARSE_PART = 0.25
STRIP_AMPS = "heat strip {number} amps against kW and volts"
_TO_BENCH = "meter too coarse: test on the bench, de-energised, discharged and isolated"


def _rating(plate: Nameplate, which: str) -> float | None:
    found: float | None = getattr(plate, f"{which}_capacitor_f")
    return found


def _capacitor(which: str, value_name: str, current: str) -> Check:
    def applies(evidence: Evidence) -> str:
        if _rating(evidence.system.nameplate, which) is None:
            return needs(f"{which}_capacitor_uf")
        return ""

    def read(evidence: Evidence, rules: Rules) -> Reading:
        value = want(evidence, value_name)
        plate = evidence.system.nameplate
        rating = _rating(plate, which)
        assert rating is not None
        row = limit("capacitor", rules.role, rules.limits)
        part_low = -plate.allowed_capacitor_part if row.low is None else row.low
        part_high = plate.allowed_capacitor_part if row.high is None else row.high
        assumed: tuple[str, ...] = ()
        if plate.capacitor_tolerance is None and (row.low is None or row.high is None):
            assumed = (f"+/- {USUAL_CAPACITOR_TOLERANCE:.0%}, as usual: the label's own tolerance is not given",)
        coarse = ""
        if current:
            coarse = _coarse(evidence, current, min(abs(part_low), abs(part_high)))
        words = (
            f"{words_of(value.value, Q.CAPACITANCE, value.u)} against a marking of {words_of(rating, Q.CAPACITANCE)}"
        )
        target = Target(rating, 0.0, "the marking on the capacitor", Basis.NAMEPLATE)
        return Reading(
            value.value, value.u, Q.CAPACITANCE, target, value.u, words=words, coarse=coarse, assumed=assumed,
            low=rating * (1 + part_low), high=rating * (1 + part_high),
        )  # fmt: skip

    under_load = bool(current)
    name = f"{which}_capacitor_under_load" if under_load else f"{which}_capacitor_bench"
    called = "HERM" if which == "herm" else "FAN" if which == "fan" else "blower"
    return Check(
        name, f"{called} capacitor {'under load' if under_load else 'on the bench'}", (value_name,), "capacitor", read,
        (pre.RUNNING, pre.NO_START_ASSIST) if under_load else (pre.ISOLATED,), (), applies, under_load,
        _LIVE if under_load else _BENCH,
    )  # fmt: skip


def _coarse(evidence: Evidence, current: str, tolerance: float) -> str:
    amps = evidence.known(current)
    if amps is None or not amps.value:
        return ""
    # an instrument's stated limit, else the 95 % half width given with an entered value
    error = (amps.accuracy.limit if amps.accuracy is not None else Z95 * amps.u) / abs(amps.value)
    needed = COARSE_PART * tolerance
    if error <= needed:
        return ""
    return f"{_TO_BENCH} (amps within {100 * error:.1f} % only; {100 * needed:.1f} % needed)"


_MOTOR_WORDS = {
    "psc": "a PSC motor's amps fall when its air is restricted: low amps are no good sign by themselves",
    "ecm_torque": "a constant-torque motor holds torque: its amps change little while airflow falls",
    "ecm_airflow": "a constant-airflow motor works harder when air is restricted: amps and power rise",
}


def _amps(motor: str, point: str, rating_field: str, kind_field: str, short: str) -> Check:
    def applies(evidence: Evidence) -> str:
        if getattr(evidence.system.nameplate, rating_field) is None:
            return needs(rating_field)
        return ""

    def read(evidence: Evidence, _rules: Rules) -> Reading:
        value = want(evidence, point)
        rating: float = getattr(evidence.system.nameplate, rating_field)
        kind: str = getattr(evidence.system.nameplate, kind_field)
        words = [f"{words_of(value.value, Q.CURRENT, value.u)}; {short} {words_of(rating, Q.CURRENT)}"]
        if short == "RLA":
            words.append("RLA is a rating, not a target: compare with the maker's data at the same conditions")
        else:
            words.append(_MOTOR_WORDS.get(kind, "its FLA is a rating; the motor's kind is not in the system file"))
        return Reading(value.value, value.u, Q.CURRENT, rating=rating, words=". ".join(words))

    return Check(
        f"{motor}_amps", f"{motor.replace('_', ' ')} amps and its {short}", (point,), "motor_amps", read,
        (pre.RUNNING,) if motor != "blower" else (), (), applies, motor != "blower", _LIVE,
    )  # fmt: skip


def strip_amps(instance: str) -> Check:
    """Amps of one heat strip against its kW and the volts at hand; `instance` "" is the first."""
    point = f"heat_strip_current.{instance}" if instance else "heat_strip_current"
    number = int(instance or 1)

    def applies(evidence: Evidence) -> str:
        if len(evidence.system.nameplate.heat_strip_w) < number:
            return needs("heat_strip_kw") + f" (strip {number} is on the clamp)"
        if evidence.mode == "cool":
            return "strips are off while it cools; call for heat to check their amps"
        return ""

    def read(evidence: Evidence, _rules: Rules) -> Reading:
        value = want(evidence, point)
        plate = evidence.system.nameplate
        rated_v = plate.heat_strip_rated_v
        volts = evidence.settled("air_handler_voltage") or evidence.settled("line_voltage")
        assumed: tuple[str, ...] = ()
        at, at_u = rated_v, 0.0
        if volts is None:
            # nobody measured it: anything the supply may be (utilization range A of ANSI C84.1, from memory)
            at_u = rated_v * 0.10 / math.sqrt(3.0)
            assumed = (f"{rated_v:.0f} V at the strip, which nobody measured",)
        else:
            at, at_u = volts.value, volts.u
        if at < 0.5 * rated_v:
            raise Wanting(f"measure the volts at the strip: {at:.0f} V cannot feed a {rated_v:.0f} V strip")
        # a resistance: watts / rated volts at rated volts, in proportion to the volts at hand
        target = plate.heat_strip_w[number - 1] / rated_v * at / rated_v
        target_u = target * at_u / at
        aim = Target(target, target_u, "rated kW and volts of the strip, as a resistance", Basis.NAMEPLATE)
        words = (
            f"{words_of(value.value, Q.CURRENT, value.u)} against {words_of(target, Q.CURRENT, target_u)} at {at:.0f} V"
        )
        return Reading(
            value.value, value.u, Q.CURRENT, aim, math.hypot(value.u, target_u), words=words, assumed=assumed
        )  # fmt: skip

    title = STRIP_AMPS.format(number=number) if instance else "heat strip amps against kW and volts"
    name = f"strip_amps.{instance}" if instance else "strip_amps"
    return Check(name, title, (point,), "strip_amps", read, (), (), applies, False, _LIVE)


def _strips_off(evidence: Evidence, _rules: Rules) -> Reading:
    found = [name for name in evidence.instances("heat_strip_current") if evidence.settled(name) is not None]
    if not found:
        raise Wanting("measure the heat strips' current while it cools")
    worst = max((want(evidence, name) for name in found), key=lambda known: (known.value, known.t))
    return Reading(
        worst.value, worst.u, Q.CURRENT, words=words_of(worst.value, Q.CURRENT, worst.u),
        assumed=(FACTS["one_conductor"],) if evidence.said("one_conductor") is None else (),
        caution="A clamp that is open or around both conductors reads zero too.",
    )  # fmt: skip


def _plain(name: str, title: str, point: str, quantity: Quantity, *, of_run: bool, caution: str = _LIVE) -> Check:
    def read(evidence: Evidence, _rules: Rules) -> Reading:
        value = want(evidence, point)
        return Reading(value.value, value.u, quantity, words=words_of(value.value, quantity, value.u))

    preconditions = (pre.RUNNING,) if of_run else ()
    return Check(name, title, (point,), name, read, preconditions, (), of_run=of_run, caution=caution)


def _static(evidence: Evidence, _rules: Rules) -> Reading:
    whole = evidence.settled("total_external_static")
    if whole is None:
        supply, back = want(evidence, "supply_static"), want(evidence, "return_static")
        # each is measured against the room, and the return plenum lies below it; some write that without its sign
        value, u = supply.value + abs(back.value), math.hypot(supply.u, back.u)
    else:
        value, u = whole.value, whole.u
    return Reading(
        value, u, Q.PRESSURE_DIFFERENCE, words=words_of(value, Q.PRESSURE_DIFFERENCE, u),
        assumed=("the probes sit before and after the whole air handler, filter and coil as its maker rates it",),
    )  # fmt: skip


def _blower_on(evidence: Evidence) -> str:
    idle = evidence.run == "stopped" and not evidence.mode
    return "the blower does not run" if idle else ""


def _while_cooling(evidence: Evidence) -> str:
    cools = evidence.mode == "cool" or evidence.said("steady_cooling") is True
    return "" if cools else "it does not cool now"


HERM_UNDER_LOAD = _capacitor("herm", "herm_capacitance_under_load", "herm_lead_current")
FAN_UNDER_LOAD = _capacitor("fan", "fan_capacitance_under_load", "fan_capacitor_lead_current")
HERM_BENCH = _capacitor("herm", "herm_capacitance", "")
FAN_BENCH = _capacitor("fan", "fan_capacitance", "")
BLOWER_BENCH = _capacitor("blower", "blower_capacitance", "")
COMPRESSOR_AMPS = _amps("compressor", "compressor_common_current", "compressor_rla_a", "compressor_motor", "RLA")
OUTDOOR_FAN_AMPS = _amps("outdoor_fan", "outdoor_fan_current", "outdoor_fan_fla_a", "outdoor_fan_motor", "FLA")
BLOWER_AMPS = _amps("blower", "blower_current", "blower_fla_a", "blower_motor", "FLA")
STRIPS_OFF = Check(
    "strips_off", "heat strips off while cooling", ("heat_strip_current",), "strips_off", _strips_off, (pre.COOLING,),
    (), _while_cooling, caution=_LIVE,
)  # fmt: skip
LINE_VOLTAGE = _plain("line_voltage", "line voltage within its range", "line_voltage", Q.VOLTAGE, of_run=False)
CONTROL_VOLTAGE = _plain("control_voltage", "control circuit volts", "control_voltage", Q.VOLTAGE, of_run=False)
CONTACTOR_DROP = _plain("contactor_drop", "drop across the contactor", "contactor_drop", Q.VOLTAGE, of_run=True)
VOLTAGE_UNBALANCE = _plain(
    "voltage_unbalance", "unbalance of three-phase volts", "voltage_unbalance", Q.FRACTION, of_run=False
)
STATIC = Check(
    "static", "total external static pressure", ("total_external_static", "supply_static"), "static", _static,
    applies=_blower_on, of_run=False,
)  # fmt: skip
