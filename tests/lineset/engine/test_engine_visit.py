"""What the engine makes of a visit: placements, phases, entered and paired values, quality, ticks."""

from __future__ import annotations

import math

import pytest
from engine_entries import NS, WALL_NS, Bench, channel, settled, unsettled

from lineset.contract import entry as e
from lineset.measure.quality import Quality
from lineset_drivers.frame import Sample

PSI_PA = 6894.757  # NIST SP 811, appendix B.8


def qualities(outputs: list[e.OutputBody]) -> list[tuple[str, str]]:
    return [(output.name, output.quality) for output in outputs if isinstance(output, e.QualityChanged)]


def test_a_steady_reading_settles_with_its_mean_in_si_and_its_uncertainty() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    event = settled(bench.steady("gauges", 70, low=120.0))["vapor_service_pressure"]
    assert event.value == pytest.approx(120.0 * PSI_PA, rel=1e-4)
    # 1 psi as limits of a rectangular distribution: 1/sqrt(3) (JCGM 100:2008, 4.3.7); the rest is small beside it
    assert event.u == pytest.approx(PSI_PA / math.sqrt(3), rel=0.02)
    assert event.unit == "Pa"
    assert event.low < event.value < event.high
    assert event.phase == "before"


def test_superheat_and_subcooling_settle_while_running_and_not_before() -> None:
    bench = Bench().open().place_all()
    early = settled(bench.running(100))
    assert "total_superheat" in early  # nobody saw a start: the run is simply found
    bench = Bench().open().place_all()
    bench.standing(30)
    starting = settled(bench.running(100))
    assert "total_superheat" not in starting
    running = settled(bench.running(120))
    # dew of R-410A at 120 psig is 41.2 degF, bubble at 360 psig 108.6 degF (R-410A chart: JCI410, 0.3 K)
    assert running["total_superheat"].value * 1.8 == pytest.approx(52.0 - 41.2, abs=0.6)
    assert running["subcooling"].value * 1.8 == pytest.approx(108.6 - 98.0, abs=0.6)


def test_capacitance_is_paired_from_the_capacitors_own_lead_and_terminals_in_one_run() -> None:
    bench = Bench().open().place_all()
    bench.standing(10)
    bench.running(20)
    bench.place("clamp", "current", "herm_lead_current")
    out = bench.steady("clamp", 10, current=5.50)
    assert "herm_capacitance_under_load" not in settled(out)
    bench.place("clamp", "voltage", "capacitor_herm_voltage")
    out = bench.steady("clamp", 10, voltage=350.0)
    event = settled(out)["herm_capacitance_under_load"]
    # 2652.58 I/V microfarads at 60 Hz: 1e6/(2 pi 60)
    assert event.value * 1e6 == pytest.approx(2652.58 * 5.50 / 350.0, rel=2e-3)
    assert set(event.inputs) == {"herm_lead_current", "capacitor_herm_voltage"}


def test_capacitance_is_never_made_from_the_common_conductor_or_line_volts() -> None:
    bench = Bench().open().place_all()
    bench.running(20)
    bench.place("clamp", "current", "compressor_common_current")
    out = bench.steady("clamp", 10, current=11.0)
    bench.place("clamp", "voltage", "capacitor_herm_voltage")
    out += bench.steady("clamp", 10, voltage=350.0) + bench.running(60)
    assert not [name for name in settled(out) if "capacitance" in name]


def test_readings_of_two_runs_or_two_phases_are_not_paired() -> None:
    bench = Bench().open().place_all()
    bench.standing(10)
    bench.running(20)
    bench.place("clamp", "current", "herm_lead_current")
    bench.steady("clamp", 10, current=5.50)
    bench.place("clamp", "current", "")
    bench.standing(20)
    bench.running(20)
    bench.place("clamp", "voltage", "capacitor_herm_voltage")
    assert "herm_capacitance_under_load" not in settled(bench.steady("clamp", 10, voltage=350.0))
    bench = Bench().open().place_all()
    bench.running(20)
    bench.place("clamp", "current", "herm_lead_current")
    bench.steady("clamp", 10, current=5.50)
    bench.push(e.Phased(phase="after"))
    bench.place("clamp", "current", "")
    bench.place("clamp", "voltage", "capacitor_herm_voltage")
    assert "herm_capacitance_under_load" not in settled(bench.steady("clamp", 10, voltage=350.0))


def test_each_phase_proves_its_own() -> None:
    bench = Bench().open().place_all()
    assert "line_voltage" in settled(bench.running(20))
    begun = bench.push(e.Phased(phase="after"))
    assert [type(each) for each in begun] == [e.Cued]  # what had settled before stays on record as it was
    out = bench.running(20)
    assert settled(out)["line_voltage"].phase == "after"


