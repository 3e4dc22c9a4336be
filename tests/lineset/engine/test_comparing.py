"""Comparisons at rest through the engine: corrections, refusals, drift at the end, and the same again from a replay."""

from __future__ import annotations

import pytest
from engine_entries import CLAMP, GAUGES, PIPES, POWER, Bench, kinds

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.equipment.nameplate import Nameplate

PSI = 6894.757  # Pa, NIST SP 811, appendix B.8


def rested() -> Bench:
    """A visit at rest with everything linked. All figures are invented."""
    bench = Bench()
    bench.push(
        e.Opened(station="s", visit="v", wall_ns=1, version="0", fingerprint="test", systems=(SYSTEM,), phase="at_rest")
    )
    for instrument in (GAUGES, PIPES, POWER, CLAMP):
        bench.push(instrument)
        bench.push(e.InstrumentChanged(instrument=instrument.instrument, state="linked", reason="answers"))
    return bench


SYSTEM = e.SystemRecord(
    id="main", refrigerant="R-410A", metering_device="txv", nameplate=Nameplate(subcooling_target_k=5.56)
)


def compared(outputs: list[e.OutputBody]) -> dict[str, e.Compared]:
    found = [body for body in kinds(outputs, e.Compared) if isinstance(body, e.Compared)]
    return {f"{body.instrument}/{body.channel}": body for body in found}


def zero(bench: Bench, low: float, high: float) -> dict[str, e.Compared]:
    bench.push(e.Declared(system="main", fact="gauges_open"))
    return compared(bench.steady("gauges", 20.0, low=low, high=high))


def together(bench: Bench, t1: float, t2: float) -> dict[str, e.Compared]:
    bench.push(e.Declared(system="main", fact="thermometers_together"))
    return compared(bench.steady("pipes", 20.0, t1=t1, t2=t2))


def test_a_gauge_open_to_the_air_is_zeroed_and_what_follows_is_corrected() -> None:
    bench = rested()
    found = zero(bench, 0.8, -0.4)
    assert found["gauges/low"].applied
    assert found["gauges/low"].offset == pytest.approx(0.8 * PSI, rel=0.02)
    assert found["gauges/high"].offset == pytest.approx(-0.4 * PSI, rel=0.05)
    assert found["gauges/low"].against == "atmosphere"
    bench.place("gauges", "low", "vapor_service_pressure")
    bench.frame("gauges", bench.t_s + 0.5, low=118.8, high=300.0)
    place = bench.engine.state.systems["main"].points["vapor_service_pressure"]
    assert place.value == pytest.approx(118.0 * PSI, rel=1e-4)


def test_a_gauge_under_pressure_is_never_zeroed() -> None:
    bench = rested()
    found = zero(bench, 120.0, -0.4)
    assert not found["gauges/low"].applied
    assert "still connected" in found["gauges/low"].reason
    assert found["gauges/high"].applied
    assert bench.engine.state.instruments["gauges"].channels["low"].correction is None


def test_nothing_is_compared_unless_it_is_declared_and_only_while_it_is() -> None:
    bench = rested()
    assert not compared(bench.steady("gauges", 30.0, low=0.8, high=0.1))
    bench.push(e.Declared(system="main", fact="gauges_open"))
    bench.steady("gauges", 5.0, low=0.8, high=0.1)
    bench.push(e.Declared(system="main", fact="gauges_open", value=None))
    assert not compared(bench.steady("gauges", 30.0, low=0.8, high=0.1))
    bench.push(e.Declared(system="main", fact="gauges_open"))
    bench.steady("gauges", 5.0, low=0.8, high=0.1)
    bench.push(e.Phased(phase="before"))
    assert not compared(bench.steady("gauges", 30.0, low=0.8, high=0.1))


def test_thermometers_side_by_side_agree_afterwards_and_share_a_reference() -> None:
    bench = rested()
    found = together(bench, 75.0, 76.0)
    assert [body.applied for body in found.values()] == [True, True]
    # two of the same make: each is half a degree Fahrenheit from their mean
    assert found["pipes/t1"].offset == pytest.approx(-0.5 / 1.8, abs=0.01)
    assert found["pipes/t2"].offset == pytest.approx(0.5 / 1.8, abs=0.01)
    bench.place("pipes", "t1", "return_air_temperature")
    bench.place("pipes", "t2", "supply_air_temperature")
    bench.frame("pipes", bench.t_s + 0.5, t1=75.0, t2=57.0)
    state = bench.engine.state
    places = state.systems["main"].points
    split = state.systems["main"].derived["temperature_split"]
    assert split.value == pytest.approx((75.5 - 56.5) / 1.8, abs=0.02)
    apart = (places["return_air_temperature"].u ** 2 + places["supply_air_temperature"].u ** 2) ** 0.5
    # the mean's own error is in both and cancels: two alike, within 1 degF each (u = limit / sqrt(3))
    reference_u = 1.0 / 1.8 / 3.0**0.5 / 2.0**0.5
    assert apart**2 - split.u**2 == pytest.approx(2.0 * reference_u**2, rel=0.02)
    without = rested()
    without.place("pipes", "t1", "return_air_temperature")
    without.place("pipes", "t2", "supply_air_temperature")
    without.frame("pipes", without.t_s + 0.5, t1=75.0, t2=57.0)
    assert split.u < without.engine.state.systems["main"].derived["temperature_split"].u


