"""Uncertainty through the engine: budgets on record, shared sources joined, lag, overdue calibration."""

from __future__ import annotations

import math

import msgspec
import pytest
from engine_entries import CLAMP, GAUGES, PIPES, WALL_NS, Bench, channel, settled

from lineset.contract import entry as e
from lineset.engine.assessing import evidence_of
from lineset.engine.fold import Engine, LiveValue
from lineset.measure.installation import installed
from lineset.measure.source import combined
from lineset_drivers.frame import Sample

SQRT3 = math.sqrt(3.0)


def probes(**more: object) -> e.Introduced:
    """Two temperature channels of one meter."""
    return e.Introduced(
        instrument="pair",
        profile="p",
        profile_sha256="0",
        stale_after_s=5.0,
        channels=tuple(
            channel(name, "temperature", "degC", absolute=0.5, resolution=0.01, **more) for name in ("t1", "t2")
        ),
    )


def split_of(bench: Bench) -> e.Settled:
    bench.place("pair", "t1", "return_air_temperature")
    bench.place("pair", "t2", "supply_air_temperature")
    found: dict[str, e.Settled] = {}
    for n in range(700):
        wobble = (0.0, 0.01, 0.0, -0.01)[n % 4]
        found |= settled(bench.frame("pair", bench.t_s + 0.5, t1=24.0 + wobble, t2=13.0 - wobble))
    return found["temperature_split"]


def last_low(engine: Engine) -> LiveValue:
    return [value for value in engine.take_live() if value.name == "vapor_service_pressure"][-1]


def of_kind(event: e.Settled, kind: str) -> dict[str, float]:
    return {name: part for name, part in event.budget.items() if name.startswith(kind + " ")}


def test_a_settled_reading_says_what_its_uncertainty_is_made_of() -> None:
    bench = Bench().open()
    bench.place("gauges", "low", "vapor_service_pressure")
    event = settled(bench.steady("gauges", 400, low=120.0))["vapor_service_pressure"]
    assert event.budget["accuracy gauges/low"] == pytest.approx(6894.757 / SQRT3, rel=1e-4)
    assert event.budget["resolution vapor_service_pressure"] == pytest.approx(689.4757 / math.sqrt(12), rel=1e-4)
    assert event.budget["installation vapor_service_pressure/hose"] == pytest.approx(1e3 / SQRT3, rel=1e-4)
    assert event.budget["repeatability vapor_service_pressure"] > 0.0
    assert combined(event.budget) == pytest.approx(event.u, rel=1e-6)
    # one source known by its limits dominates, so that 95 % lie within 1.645 standard uncertainties or little more
    assert 1.64 < (event.high - event.low) / 2.0 / event.u < 1.75


def test_a_settled_derived_value_has_the_budget_of_all_its_inputs() -> None:
    bench = Bench().open().place_all()
    event = settled(bench.running(400))["total_superheat"]
    assert combined(event.budget) == pytest.approx(event.u, rel=1e-6)
    kinds = {name.partition(" ")[0] for name in event.budget}
    assert {"accuracy", "resolution", "installation", "repeatability", "barometer"} <= kinds
    assert {"accuracy gauges/low", "accuracy pipes/t1", "barometer main"} <= set(event.budget)


def test_two_channels_of_one_meter_cancel_in_a_split_as_far_as_the_profile_says() -> None:
    apart = split_of(Bench().open(probes()))
    half = split_of(Bench().open(probes(shared=0.5)))
    together = split_of(Bench().open(probes(shared=1.0)))
    own = 0.5 / SQRT3
    assert combined(of_kind(apart, "accuracy")) == pytest.approx(own * math.sqrt(2.0), rel=1e-6)
    assert combined(of_kind(half, "accuracy")) == pytest.approx(own, rel=1e-6)
    assert combined(of_kind(together, "accuracy")) == pytest.approx(0.0, abs=1e-9)
    assert together.u < half.u < apart.u


