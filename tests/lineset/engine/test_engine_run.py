"""The run state in the engine: clamps, entered values, drop-outs and absences around starts and stops."""

from __future__ import annotations

import pytest
from engine_entries import NS, WALL_NS, Bench, settled, unsettled

from lineset.contract import entry as e

PSI_PA = 6894.757  # NIST SP 811, appendix B.8


def qualities(outputs: list[e.OutputBody]) -> list[tuple[str, str]]:
    return [(output.name, output.quality) for output in outputs if isinstance(output, e.QualityChanged)]


def runs(outputs: list[e.OutputBody]) -> list[str]:
    return [str(output.state) for output in outputs if isinstance(output, e.RunChanged)]


def entered(point: str, value: float, **more: object) -> e.Entered:
    return e.Entered(instrument="eye", system="main", point=point, value=value, text="typed", **more)  # type: ignore[arg-type]


def with_clamp(bench: Bench, seconds: int, amps: float, *, run: bool) -> list[e.OutputBody]:
    out: list[e.OutputBody] = []
    for n in range(seconds):
        out += bench.running(1) if run else bench.standing(1)
        out += bench.frame("clamp", current=amps + (0.01 * (n % 2) if amps else 0.0))
    return out


def test_a_clamp_that_falls_to_zero_with_the_compressor_helps_to_find_the_stop_and_is_not_blamed() -> None:
    bench = Bench().open()
    bench.place("power", "power", "power")
    bench.place("clamp", "current", "compressor_common_current")
    with_clamp(bench, 30, 11.0, run=True)
    assert bench.engine.run_of("main")[0] == "running"
    out = with_clamp(bench, 12, 0.0, run=False)
    assert runs(out) == ["stopped"]
    assert qualities(out) == []
    change = next(o for o in out if isinstance(o, e.RunChanged))
    assert change.evidence == {"power": "no", "current": "no"}


def test_a_released_clamp_is_blamed_and_does_not_stop_the_system() -> None:
    bench = Bench().open().place_all()
    bench.place("clamp", "current", "compressor_common_current")
    with_clamp(bench, 30, 11.0, run=True)
    out = with_clamp(bench, 30, 0.0, run=True)
    assert runs(out) == []
    assert qualities(out) == [("compressor_common_current", "not_in_contact")]
    assert bench.engine.run_of("main")[0] == "running"


def test_a_short_drop_out_of_all_probes_does_not_begin_the_run_anew() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    bench.running(300)
    state, _, before = bench.engine.run_of("main")
    assert state == "running"
    epoch = bench.engine.state.systems["main"].run.epoch
    lost = []
    for _ in range(45):
        lost += bench.push(e.Tick(), bench.t_s + 1.0)
    assert runs(lost) == ["unknown"]
    back = bench.running(10)
    assert runs(back) == ["running"]
    assert bench.engine.run_of("main")[2] == pytest.approx(before + 55, abs=3)
    assert bench.engine.state.systems["main"].run.epoch == epoch


def test_after_a_long_absence_nothing_is_known_of_the_run() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    bench.running(200)
    epoch = bench.engine.state.systems["main"].run.epoch
    gap = 1800 * NS
    out = bench.push(e.Resumed(gap_ns=gap, wall_ns=WALL_NS, how="wall_time"), bench.t_s + 1800)
    assert runs(out) == ["unknown"]
    assert bench.engine.state.systems["main"].run.epoch > epoch
    assert runs(bench.running(10)) == ["running"]
    assert bench.engine.run_of("main")[2] < 15


def test_after_a_short_absence_the_run_goes_on() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    bench.running(200)
    _, _, before = bench.engine.run_of("main")
    out = bench.push(e.Resumed(gap_ns=10 * NS, wall_ns=WALL_NS, how="wall_time"), bench.t_s + 10)
    assert "unknown" not in runs(out)
    assert unsettled(out)  # what had settled is proved again
    bench.running(10)
    assert bench.engine.run_of("main")[2] == pytest.approx(before + 20, abs=1)


def test_a_fan_that_starts_at_rest_takes_nothing_back() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    epoch = bench.engine.state.systems["main"].run.epoch
    assert bench.engine.state.systems["main"].points["line_voltage"].settled
    bench.push(entered("blower_current", 2.0))
    out = bench.standing(5)
    changes = [(o.state, o.mode) for o in out if isinstance(o, e.RunChanged)]
    assert changes == [("stopped", "fan")]
    assert unsettled(out) == {}
    assert bench.engine.state.systems["main"].run.epoch == epoch


def test_what_was_read_by_eye_bears_witness_of_the_run_for_a_minute_only() -> None:
    bench = Bench().open()
    bench.place("power", "power", "power")
    bench.push(entered("vapor_service_pressure", 0.8e6), 0.0)
    bench.push(entered("liquid_service_pressure", 2.5e6), 0.0)
    out = bench.running(40)
    assert runs(out) == ["running"]
    # stopped, with the pressures last read while it ran: two minutes later they have nothing to say
    out = bench.standing(150)
    assert "stopped" not in runs(out)
    assert bench.engine.run_of("main")[0] == "unknown"
    assert "pressure" not in next(o for o in reversed(out) if isinstance(o, e.RunChanged)).evidence


def test_a_pressure_read_by_eye_in_one_run_is_not_joined_with_a_pipe_of_the_next() -> None:
    bench = Bench().open()
    for instrument, name, point in (
        ("power", "power", "power"),
        ("gauges", "high", "liquid_service_pressure"),
        ("gauges", "low", "common_suction_pressure"),
        ("pipes", "t1", "vapor_line_temperature"),
    ):
        bench.place(instrument, name, point)
    bench.standing(20)
    bench.running(200)
    assert "total_superheat" in settled(bench.push(entered("vapor_service_pressure", 120 * PSI_PA, resolution=PSI_PA)))
    bench.standing(60)
    again = bench.running(220)
    assert "vapor_line_temperature" in settled(again)
    assert "total_superheat" not in settled(again)


def test_the_first_samples_of_a_jump_are_not_put_beside_an_entered_value() -> None:
    bench = Bench().open()
    bench.place("pipes", "t1", "vapor_line_temperature")
    bench.push(entered("vapor_service_pressure", 120 * PSI_PA, resolution=PSI_PA), 0.0)
    out = bench.steady("pipes", 90, t1=52.0)
    first = settled(out)["total_superheat"]
    # 52 degF less the dew of R-410A at 120 psig, 41.2 degF (R-410A chart: JCI410, 0.3 K)
    assert first.value * 1.8 == pytest.approx(52.0 - 41.2, abs=0.6)
    assert first.inputs["vapor_line_temperature"] == pytest.approx((52.0 - 32.0) / 1.8, abs=0.02)
    jumped: list[e.OutputBody] = []
    for _ in range(6):
        jumped += bench.frame("pipes", bench.t_s + 0.5, t1=58.0)
    assert "vapor_line_temperature" in unsettled(jumped)
    assert settled(jumped) == {}


def test_volts_read_after_the_amps_of_a_second_strip_make_its_apparent_power() -> None:
    bench = Bench().open()
    bench.place("power", "power", "power")
    bench.standing(10)
    bench.place("clamp", "current", "heat_strip_current.2")
    bench.steady("clamp", 10, current=19.8)
    bench.place("clamp", "voltage", "line_voltage")
    out = bench.steady("clamp", 10, voltage=240.0)
    # P = I x U of a resistance (definition)
    assert settled(out)["heat_strip_apparent_power_estimate.2"].value == pytest.approx(19.8 * 240.0, rel=2e-3)
