"""Where channels sit: introduced again after a restart, changed, put right, moved while something is amiss."""

from __future__ import annotations

import msgspec
import pytest
from engine_entries import CLAMP, GAUGES, NS, Bench, channel, settled, unsettled

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.measure.quality import Quality

PSI_PA = 6894.757  # NIST SP 811, appendix B.8


def qualities(outputs: list[e.OutputBody]) -> list[tuple[str, str]]:
    return [(output.name, output.quality) for output in outputs if isinstance(output, e.QualityChanged)]


def test_an_instrument_introduced_again_after_a_restart_goes_on_where_it_sits() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    assert settled(bench.steady("gauges", 70, low=120.0))
    bench.engine = Engine.restore(bench.engine.snapshot())
    assert bench.push(GAUGES) == []
    place = bench.engine.state.systems["main"].points["vapor_service_pressure"]
    assert (place.instrument, place.channel, place.settled) == ("gauges", "low", True)
    before = place.value
    bench.steady("gauges", 2, low=121.0)
    assert place.value != before
    bench.push(e.Tick(), bench.t_s + 10.0)
    assert place.quality is Quality.STALE  # and it goes silent as it would have


def test_a_channel_with_another_calibration_begins_anew_at_its_point() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.place("gauges", "high", "liquid_service_pressure")
    bench.steady("gauges", 70, low=120.0, high=300.0)
    low, high = GAUGES.channels
    better = msgspec.structs.replace(low, calibration=e.Calibration(offset=-PSI_PA))
    bench.push(msgspec.structs.replace(GAUGES, channels=(better, high)))
    points = bench.engine.state.systems["main"].points
    assert points["liquid_service_pressure"].settled
    assert not points["vapor_service_pressure"].settled
    bench.frame("gauges", bench.t_s + 0.5, low=120.0)
    assert points["vapor_service_pressure"].value == pytest.approx(119.0 * PSI_PA)


def test_a_channel_that_is_gone_leaves_its_point_to_another() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.frame("gauges", 1.0, low=120.0)
    bench.push(msgspec.structs.replace(GAUGES, channels=GAUGES.channels[1:]))
    place = bench.engine.state.systems["main"].points["vapor_service_pressure"]
    assert (place.channel, place.value) == ("", None)
    bench.place("gauges", "high", "vapor_service_pressure")
    assert place.channel == "high"


def test_a_channel_that_measures_something_else_now_leaves_its_point() -> None:
    bench = Bench().open()
    bench.place("clamp", "current", "outdoor_fan_current")
    as_volts = channel("current", "voltage", "V")
    bench.push(msgspec.structs.replace(CLAMP, channels=(as_volts,)))
    assert bench.engine.state.systems["main"].points["outdoor_fan_current"].channel == ""
    assert bench.frame("clamp", 1.0, current=230.0) == []


def test_a_placement_put_right_takes_back_what_was_measured_elsewhere() -> None:
    bench = Bench().open().place_all()
    bench.running(20)
    bench.place("clamp", "current", "herm_lead_current")
    wrong = bench.seq
    bench.steady("clamp", 10, current=1.4)
    right = e.Placed(
        instrument="clamp", channel="current", system="main", point="fan_capacitor_lead_current", supersedes=wrong
    )
    out = bench.push(right)
    assert "put right" in unsettled(out)["herm_lead_current"].reason
    assert bench.engine.state.systems["main"].points["herm_lead_current"].held is None
    bench.steady("clamp", 10, current=1.4)
    bench.place("clamp", "voltage", "capacitor_herm_voltage")
    assert "herm_capacitance_under_load" not in settled(bench.steady("clamp", 10, voltage=350.0))


def test_a_clamp_that_moves_on_takes_nothing_back() -> None:
    bench = Bench().open().place_all()
    bench.running(20)
    bench.place("clamp", "current", "herm_lead_current")
    bench.steady("clamp", 10, current=5.5)
    assert bench.place("clamp", "current", "outdoor_fan_current") == []
    place = bench.engine.state.systems["main"].points["herm_lead_current"]
    assert place.held == pytest.approx(5.5, abs=0.02)
    assert place.value is None