def test_probes_corrected_against_one_reference_are_off_together() -> None:
    calibration = e.Calibration(reference="bath 7", reference_u=0.3)
    event = split_of(Bench().open(probes(calibration=calibration)))
    assert not of_kind(event, "reference")
    other = e.Calibration(reference_u=0.3)  # each against its own
    event = split_of(Bench().open(probes(calibration=other)))
    assert combined(of_kind(event, "reference")) == pytest.approx(0.3 * math.sqrt(2.0), rel=1e-6)


def test_the_live_value_and_the_settled_one_join_the_same() -> None:
    bench = Bench().open(probes(shared=1.0))
    event = split_of(bench)
    live = [value for value in bench.engine.take_live() if value.name == "temperature_split"][-1]
    parts = {name: part for name, part in event.budget.items() if not name.startswith("repeatability")}
    assert live.u == pytest.approx(combined(parts), rel=1e-3)


def test_a_pipe_clamp_is_judged_by_the_outdoor_air_where_it_is_measured() -> None:
    bench = Bench().open(PIPES)
    bench.place("pipes", "t1", "vapor_line_temperature")
    bench.frame("pipes", 1.0, t1=50.0)
    (before,) = bench.engine.take_live()
    bench.place("pipes", "t2", "outdoor_air_temperature")
    bench.frame("pipes", 2.0, t2=50.0)
    bench.frame("pipes", 3.0, t1=50.0)
    after = bench.engine.take_live()[-1]
    pipe, accuracy, digit = installed("vapor_line_temperature"), (1.0 / 1.8) / SQRT3, (0.1 / 1.8) / math.sqrt(12)
    assert before.u == pytest.approx(math.hypot(accuracy, digit, pipe.u(10.0, None)), rel=1e-9)
    assert after.u == pytest.approx(math.hypot(accuracy, digit, pipe.u(10.0, 10.0)), rel=1e-9)
    assert after.u < before.u


def test_what_the_station_edited_is_on_record_and_holds() -> None:
    bench = Bench()
    opened = e.Opened(
        station="s", visit="v", wall_ns=WALL_NS, version="0", fingerprint="test",
        systems=(e.SystemRecord(id="main", refrigerant="R-410A"),),
        installation={"vapor_service_pressure": (e.InstallationTerm(name="hose", half_width=30e3, reason="x"),)},
    )  # fmt: skip
    bench.push(opened)
    bench.push(GAUGES)
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.frame("gauges", 1.0, low=120.0)
    live = last_low(bench.engine)
    assert live.u == pytest.approx(math.hypot(6894.757, 30e3, 689.4757 / 2) / SQRT3, rel=1e-6)
    assert e.decode(e.encode(opened)) == opened


def test_a_slow_probe_is_told_to_be_behind_until_it_has_settled() -> None:
    slow = msgspec.structs.replace(
        PIPES, channels=tuple(msgspec.structs.replace(each, response_s=20.0) for each in PIPES.channels)
    )
    bench = Bench().open(slow)
    bench.place("pipes", "t1", "vapor_line_temperature")
    for n in range(240):  # a ramp of 0.1 degF a second: 20 s behind it is 2 degF
        bench.frame("pipes", 0.5 * n, t1=40.0 + 0.05 * n)
    ramp = bench.engine.take_live()[-1]
    for n in range(1600):
        wobble = (0.0, 0.1, 0.0, -0.1)[n % 4]
        bench.frame("pipes", 120.0 + 0.5 * n, t1=52.0 + wobble)
    steady = bench.engine.take_live()[-1]
    assert steady.settled
    assert not ramp.settled
    assert math.sqrt(ramp.u**2 - steady.u**2) == pytest.approx(2.0 / 1.8, rel=0.25)


def test_a_calibration_past_its_due_date_widens_readings_as_days_go_by() -> None:
    # the wall clock of these entries says 2026-09-21
    def first_u(due: str) -> float:
        calibration = e.Calibration(due=due, date="2025-03-21")
        gauges = msgspec.structs.replace(
            GAUGES, channels=(msgspec.structs.replace(GAUGES.channels[0], calibration=calibration),)
        )
        bench = Bench().open(gauges)
        bench.place("gauges", "low", "vapor_service_pressure")
        bench.frame("gauges", 1.0, low=120.0)
        return last_low(bench.engine).u

    good, late = first_u("2026-09-21"), first_u("2026-03-21")
    limit = 6894.757 / SQRT3
    # 184 days after an interval of 365
    assert late**2 - good**2 == pytest.approx((limit * (1 + 184 / 365)) ** 2 - limit**2, rel=1e-6)