def test_a_thermometer_that_lies_elsewhere_is_told_and_two_that_disagree_change_nothing() -> None:
    bench = rested()
    found = together(bench, 75.0, 95.0)
    assert [body.applied for body in found.values()] == [False, False]
    assert "disagree" in found["pipes/t1"].reason


def test_a_clamp_is_told_only() -> None:
    bench = rested()
    bench.push(e.Declared(system="main", fact="clamps_released"))
    found = compared(bench.steady("clamp", 20.0, current=0.03, voltage=0.0))
    assert not found["clamp/current"].applied
    assert "by squares" in found["clamp/current"].reason
    bench.push(e.Declared(system="main", fact="clamps_released"))
    found = compared(bench.steady("clamp", 20.0, current=4.2, voltage=0.0))
    assert "around nothing" in found["clamp/current"].reason


def worked(bench: Bench) -> None:
    bench.push(e.Phased(phase="before"))
    bench.place_all()
    bench.running(1100)
    for phase in ("work", "drying", "after"):
        bench.push(e.Phased(phase=phase))


def test_drift_at_the_end_is_told_and_names_the_verdicts_that_rest_on_it() -> None:
    bench = rested()
    zero(bench, 0.8, 0.0)
    worked(bench)
    bench.push(e.Declared(system="main", fact="gauges_open"))
    out = bench.steady("gauges", 20.0, low=0.8, high=2.5)
    found = compared(out)
    assert not found["gauges/low"].applied
    assert "no more than" in found["gauges/low"].reason
    assert found["gauges/high"].offset == pytest.approx(2.5 * PSI, rel=0.02)
    findings = [body for body in out if isinstance(body, e.Finding)]
    assert [body.id for body in findings] == ["drift-gauges-high"]
    assert "subcooling" in findings[0].meaning
    assert "2.5 psi" in findings[0].evidence[0]


def test_a_zero_done_over_at_rest_stands_in_for_the_first() -> None:
    bench = rested()
    zero(bench, 0.8, 0.0)
    again = zero(bench, 1.0, 0.0)
    assert again["gauges/low"].applied
    assert again["gauges/low"].offset == pytest.approx(0.2 * PSI, rel=0.1)
    bench.frame("gauges", bench.t_s + 0.5, low=1.0, high=0.0)
    assert bench.engine.state.instruments["gauges"].channels["low"].value == pytest.approx(0.0, abs=0.05 * PSI)


def test_a_comparison_is_the_same_again_from_a_replay_and_from_a_snapshot_in_its_middle() -> None:
    bench = rested()
    bench.push(e.Declared(system="main", fact="gauges_open"))
    bench.steady("gauges", 7.0, low=0.8, high=0.1)
    snapshot, at = bench.engine.snapshot(), len(bench.inputs)
    rows = len(bench.rows)
    assert compared(bench.steady("gauges", 20.0, low=0.8, high=0.1))
    worked(bench)
    resumed = Engine.restore(snapshot)
    outputs = [
        (e.kind_of(body), e.encode(body)) for seq, t, given in bench.inputs[at:] for body in resumed.push(seq, t, given)
    ]
    assert outputs == [(kind, body) for _, _, kind, body in bench.rows[rows:] if kind in e.OUTPUT_KINDS]
    assert resumed.snapshot() == bench.engine.snapshot()
    again = Engine("test")
    for seq, t, given in bench.inputs:
        again.push(seq, t, given)
    assert again.snapshot() == bench.engine.snapshot()


def test_amending_a_system_ends_what_was_computed_with_the_old_description_and_judges_anew() -> None:
    bench = rested()
    bench.push(e.Phased(phase="before"))
    bench.place_all()
    bench.running(1100)
    derived = bench.engine.state.systems["main"].derived
    before = derived["subcooling"].value
    plate = e.SystemRecord(id="main", refrigerant="R-32", metering_device="txv")
    out = bench.push(e.Amended(record=plate, keys=("refrigerant",)))
    assert any(isinstance(body, e.Unsettled) and body.name == "subcooling" for body in out)
    bench.running(1)
    assert derived["subcooling"].value is not None
    assert before is not None
    assert abs(derived["subcooling"].value - before) > 0.1  # another fluid's curve
    assert bench.push(e.Amended(record=plate)) == []  # nothing new
    bench.push(e.Amended(record=e.SystemRecord(id="elsewhere", refrigerant="R-22")))
    assert "elsewhere" not in bench.engine.state.systems
