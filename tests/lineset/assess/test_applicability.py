"""Which checks apply to which system: stages, inverters, heat pumps. Invented evidence; common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest

from lineset.assess.checks import CATALOGUE, judge, judge_all
from lineset.assess.decision import State
from lineset.assess.evidence import Accuracy, Evidence, Known
from lineset.assess.rules import SHIPPED
from lineset.assess.verdict import Verdict
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.system import SystemDescriptionError, SystemRecord, system_record

F = 5 / 9
VALVE = SystemRecord(
    id="main", refrigerant="R-410A", metering_device="txv", nameplate=Nameplate(subcooling_target_k=10 * F)
)
TWO = msgspec.structs.replace(VALVE, capacity_control="two_stage")
LOW_NAMED = msgspec.structs.replace(TWO, charge_stage="low")
INVERTER = msgspec.structs.replace(VALVE, capacity_control="inverter")
PUMP = msgspec.structs.replace(VALVE, kind="split_heat_pump")
VALUES = {
    "subcooling": Known(10 * F, 0.3, origin="derived"),
    "total_superheat": Known(10 * F, 0.3, origin="derived"),
    "temperature_split": Known(20 * F, 0.3, origin="derived"),
    "outdoor_air_temperature": Known(30.0, 0.2),
    "return_air_temperature": Known(24.0, 0.2),
    "return_air_humidity": Known(50.0, 1.0),
    "liquid_service_pressure": Known(2.4e6, 4e3, accuracy=Accuracy(7e3)),
    "vapor_service_pressure": Known(0.85e6, 4e3, accuracy=Accuracy(7e3)),
    "liquid_line_temperature": Known(35.0, 0.3, accuracy=Accuracy(0.5)),
    "heat_strip_current": Known(0.0, 0.02),
}


def evidence(system: SystemRecord, **more: object) -> Evidence:
    base = Evidence(system, phase="before", run="running", mode="cool", run_s=1200.0, values=VALUES)
    return replace(base, **more)  # type: ignore[arg-type]


def subcooling(found: Evidence) -> Verdict:
    return judge(CATALOGUE["subcooling"], found, SHIPPED)


@pytest.mark.parametrize(
    ("system", "more", "state", "words"),
    [
        (TWO, {}, State.UNDECIDED, "neither seen nor said"),
        (TWO, {"stage": "high"}, State.PASS, ""),
        (TWO, {"stage": "low"}, State.NOT_APPLICABLE, "low stage, by two kinds of evidence"),
        (TWO, {"declared": {"full_capacity": True}}, State.PASS, ""),
        (TWO, {"declared": {"low_stage": True}}, State.NOT_APPLICABLE, "low stage, as declared"),
        (TWO, {"declared": {"full_capacity": True, "low_stage": True}}, State.UNDECIDED, "neither seen nor said"),
        (TWO, {"declared": {"full_capacity": True}, "stage": "low"}, State.NOT_APPLICABLE, "two kinds of evidence"),
        (LOW_NAMED, {"stage": "low"}, State.PASS, ""),
        (LOW_NAMED, {"stage": "high"}, State.NOT_APPLICABLE, "low stage, which the maker names"),
        (INVERTER, {}, State.NOT_APPLICABLE, "test mode"),
        (INVERTER, {"declared": {"full_capacity": True}}, State.PASS, ""),
    ],
)
def test_charge_is_judged_in_the_stage_that_is_named(
    system: SystemRecord, more: dict[str, object], state: State, words: str
) -> None:
    verdict = subcooling(evidence(system, **more))
    assert verdict.state is state
    assert words in f"{verdict.reason} {verdict.would_decide}"


def test_an_inverters_charge_cannot_be_judged_here_and_what_was_proved_is_said() -> None:
    charge = [each for each in judge_all(evidence(INVERTER)) if each.name == "charge"]
    assert len(charge) == 1
    assert charge[0].state is State.NOT_APPLICABLE
    assert "cannot be judged here" in charge[0].reason
    assert any("strips off" in each for each in charge[0].proved)


@pytest.mark.parametrize(("run", "mode"), [("running", "heat"), ("starting", "heat"), ("defrost", "heat")])
def test_while_it_heats_or_defrosts_the_tables_of_cooling_are_silent_and_the_charge_says_why_once(
    run: str, mode: str
) -> None:
    verdicts = judge_all(evidence(PUMP, run=run, mode=mode))
    names = [each.name for each in verdicts]
    assert not {"subcooling", "superheat", "lowest_superheat", "metering_device", "split"} & set(names)
    assert names.count("charge") == 1
    charge = verdicts[names.index("charge")]
    assert charge.state is State.NOT_APPLICABLE
    assert "discharge gas" in charge.reason
    assert "maker's chart for heating" in charge.would_decide
    asked = subcooling(evidence(PUMP, run=run, mode=mode))  # asked for by name, it says so too
    assert asked.state is State.NOT_APPLICABLE


def test_nobody_is_told_to_add_refrigerant_whatever_the_system() -> None:
    for system in (TWO, LOW_NAMED, INVERTER, PUMP):
        for mode in ("cool", "heat"):
            for verdict in judge_all(evidence(system, mode=mode)):
                said = " ".join((verdict.reason, verdict.would_decide, verdict.caution)).lower()
                assert "add refrigerant" not in said


def test_a_charge_stage_is_of_a_two_stage_system() -> None:
    described = {"id": "a", "refrigerant": "R-410A", "capacity_control": "two_stage", "charge_stage": "low"}
    assert system_record(described).charge_stage == "low"
    with pytest.raises(SystemDescriptionError, match="capacity_control"):
        system_record({**described, "capacity_control": "single"})
    with pytest.raises(SystemDescriptionError, match="charge_stage"):
        system_record({**described, "charge_stage": "middle"})


@pytest.mark.parametrize(("wick_f", "finding"), [(58.5, "within"), (62.3, "high")])
def test_a_wick_tells_the_same_split_at_half_humidity_from_that_of_a_damp_house(wick_f: float, finding: str) -> None:
    # 70 degF returning, 49 degF supplied: normal at about half humidity (58.5 degF wet bulb), low airflow at 65 % (62.3
    # degF; psychrometric chart, from memory): common practice, no source; the table of splits is recalled, so advice
    values = {
        "return_air_temperature": Known(70.0 * F - 160 / 9, 0.1),
        "supply_air_temperature": Known(49.0 * F - 160 / 9, 0.1),
        "return_air_wet_bulb": Known((wick_f - 32.0) * F, 0.1),
        "temperature_split": Known(21.0 * F, 0.15, origin="derived"),
    }
    verdict = judge(CATALOGUE["split"], evidence(VALVE, values=values), SHIPPED)
    assert (verdict.state, verdict.finding) == (State.ADVISORY, finding)
    assert ("low airflow" in verdict.reason) is (finding == "high")
