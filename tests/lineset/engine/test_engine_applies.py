"""Which derived values the engine gives: those whose ratings are known and which the run allows; the same as calc's."""

from __future__ import annotations

import pytest
from engine_entries import SYSTEM, Bench, channel

from lineset.cli.calc_answer import answer
from lineset.contract import entry as e
from lineset.equipment.nameplate import Nameplate
from lineset.physics.refrigerant import curve

AIR = e.Introduced(
    instrument="air",
    profile="p",
    profile_sha256="0",
    stale_after_s=30.0,
    channels=(
        channel("t1", "temperature", "degF", absolute=0.5, resolution=0.1),
        channel("h1", "relative_humidity", "%RH", absolute=2.0, resolution=0.1),
        channel("t2", "temperature", "degF", absolute=0.5, resolution=0.1),
        channel("h2", "relative_humidity", "%RH", absolute=2.0, resolution=0.1),
    ),
)
RATED = e.SystemRecord(
    id="main", refrigerant="R-410A", nameplate=Nameplate(compressor_rla_a=14.1, heat_strip_w=(5000.0, 10_000.0))
)


def _air(bench: Bench) -> Bench:
    bench.push(AIR)
    for name, point in (
        ("t1", "return_air_temperature"), ("h1", "return_air_humidity"),
        ("t2", "supply_air_temperature"), ("h2", "supply_air_humidity"),
    ):  # fmt: skip
        bench.place("air", name, point)
    return bench


def _enter(bench: Bench, point: str, value: float) -> list[e.OutputBody]:
    return bench.push(e.Entered(instrument="eye", system="main", point=point, value=value, text=f"{value}"))


def _live(bench: Bench) -> dict[str, float]:
    return {each.name: each.value for each in bench.engine.take_live() if each.derived and each.value is not None}


def test_live_values_are_those_of_calc() -> None:
    bench = _air(Bench().open())
    _enter(bench, "airflow", 0.55)
    bench.frame("air", 1.0, t1=75.0, h1=50.0, t2=55.0, h2=90.0)
    bench.push(e.Tick(), 2.0)  # capacities are worked out once a second
    live = _live(bench)
    readings = {"return_air": "75 degF", "return_humidity": "50 %RH"}
    both = readings | {"supply_air": "55 degF", "supply_humidity": "90 %RH"}
    for name, typed in (
        ("return_wet_bulb", readings), ("return_dew_point", readings), ("return_humidity_ratio", readings),
        ("return_enthalpy", readings), ("return_air_density", readings), ("sensible_heat_ratio", both),
        ("bypass_factor", both), ("total_capacity", both | {"airflow": "0.55 m3/s"}),
        ("condensate_rate", both | {"airflow": "0.55 m3/s"}),
    ):  # fmt: skip
        assert live[name] == pytest.approx(answer(name, typed).value, rel=1e-12), name
    # 75 degF 50 %: 62.6 degF wet bulb, 55.1 degF dew point (the usual psychrometric chart, from memory, 0.2 degF)
    assert live["return_wet_bulb"] * 1.8 + 32.0 == pytest.approx(62.6, abs=0.2)
    assert live["return_dew_point"] * 1.8 + 32.0 == pytest.approx(55.1, abs=0.2)


def test_a_value_without_its_rating_is_left_out_in_silence() -> None:
    bench = Bench().open()
    out = _enter(bench, "compressor_common_current", 11.0)
    assert "compressor_share_of_rla" not in _live(bench)
    assert not [each for each in out if isinstance(each, e.QualityChanged)]
    rated = Bench().open(systems=(RATED,))
    _enter(rated, "compressor_common_current", 11.0)
    assert _live(rated)["compressor_share_of_rla"] == pytest.approx(11.0 / 14.1)


def test_each_strip_is_held_against_its_own_rating() -> None:
    bench = Bench().open(systems=(RATED,))
    _enter(bench, "air_handler_voltage", 240.0)
    _enter(bench, "heat_strip_current.2", 41.0)
    live = _live(bench)
    assert live["heat_strip_share_of_expected.2"] == pytest.approx(41.0 * 240.0 / 10_000.0)
    assert live["heat_strips_expected_current"] == pytest.approx(62.5)


def test_the_standing_pressure_speaks_only_of_a_system_that_stands() -> None:
    bench = Bench().open().place_all()
    _enter(bench, "outdoor_air_temperature", 24.0)
    bench.running(20)
    assert "standing_over_outdoor" not in _live(bench)
    stopped = Bench().open().place_all()
    _enter(stopped, "outdoor_air_temperature", 24.0)
    stopped.standing(30)
    bubble = curve("R-410A").bubble(220.0 * 6894.757293168361 + 101_325.0)
    assert _live(stopped)["standing_over_outdoor"] == pytest.approx(bubble - 24.0, abs=0.1)


def _heating(bench: Bench) -> None:
    """Everything a heat pump's probes read in heating, twice a second, for a second: the ports have changed sides."""
    for _ in range(2):
        bench.t_s += 0.5
        bench.frame("gauges", low=372.0, high=360.0)
        bench.frame("pipes", t1=140.0, t2=92.0)
        bench.frame("power", power=2800.0, voltage=240.0)
        bench.frame("air", bench.t_s + 0.01, t1=70.0, h1=40.0, t2=95.0, h2=18.0)


def test_capacity_is_of_cooling_only() -> None:
    bench = _air(Bench().open().place_all())
    _enter(bench, "airflow", 0.55)
    bench.running(4)
    for _ in range(30):
        _heating(bench)
    assert bench.engine.run_of("main")[1] == "heat"
    bench.engine.take_live()
    _heating(bench)
    live = _live(bench)
    assert "total_capacity" not in live
    assert live["temperature_split"] < 0.0


def test_a_nameplate_survives_a_snapshot() -> None:
    bench = Bench().open(systems=(RATED,))
    again = Bench(type(bench.engine).restore(bench.engine.snapshot()))
    again.seq = bench.seq
    _enter(again, "compressor_common_current", 11.0)
    assert _live(again)["compressor_share_of_rla"] == pytest.approx(11.0 / 14.1)
    assert SYSTEM.nameplate == Nameplate()
