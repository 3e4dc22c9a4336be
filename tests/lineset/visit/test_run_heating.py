"""Heat pumps: ports that have changed sides, defrosts and stages, each by two kinds of evidence or not at all.

All figures are invented, of the size that such equipment shows (common practice, no source).
"""

from __future__ import annotations

import pytest

from lineset.physics.refrigerant import curve
from lineset.visit.run import DEFROST_DWELL_S, DEFROST_LONGEST_S, Mode, RunFusion, RunState
from lineset.visit.witness import STRIP_FEED_ON_A, Told, strips_on

NS = 1_000_000_000
CURVE = curve("R-410A")


def dew_cel(gauge_pa: float) -> float | None:
    return CURVE.dew(gauge_pa + 101_325.0)


PUMP = Told(kind="split_heat_pump", saturation_cel=dew_cel)
WINTER = {"outdoor_air_temperature": 2.0, "return_air_temperature": 20.0}
# discharge gas at the vapor port, liquid from the indoor coil at the liquid port
HEATS = WINTER | {
    "vapor_service_pressure": 2.45e6,
    "liquid_service_pressure": 2.38e6,
    "vapor_line_temperature": 64.0,
    "liquid_line_temperature": 31.0,
    "supply_air_temperature": 37.0,
    "power": 2300.0,
    "outdoor_fan_current": 1.1,
}
TURNED = {
    "vapor_service_pressure": 0.45e6,
    "liquid_service_pressure": 1.2e6,
    "vapor_line_temperature": -2.0,
    "liquid_line_temperature": 14.0,
    "supply_air_temperature": 16.0,
    "power": 1700.0,
}
DEFROSTS = HEATS | TURNED | {"outdoor_fan_current": 0.0}
STANDS = WINTER | {
    "vapor_service_pressure": 0.75e6,
    "liquid_service_pressure": 0.76e6,
    "vapor_line_temperature": 18.0,
    "liquid_line_temperature": 15.0,
    "supply_air_temperature": 20.5,
    "power": 0.0,
    "outdoor_fan_current": 0.0,
}


class Probes:
    def __init__(self, told: Told = PUMP) -> None:
        self.fusion = RunFusion()
        self.told = told
        self.t_s = 0

    def see(self, values: dict[str, float], seconds: float) -> dict[str, str]:
        """The evidence of the last change."""
        last: dict[str, str] = {}
        for _ in range(round(seconds)):
            self.t_s += 1
            changed = self.fusion.look(self.t_s * NS, values.get, self.told)
            last = changed[2] if changed is not None else last
        return last

    def heating(self) -> Probes:
        self.see(STANDS, 20)
        self.see(HEATS, 600)
        assert (self.fusion.state, self.fusion.mode) == (RunState.RUNNING, Mode.HEAT)
        return self


def test_service_ports_tell_heating_from_standing_by_what_the_air_around_allows() -> None:
    ports = ("vapor_service_pressure", "liquid_service_pressure", *WINTER)
    heats = {name: HEATS[name] for name in ports}
    probes = Probes()
    probes.see(heats | {"power": 2300.0}, 6)
    assert (probes.fusion.state, probes.fusion.mode) == (RunState.RUNNING, Mode.HEAT)
    blind = Probes(PUMP._replace(saturation_cel=None))  # no curve: ports that stand together say nothing
    blind.see(heats | {"power": 2300.0}, 60)
    assert blind.fusion.state is RunState.UNKNOWN
    standing = Probes()
    standing.see({name: STANDS[name] for name in ports}, 30)
    assert standing.fusion.state is RunState.UNKNOWN  # one kind: it may keep a state, and not make one
    standing.see({name: STANDS[name] for name in (*ports, "power")}, 5)
    assert standing.fusion.state is RunState.STOPPED


def test_the_common_suction_port_draws_apart_in_both_modes() -> None:
    probes = Probes()
    probes.see({"vapor_service_pressure": 2.45e6, "common_suction_pressure": 0.5e6, "power": 2300.0}, 10)
    assert (probes.fusion.state, probes.fusion.mode) == (RunState.RUNNING, Mode.HEAT)


def test_a_defrost_is_found_by_two_kinds_and_the_run_begins_anew_after_it() -> None:
    probes = Probes().heating()
    epoch = probes.fusion.epoch
    begun = probes.t_s
    evidence = probes.see(DEFROSTS, 30)
    fusion = probes.fusion
    assert (fusion.state, fusion.mode, fusion.epoch) == (RunState.DEFROST, Mode.HEAT, epoch + 1)
    assert fusion.since == (begun + 1) * NS
    assert evidence["defrost outdoor_fan"] == evidence["defrost pressure"] == "yes"
    probes.see(DEFROSTS, 200)
    ended = probes.t_s
    probes.see(HEATS, 30)
    assert (fusion.state, fusion.mode, fusion.epoch) == (RunState.RUNNING, Mode.HEAT, epoch + 2)
    assert fusion.since == (ended + 1) * NS


@pytest.mark.parametrize(
    "alone",
    [
        {"outdoor_fan_current": 0.0},  # a released clamp
        {"heat_strip_current": 20.0},  # strips help in heating too
        {"outdoor_fan_current": 0.0, "heat_strip_current": 20.0},
        {"supply_air_temperature": 16.0},  # a probe that fell off
        {"vapor_line_temperature": -2.0},
        {"vapor_service_pressure": 0.45e6},
    ],
    ids=lambda values: "+".join(values),
)
def test_one_probe_makes_no_defrost(alone: dict[str, float]) -> None:
    probes = Probes().heating()
    epoch, since = probes.fusion.epoch, probes.fusion.since
    probes.see(HEATS | alone, 120)
    assert (probes.fusion.state, probes.fusion.mode) == (RunState.RUNNING, Mode.HEAT)
    assert (probes.fusion.epoch, probes.fusion.since) == (epoch, since)