def test_what_is_wrong_with_a_channel_is_told_of_its_new_point_too() -> None:
    bench = Bench().open()
    assert bench.frame("gauges", 1.0, low=None) == []  # it sits nowhere yet
    bench.place("gauges", "low", "vapor_service_pressure")
    assert qualities(bench.frame("gauges", 1.5, low=None)) == [("vapor_service_pressure", "invalid")]
    bench.place("gauges", "low", "common_suction_pressure")
    assert qualities(bench.frame("gauges", 2.0, low=None)) == [("common_suction_pressure", "invalid")]


def test_a_silent_channel_is_stale_at_its_new_point_too() -> None:
    bench = Bench().open()
    bench.frame("gauges", 1.0, low=120.0)
    bench.push(e.Tick(), 10.0)
    bench.place("gauges", "low", "vapor_service_pressure")
    assert qualities(bench.push(e.Tick(), 11.0)) == [("vapor_service_pressure", "stale")]


def test_a_probe_taken_away_ends_what_was_derived_from_it() -> None:
    bench = Bench().open().place_all()
    assert "total_superheat" in settled(bench.running(150))
    out = bench.place("pipes", "t1", "")
    assert "moved" in unsettled(out)["total_superheat"].reason
    assert "total_superheat" not in unsettled(bench.running(30))
    assert bench.engine.state.t == round(bench.t_s * NS)


INRUSH = e.Introduced(
    instrument="starter",
    profile="p",
    profile_sha256="0",
    stale_after_s=60.0,
    channels=(
        channel("volts", "voltage", "V", absolute=1.0, resolution=0.1),
        channel("lowest", "voltage", "V", absolute=1.0, resolution=0.1, captures="inrush"),
    ),
)


def test_the_points_of_a_start_take_only_what_caught_the_start() -> None:
    bench = Bench().open()
    bench.push(INRUSH)
    refuse = bench.engine.refuse_placement
    assert 'captures = "inrush"' in refuse("starter", "volts", "main", "compressor_inrush_voltage")
    assert "which is no reading of line_voltage" in refuse("starter", "lowest", "main", "line_voltage")
    assert refuse("starter", "lowest", "main", "compressor_inrush_voltage") == ""
    assert refuse("starter", "volts", "main", "line_voltage") == ""
    # an old record that holds such a placement is passed over: no value comes of it
    bench.place("starter", "volts", "compressor_inrush_voltage")
    assert "compressor_inrush_voltage" not in bench.engine.state.systems["main"].points


def test_the_drop_at_a_start_is_worked_out_from_an_inrush_channel() -> None:
    bench = Bench().open()
    bench.push(INRUSH)
    bench.place("starter", "volts", "line_voltage")
    bench.place("starter", "lowest", "compressor_inrush_voltage")
    out = bench.steady("starter", 12, volts=241.0, lowest=222.5)
    # definition: steady volts less the lowest at start
    assert settled(out)["start_voltage_drop"].value == pytest.approx(241.0 - 222.5, abs=0.1)
    bench = Bench().open()
    bench.push(INRUSH)
    bench.place("starter", "volts", "line_voltage")
    assert "start_voltage_drop" not in settled(bench.steady("starter", 12, volts=241.0))


def test_strip_power_from_the_air_handlers_own_volts_and_an_estimate_from_the_outdoor_units() -> None:
    bench = Bench().open()
    bench.place("clamp", "current", "heat_strip_current.2")
    bench.steady("clamp", 10, current=19.8)
    bench.place("clamp", "voltage", "air_handler_voltage")
    out = bench.steady("clamp", 10, voltage=236.0)
    assert settled(out)["heat_strip_apparent_power.2"].value == pytest.approx(19.8 * 236.0, rel=2e-3)
    assert "heat_strip_apparent_power_estimate.2" not in settled(out)