def test_a_stop_takes_back_what_had_settled() -> None:
    bench = Bench().open().place_all()
    bench.running(150)
    out = bench.standing(20)
    run = [output for output in out if isinstance(output, e.RunChanged)]
    assert [change.state for change in run] == ["stopped"]
    assert "total_superheat" in unsettled(out)


def test_one_channel_a_point_and_one_point_a_channel() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.place("gauges", "high", "vapor_service_pressure")
    channels = bench.engine.state.instruments["gauges"].channels
    assert (channels["low"].point, channels["high"].point) == ("", "vapor_service_pressure")
    bench.place("gauges", "high", "liquid_service_pressure")
    assert channels["high"].point == "liquid_service_pressure"
    assert bench.engine.state.systems["main"].points["vapor_service_pressure"].channel == ""


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (("nobody", "x", "main", "power"), "no instrument is called 'nobody'"),
        (("gauges", "x", "main", "power"), "gauges has no channel 'x'"),
        (("gauges", "low", "other", "vapor_service_pressure"), "no system is called 'other'"),
        (("gauges", "low", "main", "vapour_service_pressure"), "did you mean vapor_service_pressure"),
        (("gauges", "low", "main", "line_voltage"), "line_voltage takes voltage"),
    ],
)
def test_a_placement_that_cannot_be_is_refused_in_a_sentence(asked: tuple[str, str, str, str], says: str) -> None:
    bench = Bench().open()
    assert says in bench.engine.refuse_placement(*asked)
    before = bench.engine.snapshot()
    instrument, name, system, point = asked
    bench.push(e.Placed(instrument=instrument, channel=name, system=system, point=point))
    after = bench.engine.state
    assert all(not c.point for i in after.instruments.values() for c in i.channels.values())
    assert before != b""


def test_a_jump_unsettles_within_three_samples() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.steady("gauges", 70, low=120.0)
    out: list[e.OutputBody] = []
    for _ in range(3):
        out += bench.frame("gauges", bench.t_s + 0.5, low=150.0)
    assert "jumped" in unsettled(out)["vapor_service_pressure"].reason


def test_entered_values_settle_by_attestation_and_feed_superheat() -> None:
    bench = Bench().open()
    out = bench.push(
        e.Entered(
            instrument="eye", system="main", point="vapor_service_pressure", value=120 * PSI_PA, text="120 psig",
            half_width=2 * PSI_PA,
        ),
        5.0,
    )  # fmt: skip
    assert settled(out)["vapor_service_pressure"].origin == "entered"
    out = bench.push(
        e.Entered(
            instrument="eye", system="main", point="vapor_line_temperature", value=11.11, text="52 degF", resolution=0.5
        ),
        9.0,
    )
    superheat = settled(out)["total_superheat"]
    assert superheat.origin == "derived"
    assert superheat.value * 1.8 == pytest.approx(52.0 - 41.2, abs=0.6)


def test_a_clamp_that_reads_zero_while_the_system_runs_is_not_in_contact() -> None:
    bench = Bench().open().place_all()
    bench.running(20)
    bench.place("clamp", "current", "compressor_common_current")
    out: list[e.OutputBody] = []
    for _ in range(40):
        out += bench.frame("clamp", bench.t_s + 0.5, current=0.01) + bench.running(0.5)
    assert ("compressor_common_current", "not_in_contact") in qualities(out)
    assert "compressor_common_current" not in settled(out)
    assert bench.engine.run_of("main")[0] == "running"


def test_quality_over_range_invalid_stale_lost_and_back() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    assert qualities(bench.frame("gauges", 1.0, low=501.0)) == [("vapor_service_pressure", "over_range")]
    assert qualities(bench.frame("gauges", 2.0, low=120.0)) == [("vapor_service_pressure", "good")]
    body = e.Framed(instrument="gauges", raw=b"", samples=(Sample("low", None, "psig", "invalid"),))
    assert qualities(bench.push(body, 3.0)) == [("vapor_service_pressure", "invalid")]
    bench.frame("gauges", 4.0, low=120.0)
    assert qualities(bench.push(e.Tick(), 8.0)) == []
    both = ("vapor_service_pressure", "vapor_dew_temperature")
    assert qualities(bench.push(e.Tick(), 9.5)) == [(name, "stale") for name in both]
    assert qualities(bench.frame("gauges", 10.0, low=120.0)) == [(name, "good") for name in both]
    lost = bench.push(e.InstrumentChanged(instrument="gauges", state="lost", reason="the adapter was unplugged"))
    assert [output.reason for output in lost if isinstance(output, e.QualityChanged)] == ["the adapter was unplugged"]


