"""The catalogue of checks, and the charge: what can be said of it, or once why not and what was proved instead."""

from __future__ import annotations

from lineset.assess import charge_checks as charge
from lineset.assess import electrical_checks as electrical
from lineset.assess.check import Check, Reading, Wanting
from lineset.assess.check import judge as judge
from lineset.assess.decision import State
from lineset.assess.evidence import Evidence
from lineset.assess.rules import SHIPPED, Rules
from lineset.assess.verdict import Verdict
from lineset.equipment.asking import needs

CATALOGUE: dict[str, Check] = {
    check.name: check
    for check in (
        charge.SUPERHEAT,
        charge.LOWEST_SUPERHEAT,
        charge.SUBCOOLING,
        charge.METERING_DEVICE,
        charge.SPLIT,
        electrical.HERM_UNDER_LOAD,
        electrical.HERM_BENCH,
        electrical.FAN_UNDER_LOAD,
        electrical.FAN_BENCH,
        electrical.BLOWER_BENCH,
        electrical.COMPRESSOR_AMPS,
        electrical.OUTDOOR_FAN_AMPS,
        electrical.BLOWER_AMPS,
        electrical.strip_amps(""),
        electrical.STRIPS_OFF,
        electrical.LINE_VOLTAGE,
        electrical.VOLTAGE_UNBALANCE,
        electrical.CONTROL_VOLTAGE,
        electrical.CONTACTOR_DROP,
        electrical.STATIC,
    )
}
CHARGE = "charge"
_CHARGE_TITLE = "refrigerant charge"
_WORTH_PROVING = (State.PASS, State.FAIL)
# How charge is judged: by the device that meters the refrigerant.
_METHOD = {"txv": "subcooling", "eev": "subcooling", "fixed_orifice": "superheat", "capillary": "superheat"}

_BY_INSTANCE = ("strips_off", "strip_amps")
# Checks of one kind of metering device; of the other kind nothing is said.
_OF_DEVICE = {
    "superheat": ("fixed_orifice", "capillary"),
    "lowest_superheat": ("fixed_orifice", "capillary"),
    "subcooling": ("txv", "eev"),
    "metering_device": ("txv", "eev"),
}
# Common practice, no source.
_IN_HEATING = (
    "it heats: charge cannot be judged by the tables of cooling, since the vapor port carries discharge gas now and "
    "the liquid comes from indoors"
)
_INSTEAD = "the maker's chart for heating; or weigh the charge; or test in cooling when it is warm enough outdoors"
# By tables and limits of cooling: while it heats or defrosts they have nothing to say, and the charge says so once.
_OF_COOLING = frozenset({*_OF_DEVICE, "split"})


def turned(evidence: Evidence) -> bool:
    """Whether the refrigerant goes the other way than in cooling, or does so in turns."""
    return evidence.run == "defrost" or (evidence.run in ("running", "starting") and evidence.mode == "heat")


def begun(check: Check, evidence: Evidence) -> bool:
    """Whether somebody has begun to measure for this check: one of its needs is known at all."""
    return any(name in evidence.values for name in check.needs)


def checks_for(evidence: Evidence) -> list[Check]:
    """The checks that somebody has begun to measure for, in the catalogue's order, instances included."""
    found = [check for check in CATALOGUE.values() if check.name not in _BY_INSTANCE and begun(check, evidence)]
    strips = list(evidence.instances("heat_strip_current"))
    if strips and not electrical.STRIPS_OFF.applies(evidence):
        found.append(electrical.STRIPS_OFF)
    found += [electrical.strip_amps(name.partition(".")[2]) for name in strips]
    if electrical.STATIC in found and electrical.STATIC.applies(evidence):
        found.remove(electrical.STATIC)
    device = evidence.system.metering_device
    if device in _METHOD:
        found = [check for check in found if check.name not in _OF_DEVICE or device in _OF_DEVICE[check.name]]
    return [check for check in found if check.name not in _OF_COOLING] if turned(evidence) else found


def judge_all(evidence: Evidence, rules: Rules = SHIPPED) -> list[Verdict]:
    """The verdicts of all checks that were begun, and the charge's, where it cools or somebody measures for it."""
    verdicts = [judge(check, evidence, rules) for check in checks_for(evidence)]
    summary = judge_charge(evidence, rules, verdicts)
    return [*verdicts, *([summary] if summary is not None else [])]


def judge_charge(evidence: Evidence, rules: Rules, verdicts: list[Verdict]) -> Verdict | None:
    """What can be said of the charge. None while it stands: nobody asks then."""
    device = evidence.system.metering_device
    method = _METHOD.get(device)
    proved = tuple(
        f"{each.title}: {each.state}" for each in verdicts if each.state in _WORTH_PROVING and each.name != method
    )
    running = evidence.run in ("running", "starting")
    cools = (running and evidence.mode != "heat") or evidence.said("steady_cooling") is True
    ports = [name for name in ("vapor_service_pressure", "liquid_service_pressure") if name in evidence.values]
    if turned(evidence):
        return _not_made(_IN_HEATING, proved, _INSTEAD)
    if not cools:
        return None
    if method is None:
        return _not_made(f"charge cannot be judged: it {needs('metering_device')}", proved)
    check = CATALOGUE[method]
    by_method = judge(check, evidence, rules)
    if by_method.state in (State.PASS, State.FAIL, State.ADVISORY):
        return Verdict(
            name=CHARGE, title=_CHARGE_TITLE, state=by_method.state, finding=by_method.finding,
            reason=f"by {check.title}: {by_method.reason}", source=by_method.source, basis=by_method.basis,
            rule=by_method.rule, probability=by_method.probability, assumed=by_method.assumed,
            caution="Rule out airflow and dirty coils first; charge only by the maker's procedure.", proved=proved,
        )  # fmt: skip
    if by_method.state is State.NOT_APPLICABLE:
        return _not_made(by_method.reason, proved, by_method.would_decide)
    if ports and method == "subcooling" and "liquid_service_pressure" not in ports:
        return _not_made("only the vapor port is measured: an expansion valve's charge goes by the liquid port", proved)
    if not ports:
        return _not_made(
            "no gauges are on: nothing was opened, and charge was not judged", proved, by_method.would_decide
        )
    return None  # on its way: the method's own check says what is still wanted


def _not_made(reason: str, proved: tuple[str, ...], would: str = "") -> Verdict:
    return Verdict(
        name=CHARGE, title=_CHARGE_TITLE, state=State.NOT_APPLICABLE, reason=reason, proved=proved, would_decide=would
    )


__all__ = [
    "CATALOGUE",
    "CHARGE",
    "Check",
    "Reading",
    "Wanting",
    "begun",
    "checks_for",
    "judge",
    "judge_all",
    "judge_charge",
]
