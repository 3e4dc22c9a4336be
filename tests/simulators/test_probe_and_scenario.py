"""Sensor models, meters that are moved about, and scenario files."""

from __future__ import annotations

import math
import statistics
from pathlib import Path
from typing import Any

import pytest

from lineset_simulators.movable import RELEASED, Movable
from lineset_simulators.probe import Probe, ProbeModel
from lineset_simulators.scenario import ScenarioError, load, read

SCENARIOS = Path(__file__).parents[2] / "demo" / "scenarios"


def _run(probe: Probe, true: float, seconds: float, dt: float = 0.25) -> list[float | None]:
    readings = []
    for _ in range(round(seconds / dt)):
        probe.advance(dt, true)
        readings.append(probe.read())
    return readings


def test_a_probe_lags_as_a_first_order_system() -> None:
    probe = Probe(ProbeModel(lag_s=5.0), "a")
    probe.advance(0.25, 0.0)
    after = _run(probe, 10.0, 5.0)[-1]
    # after one time constant 1 - 1/e of the step is seen: definition of the time constant
    assert after == pytest.approx(10.0 * (1 - 1 / math.e), rel=1e-9)


def test_noise_offset_gain_and_steps_are_as_told() -> None:
    noisy = [r for r in _run(Probe(ProbeModel(noise=0.5, offset=2.0, gain=1.1), "b"), 10.0, 2500.0) if r is not None]
    assert statistics.fmean(noisy) == pytest.approx(13.0, abs=0.05)
    assert statistics.stdev(noisy) == pytest.approx(0.5, rel=0.05)
    stepped = _run(Probe(ProbeModel(noise=0.5, step=0.25), "c"), 10.0, 100.0)
    assert all(r is not None and (r / 0.25).is_integer() for r in stepped)


def test_a_probe_drops_out_as_often_as_told_and_comes_back() -> None:
    readings = _run(Probe(ProbeModel(dropouts_per_hour=60.0, dropout_s=5.0), "d"), 1.0, 36_000.0)
    missing = sum(reading is None for reading in readings) / len(readings)
    assert 0.05 < missing < 0.11  # five seconds a minute, now and then overlapping
    assert readings[-1] is not None or any(reading is not None for reading in readings[-100:])


def test_the_same_seed_errs_the_same() -> None:
    model = ProbeModel(noise=1.0, dropouts_per_hour=100.0)
    one, same, other = (_run(Probe(model, seed), 5.0, 100.0) for seed in ("x", "x", "y"))
    assert one == same
    assert one != other


def test_a_probe_that_touches_nothing_reads_nothing_and_starts_afresh() -> None:
    probe = Probe(ProbeModel(lag_s=100.0), "e")
    probe.advance(0.25, 50.0)
    probe.advance(0.25, None)
    assert probe.read() is None
    probe.advance(0.25, 20.0)
    assert probe.read() == 20.0


def test_a_probe_model_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="noise cannot be -1"):
        ProbeModel(noise=-1.0)
    with pytest.raises(ValueError, match="no 'smell'"):
        ProbeModel().changed({"smell": 1.0})


SENSES = {"outdoor_fan_current": 0.82, "line_voltage": 240.0, "herm_capacitance": 44e-6, "line_frequency": 60.0}


def test_a_released_clamp_reads_about_nothing() -> None:
    jaw = Movable(ProbeModel(0.4, 0.012), "f")
    readings = []
    for _ in range(400):
        jaw.advance(0.25, SENSES)
        readings.append(jaw.sense("ACA"))
    assert all(reading is not None and 0.0 <= reading < 0.06 for reading in readings)
    assert len(set(readings)) > 100  # noise, not a frozen zero


def test_a_meter_reads_what_is_where_it_is_in_its_mode() -> None:
    meter = Movable(ProbeModel(), "g")
    meter.place("outdoor_fan_current")
    meter.advance(0.25, SENSES)
    assert meter.sense("ACA") == 0.82
    assert meter.sense("ACV") == 0.0  # leads in the air
    assert meter.sense("CAP") is None
    meter.place("line_voltage")
    meter.advance(0.25, SENSES)
    assert meter.sense("ACV") == 240.0
    assert meter.sense("FREQ") == 60.0
    meter.place("herm_capacitance")
    meter.advance(0.25, SENSES)
    assert meter.sense("CAP") == pytest.approx(44e-6)
    meter.place(RELEASED)
    meter.advance(0.25, SENSES)
    assert meter.sense("CAP") is None
    with pytest.raises(ValueError, match="no clamp or leads measure 'return_static'"):
        meter.place("return_static")


@pytest.mark.parametrize("file", sorted(SCENARIOS.glob("*.toml")), ids=lambda file: file.stem)
def test_the_demos_scenarios_can_be_read_and_say_that_they_are_invented(file: Path) -> None:
    scenario = load(file)
    assert "invented" in scenario.title
    assert scenario.instruments


def _with(**instrument: Any) -> dict[str, Any]:
    return {"instrument": [{"id": "a", "model": "pressure-transducer-2ch", "link": "serial:bus"} | instrument]}


@pytest.mark.parametrize(
    ("root", "reason"),
    [
        ({"colour": {}}, "unknown table 'colour'"),
        (_with(model="crystal-ball"), "no model 'crystal-ball'"),
        (_with(link="ble:C0:FF:EE:00:00:01"), "cannot be on"),
        (_with(model="air-probe", link="ble:x"), "has no address"),
        (_with(model="bench-meter", link="rtu+tcp:x"), "cannot be on"),
        (_with(unit=300), "from 1 to 247"),
        (_with(channels={"left": "line_voltage"}), "no channel 'left'"),
        (_with(probes={"low": {"smell": 1}}), "no 'smell'"),
        (_with(taste="sour"), "unknown key 'taste'"),
        (_with(battery=50), "only air-probe, air-beacon, clamp-meter-ble tell about a battery"),
        (_with(model="air-probe", link="ble:C0:FF:EE:00:00:01", battery=101), "from 0 to 100 per cent"),
        (_with(model="air-probe", link="ble:C0:FF:EE:00:00:01", bindkey="00" * 16), "only an air-beacon"),
        (_with(model="air-beacon", link="ble:C0:FF:EE:00:00:01", bindkey="00"), "bindkey is 32 digits"),
        (_with(id="A B"), "id 'A B'"),
        ({"instrument": [*_with()["instrument"], *_with(id="b")["instrument"]]}, "is taken"),
        ({"instrument": [*_with()["instrument"], *_with(unit=2)["instrument"]]}, "two instruments are called 'a'"),
        ({"event": [{"at": -1, "do": "blower"}]}, "visit seconds from 0"),
        ({"event": [{"at": 1}]}, "do is missing"),
        ({"plant": {"refrigerant": 22, "wheels": 4}}, "unknown key 'wheels'"),
    ],
)
def test_scenarios_that_cannot_be_played_say_why(root: dict[str, Any], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        read(root)


def test_a_scenario_file_is_named_in_its_error(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    with pytest.raises(ScenarioError, match=r"bad\.toml: cannot be read"):
        load(file)
    file.write_text("[plant", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"bad\.toml: this is not TOML"):
        load(file)
    file.write_text("[plant]\nwheels = 4\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"bad\.toml: plant: unknown key 'wheels'"):
        load(file)