def test_a_word_alone_makes_no_defrost_and_with_one_kind_it_does() -> None:
    said = PUMP._replace(declared={"defrosting": True})
    word = Probes().heating()
    word.told = said
    word.see(HEATS, 60)
    assert word.fusion.state is RunState.RUNNING
    no_fan = {name: value for name, value in DEFROSTS.items() if name != "outdoor_fan_current"}
    word.see(no_fan, 2 * DEFROST_DWELL_S)
    assert word.fusion.state is RunState.DEFROST


def test_a_change_to_cooling_with_the_fan_on_is_no_defrost() -> None:
    probes = Probes().heating()
    epoch = probes.fusion.epoch
    probes.see(HEATS | TURNED | {"outdoor_fan_current": 1.1}, 60)
    assert (probes.fusion.state, probes.fusion.mode) == (RunState.RUNNING, Mode.COOL)
    assert probes.fusion.epoch == epoch + 1


def test_no_defrost_is_believed_for_longer_than_one_lasts() -> None:
    probes = Probes().heating()
    probes.see(DEFROSTS, 60)
    vague = {"power": 1700.0, "vapor_service_pressure": 0.45e6, "liquid_service_pressure": 1.2e6}
    probes.see(vague, DEFROST_LONGEST_S + 5)
    assert probes.fusion.state is not RunState.DEFROST


def test_a_stop_in_heating_is_found() -> None:
    probes = Probes().heating()
    falls = HEATS | {"power": 0.0, "vapor_service_pressure": 1.4e6, "liquid_service_pressure": 1.4e6}
    probes.see(falls, 10)
    assert probes.fusion.state is RunState.STOPPED


def test_an_air_conditioner_never_heats_by_its_circuit() -> None:
    probes = Probes(Told(kind="split_ac"))
    values = {"power": 2800.0, "vapor_service_pressure": 0.83e6, "liquid_service_pressure": 2.5e6}
    probes.see(values | {"return_air_temperature": 20.0, "supply_air_temperature": 35.0}, 60)  # strips, by mistake
    assert (probes.fusion.state, probes.fusion.mode) == (RunState.RUNNING, Mode.COOL)


@pytest.mark.parametrize(
    ("name", "amps", "on"),
    [
        ("heat_strip_current", 19.0, True),
        ("heat_strip_current.3", 19.0, True),
        ("heat_strip_feed_current", 24.0, True),
        ("heat_strip_feed_current.2", STRIP_FEED_ON_A + 1.0, True),
        ("heat_strip_feed_current", 6.0, False),  # the blower alone
        ("heat_strip_current", 0.1, False),
    ],
)
def test_strips_are_heard_on_their_own_conductor_and_on_the_air_handlers_feed(name: str, amps: float, on: bool) -> None:
    assert strips_on({name: amps}.get) is on
    probes = Probes()
    probes.see(STANDS | {name: amps}, 30)
    assert (probes.fusion.mode is Mode.EMERGENCY) is on
    assert strips_on({}.get) is None


# ------------------------------------------------------------------------------------------------------------ stages

TWO = Told(kind="split_ac", capacity_control="two_stage")
LOW = {
    "vapor_service_pressure": 0.95e6, "liquid_service_pressure": 2.2e6, "power": 1500.0,
    "compressor_common_current": 6.5,
}  # fmt: skip
FULL = LOW | {"vapor_service_pressure": 0.83e6, "power": 2500.0, "compressor_common_current": 11.0}


def test_a_step_of_power_and_current_is_a_stage_and_begins_the_run_anew() -> None:
    probes = Probes(TWO)
    probes.see(LOW, 400)
    fusion = probes.fusion
    assert (fusion.state, fusion.stage) == (RunState.RUNNING, "")  # no step was seen yet
    epoch = fusion.epoch
    probes.see(FULL, 30)
    assert (fusion.stage, fusion.epoch) == ("high", epoch + 1)
    assert fusion.since > (probes.t_s - 31) * NS
    since = fusion.since
    probes.see(FULL, 600)
    assert (fusion.stage, fusion.since) == ("high", since)
    probes.see(LOW, 30)
    assert (fusion.stage, fusion.epoch) == ("low", epoch + 2)


def test_a_step_of_one_probe_is_no_stage_and_casts_doubt_on_the_one_known() -> None:
    probes = Probes(TWO)
    probes.see(LOW, 400)
    epoch = probes.fusion.epoch
    probes.see(LOW | {"power": 2500.0}, 60)
    assert (probes.fusion.stage, probes.fusion.epoch) == ("", epoch)
    probes.see(LOW, 200)
    probes.see(FULL, 200)
    assert probes.fusion.stage == "high"
    probes.see(FULL | {"compressor_common_current": 6.5}, 60)  # the clamp was moved to another conductor
    assert probes.fusion.stage == ""


def test_a_word_and_one_step_are_a_stage_and_a_word_alone_is_none() -> None:
    probes = Probes(TWO._replace(declared={"full_capacity": True}))
    only = {name: value for name, value in LOW.items() if name != "compressor_common_current"}
    probes.see(only, 400)
    assert probes.fusion.stage == ""
    probes.see(only | {"power": 2500.0}, 60)
    assert probes.fusion.stage == "high"


def test_a_single_stage_system_has_no_stage() -> None:
    probes = Probes(Told(kind="split_ac", capacity_control="single"))
    probes.see(LOW, 400)
    probes.see(FULL, 60)
    assert probes.fusion.stage == ""
