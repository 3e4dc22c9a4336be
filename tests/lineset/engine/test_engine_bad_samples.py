"""Samples that are no readings: not a number, impossible, in another unit; and displays that stand still."""

from __future__ import annotations

import math

import pytest
from engine_entries import GAUGES, PIPES, POWER, Bench, channel, settled

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset_drivers.frame import Sample


def qualities(outputs: list[e.OutputBody]) -> list[tuple[str, str]]:
    return [(output.name, output.quality) for output in outputs if isinstance(output, e.QualityChanged)]


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_invalid_and_replays_alike(number: float) -> None:
    bench = Bench().open()
    bench.place("pipes", "t1", "vapor_line_temperature")
    bench.steady("pipes", 70, t1=52.0)
    assert qualities(bench.frame("pipes", bench.t_s + 0.5, t1=number)) == [("vapor_line_temperature", "invalid")]
    assert "vapor_line_temperature" in settled(bench.steady("pipes", 90, t1=52.0))
    assert list(replay(Engine("test"), bench.rows)) == []


@pytest.mark.parametrize(
    ("instrument", "name", "point", "value"),
    [
        ("pipes", "t1", "vapor_line_temperature", -500.0),  # degF: absolute zero is -459.67 degF (definition)
        ("pipes", "t1", "vapor_line_temperature", 1e30),
        ("power", "power", "power", 1e12),
        ("clamp", "current", "outdoor_fan_current", 1e200),
    ],
)
def test_an_impossible_number_is_over_range_though_the_profile_states_no_range(
    instrument: str, name: str, point: str, value: float
) -> None:
    bench = Bench().open()
    bench.place(instrument, name, point)
    assert qualities(bench.frame(instrument, 1.0, **{name: value})) == [(point, "over_range")]
    place = bench.engine.state.systems["main"].points[point]
    assert place.detector is not None
    assert not place.settled


def test_the_ends_of_a_range_lie_inside_it() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    place = bench.engine.state.systems["main"].points["vapor_service_pressure"]
    for n, value in enumerate((500.0, -14.7)):
        bench.frame("gauges", 1.0 + 4 * n, low=value)
        assert place.quality == "good"
    bench.frame("gauges", 9.0, low=500.1)
    assert place.quality == "over_range"


def test_a_sample_in_another_unit_than_the_profile_says_is_never_read_as_if_it_were_in_that() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.frame("gauges", 1.0, low=120.0)
    switched = e.Framed(instrument="gauges", raw=b"", samples=(Sample("low", 8.27, "bar"),))
    out = bench.push(switched, 1.5)
    assert qualities(out) == [("vapor_service_pressure", "invalid")]
    assert "unit" in next(o.reason for o in out if isinstance(o, e.QualityChanged))
    back = e.Framed(instrument="gauges", raw=b"", samples=(Sample("low", 120.0, "psig"),))
    assert qualities(bench.push(back, 2.0)) == [("vapor_service_pressure", "good")]


def test_exactly_zero_at_rest_is_not_a_frozen_display() -> None:
    static = e.Introduced(
        instrument="static", profile="p", profile_sha256="0",
        channels=(channel("drop", "pressure_difference", "inWC", resolution=0.001),),
    )  # fmt: skip
    bench = Bench().open(GAUGES, PIPES, POWER, static)
    bench.place("power", "power", "power")
    bench.place("static", "drop", "filter_drop")
    bench.place("gauges", "low", "vapor_service_pressure")  # hose open to the air
    out: list[e.OutputBody] = []
    for _ in range(800):
        out += bench.frame("power", bench.t_s + 0.5, power=0.0) + bench.frame("static", drop=0.0)
        out += bench.frame("gauges", low=0.0)
    assert qualities(out) == []


def test_a_temperature_that_does_not_move_in_its_last_digit_for_minutes_is_frozen() -> None:
    bench = Bench().open()
    bench.place("pipes", "t1", "vapor_line_temperature")
    out: list[e.OutputBody] = []
    for _ in range(700):
        out += bench.frame("pipes", bench.t_s + 0.5, t1=52.3)
    assert qualities(out) == [("vapor_line_temperature", "frozen")]
    assert qualities(bench.frame("pipes", bench.t_s + 0.5, t1=52.4)) == [("vapor_line_temperature", "good")]


def test_a_held_display_is_frozen_at_once() -> None:
    bench = Bench().open()
    bench.place("clamp", "current", "blower_current")
    held = e.Framed(instrument="clamp", raw=b"", samples=(Sample("current", 3.2, "A", "held"),))
    assert qualities(bench.push(held, 1.0)) == [("blower_current", "frozen")]


def test_an_entry_that_an_old_record_may_hold_costs_nothing() -> None:
    bench = Bench().open()
    assert bench.push(e.Entered(instrument="eye", system="main", point="nowhere", value=1.0, text="1")) == []