def test_turning_a_meters_selector_takes_nothing_back() -> None:
    bench = Bench().open().place_all()
    bench.running(10)
    bench.place("clamp", "current", "outdoor_fan_current")
    assert "outdoor_fan_current" in settled(bench.steady("clamp", 10, current=0.83))
    bench.place("clamp", "voltage", "capacitor_fan_voltage")
    out = bench.steady("clamp", 12, voltage=330.0)
    assert ("outdoor_fan_current", "stale") in qualities(out)
    assert "outdoor_fan_current" not in unsettled(out)


def test_out_of_calibration_is_told_and_still_read() -> None:
    due = e.Calibration(due="2026-01-01", gain=1.0, offset=1000.0)
    gauges = e.Introduced(
        instrument="gauges", profile="p", profile_sha256="0",
        channels=(channel("low", "pressure_gauge", "Pa", resolution=10.0, calibration=due),),
    )  # fmt: skip
    bench = Bench().open(gauges)
    bench.place("gauges", "low", "vapor_service_pressure")
    out = bench.frame("gauges", 1.0, low=800_000.0)
    assert qualities(out) == [("vapor_service_pressure", "out_of_calibration")]
    place = bench.engine.state.systems["main"].points["vapor_service_pressure"]
    assert place.value == 801_000.0


def test_a_jump_that_no_pipe_can_make_is_held_back_once() -> None:
    bench = Bench().open()
    bench.place("pipes", "t1", "vapor_line_temperature")
    bench.frame("pipes", 1.0, t1=52.0)
    assert qualities(bench.frame("pipes", 1.5, t1=252.0)) == [("vapor_line_temperature", "implausible_rate")]
    assert qualities(bench.frame("pipes", 2.0, t1=52.0)) == [("vapor_line_temperature", "good")]
    # a probe that was moved agrees with itself at the second sample
    bench.frame("pipes", 2.5, t1=252.0)
    assert qualities(bench.frame("pipes", 3.0, t1=252.1)) == [("vapor_line_temperature", "good")]


def test_a_coarse_meter_is_told_once() -> None:
    coarse = e.Introduced(
        instrument="coarse", profile="p", profile_sha256="0",
        channels=(channel("t", "temperature", "degC", resolution=2.0),),
    )  # fmt: skip
    bench = Bench().open(coarse)
    bench.place("coarse", "t", "vapor_line_temperature")
    out: list[e.OutputBody] = []
    for n in range(400):
        out += bench.frame("coarse", bench.t_s + 0.5, t=10.0 + 2.0 * (n % 2))
    told = [output for output in out if isinstance(output, e.TooCoarse)]
    assert len(told) == 1
    assert "2 degC" in told[0].reason
    assert not settled(out)


def test_ticks_are_wanted_once_a_second_and_missed_ones_are_made_up_by_one() -> None:
    bench = Bench()
    assert bench.engine.next_deadline() is None
    bench.open()
    assert bench.engine.next_deadline() == NS
    bench.push(e.Tick(), 1.0)
    assert bench.engine.next_deadline() == 2 * NS
    bench.frame("gauges", 7200.5, low=120.0)  # two hours of sleep: one tick's work, not seven thousand
    assert bench.engine.next_deadline() == 7201 * NS
    bench.push(e.Closed())
    assert bench.engine.next_deadline() is None


def test_time_never_goes_back_and_foreign_entries_cost_nothing() -> None:
    bench = Bench().open().place_all()
    bench.frame("gauges", 5.0, low=120.0)
    bench.frame("gauges", 4.9, low=120.0)
    assert bench.engine.state.t == 5 * NS
    assert bench.frame("nobody", 5.1, x=1.0) == []
    assert bench.frame("gauges", 5.2, nothing=1.0) == []
    assert bench.push(e.Entered(instrument="eye", system="other", point="power", value=1.0, text="1 W")) == []


def test_live_values_come_once_each_with_si_and_quality() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.frame("gauges", 1.0, low=120.0)
    live = bench.engine.take_live()
    assert {(value.name, value.derived) for value in live} == {
        ("vapor_service_pressure", False),
        ("vapor_dew_temperature", True),
    }
    assert live[0].value == pytest.approx(120 * PSI_PA)
    assert live[0].quality == Quality.GOOD
    assert bench.engine.take_live() == []


def test_heat_strips_have_instances() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    bench.place("clamp", "current", "heat_strip_current.2")
    out = bench.steady("clamp", 10, current=19.8) + bench.standing(2)
    assert settled(out)["heat_strip_current.2"].value == pytest.approx(19.8, abs=0.02)
    assert settled(out)["heat_strip_apparent_power_estimate.2"].value == pytest.approx(19.8 * 240.0, rel=2e-3)


def test_wall_time_follows_the_entries() -> None:
    bench = Bench().open()
    bench.push(e.WallClock(wall_ns=WALL_NS + 100 * NS, step_ns=90 * NS), 10.0)
    assert bench.engine.state.wall_offset_ns == WALL_NS + 90 * NS
