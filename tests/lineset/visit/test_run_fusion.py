"""The run state: no single probe decides it, a start and a stop need prompt evidence, lagging evidence only keeps."""

from __future__ import annotations

from lineset.visit.run import STARTING_S, Mode, RunFusion, RunState

NS = 1_000_000_000
REST = {
    "vapor_service_pressure": 1.5e6,
    "liquid_service_pressure": 1.52e6,
    "power": 0.0,
    "liquid_line_temperature": 25.0,
    "outdoor_air_temperature": 25.2,
    "vapor_line_temperature": 24.0,
    "return_air_temperature": 24.5,
    "supply_air_temperature": 24.4,
}
RUN = {
    "vapor_service_pressure": 0.83e6,
    "liquid_service_pressure": 2.5e6,
    "power": 2800.0,
    "liquid_line_temperature": 37.0,
    "outdoor_air_temperature": 28.0,
    "vapor_line_temperature": 11.0,
    "return_air_temperature": 24.5,
    "supply_air_temperature": 13.0,
}
# a minute after a stop behind a closed expansion valve: pressures, lines and air still look like running
JUST_STOPPED = RUN | {"liquid_service_pressure": 2.0e6, "power": 0.0}


class Probes:
    def __init__(self) -> None:
        self.fusion = RunFusion()
        self.t = 0

    def see(self, values: dict[str, float], seconds: int) -> list[RunState]:
        changes = []
        for _ in range(seconds):
            self.t += NS
            if self.fusion.look(self.t, values.get) is not None:
                changes.append(self.fusion.state)
        return changes


def test_nothing_is_known_of_a_system_without_probes() -> None:
    probes = Probes()
    assert probes.see({}, 60) == []
    assert probes.fusion.state is RunState.UNKNOWN


def test_no_single_probe_decides() -> None:
    for name in ("power", "liquid_service_pressure", "supply_air_temperature", "compressor_common_current"):
        one = {name: {**RUN, "compressor_common_current": 11.0}[name]}
        probes = Probes()
        probes.see(one, 60)
        assert probes.fusion.state is RunState.UNKNOWN, name


def test_rest_start_run_stop() -> None:
    probes = Probes()
    probes.see(REST, 20)
    assert probes.fusion.state is RunState.STOPPED
    epoch = probes.fusion.epoch
    changes = probes.see(RUN, 10)
    assert changes[0] is RunState.STARTING
    assert probes.fusion.epoch == epoch + 1
    assert probes.see(RUN, int(STARTING_S) + 5)[-1] is RunState.RUNNING
    assert probes.fusion.mode is Mode.COOL
    assert probes.fusion.epoch == epoch + 1  # from starting to running is one run
    assert RunState.STOPPED in probes.see(JUST_STOPPED, 30)
    assert probes.fusion.epoch == epoch + 2


def test_what_outlives_the_compressor_does_not_start_it_again() -> None:
    probes = Probes()
    probes.see(REST, 20)
    probes.see(RUN, 300)
    probes.see(JUST_STOPPED, 30)
    assert probes.fusion.state is RunState.STOPPED
    assert [state for state in probes.see(JUST_STOPPED, 300) if state is not RunState.STOPPED] == []


def test_a_released_clamp_does_not_stop_a_running_system() -> None:
    probes = Probes()
    running = RUN | {"compressor_common_current": 11.0}
    probes.see(REST, 10)
    probes.see(running, 200)
    probes.see(RUN | {"compressor_common_current": 0.0}, 120)
    assert probes.fusion.state is RunState.RUNNING


def test_contradicting_prompt_probes_change_nothing() -> None:
    probes = Probes()
    probes.see(REST, 20)
    confused = REST | {"compressor_common_current": 11.0}
    probes.see(confused, 60)
    assert probes.fusion.state is RunState.STOPPED


def test_fan_and_strips_without_the_outdoor_unit() -> None:
    probes = Probes()
    probes.see(REST | {"blower_current": 2.0}, 20)
    assert (probes.fusion.state, probes.fusion.mode) == (RunState.STOPPED, Mode.FAN)
    probes.see(REST | {"heat_strip_current": 19.0}, 5)
    assert probes.fusion.mode is Mode.EMERGENCY


def test_heating_by_the_refrigerant_is_told_from_cooling() -> None:
    probes = Probes()
    # hot gas in the vapor line, which the reversing valve has put on the compressor's discharge
    turned = {"vapor_service_pressure": 2.55e6, "vapor_line_temperature": 62.0, "supply_air_temperature": 38.0}
    probes.see(RUN | turned, 30)
    assert probes.fusion.state is not RunState.STOPPED
    assert probes.fusion.mode is Mode.HEAT