def test_at_midnight_a_calibration_becomes_overdue_in_a_restored_engine_too() -> None:
    calibration = e.Calibration(due="2026-09-21")
    gauges = msgspec.structs.replace(
        GAUGES, channels=(msgspec.structs.replace(GAUGES.channels[0], calibration=calibration),)
    )
    bench = Bench().open(gauges)
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.frame("gauges", 1.0, low=120.0)
    restored = Engine.restore(bench.engine.snapshot())
    night = e.Framed(instrument="gauges", raw=b"", samples=(Sample("low", 120.0, ""),))
    t = 86_400 * 10**9
    assert [e.encode(out) for out in bench.engine.push(99, t, night)] == [
        e.encode(o) for o in restored.push(99, t, night)
    ]
    one, other = last_low(bench.engine), last_low(restored)
    assert one == other
    assert one.quality == "out_of_calibration"


def test_one_clamp_on_two_wires_is_one_error_in_a_paired_value() -> None:
    # apparent power from a clamp and its own volts: two channels, so two errors; the budget names each once
    bench = Bench().open(GAUGES, CLAMP)
    bench.place("clamp", "current", "compressor_common_current")
    bench.steady("clamp", 60, current=12.0)
    bench.place("clamp", "voltage", "line_voltage")
    found = settled(bench.steady("clamp", 60, current=12.0, voltage=240.0))
    event = found["compressor_apparent_power"]
    assert event.budget["accuracy clamp/current"] == pytest.approx(240.0 * (0.02 * 12.0 + 0.05) / SQRT3, rel=0.01)
    assert event.budget["accuracy clamp/voltage"] == pytest.approx(12.0 * (0.01 * 240.0 + 0.5) / SQRT3, rel=0.01)
    assert combined(event.budget) == pytest.approx(event.u, rel=1e-6)


def test_an_entered_value_carries_what_was_stated_and_how_the_meter_sits() -> None:
    bench = Bench().open()
    (event,) = bench.push(
        e.Entered(instrument="by-eye", system="main", point="herm_lead_current", value=5.5, half_width=0.196, text="x",
                  resolution=0.01)
    )  # fmt: skip
    assert isinstance(event, e.Settled)
    assert event.budget == {
        "stated herm_lead_current": pytest.approx(0.1, rel=1e-3),
        "resolution herm_lead_current": pytest.approx(0.01 / math.sqrt(12)),
        "installation herm_lead_current/jaw": pytest.approx((0.02 + 0.055) / SQRT3),
    }


def test_three_phase_volts_of_one_meter_share_its_error() -> None:
    meter = e.Introduced(
        instrument="meter", profile="p", profile_sha256="0", stale_after_s=5.0,
        channels=(channel("voltage", "voltage", "V", reading_pct=1.0, resolution=0.1),),
    )  # fmt: skip
    bench = Bench().open(meter)
    found: dict[str, e.Settled] = {}
    for phase, volts in (("ab", 208.0), ("bc", 210.0), ("ca", 205.0)):
        bench.place("meter", "voltage", f"line_voltage_{phase}")
        for n in range(120):
            found |= settled(bench.frame("meter", bench.t_s + 0.5, voltage=volts + (0.0, 0.1, 0.0, -0.1)[n % 4]))
    event = found["voltage_unbalance"]
    # a gain that is off by 1 % changes no ratio of volts: what remains is the last digit and the scatter
    assert combined(of_kind(event, "accuracy")) < 0.05 * event.u


def test_the_interval_that_judges_is_the_one_that_was_told_when_it_settled() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    told = settled(bench.running(400))
    known = evidence_of(bench.engine.state, bench.engine.state.systems["main"]).values
    for name in ("power", "vapor_service_pressure", "total_superheat"):
        half = (told[name].high - told[name].low) / 2.0
        assert known[name].coverage * told[name].u == pytest.approx(half, rel=1e-6), name
    assert known["power"].coverage < 1.95  # one maker's limit dominates: rectangular, not normal
