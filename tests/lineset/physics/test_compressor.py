"""The ten-coefficient map, and three-phase and nameplate electricity."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.physics import electrical
from lineset.physics.compressor import map_value
from lineset.physics.errors import OutOfRange
from lineset.physics.gradient import inputs

# An example map as public simulation codes carry it for a 3-ton R-410A compressor (from memory): degF, W and lb/h.
POWER = (-561.3615705, -15.62601841, 46.92506685, -0.217949552, 0.435062616, -0.442400826, 2.25e-4, 2.37e-3, -3.32e-3,
         2.50e-3)  # fmt: skip
FLOW = (217.3163128, 5.094492028, -0.593170311, 4.38e-2, -2.14e-2, 1.04e-2, 7.90e-5, -5.73e-5, 1.79e-4, -8.08e-5)


def test_terms_stand_in_the_standards_order() -> None:
    # Each coefficient alone, at S = 50 and D = 110 degF: its own term of the polynomial in AHRI 540's order.
    s, d = 50.0, 110.0
    terms = (1.0, s, d, s * s, s * d, d * d, s**3, d * s * s, s * d * d, d**3)
    at = inputs([(s - 32.0) / 1.8, (d - 32.0) / 1.8])
    for i, term in enumerate(terms):
        assert map_value([1.0 if i == j else 0.0 for j in range(10)], *at).value == pytest.approx(term)


def test_example_map_is_a_three_ton_compressor() -> None:
    # 45/115 degF: near 2.3 kW and 450 lb/h, about 36,000 Btu/h at 80 Btu/lb (a check of size, not of accuracy).
    at = inputs([(45.0 - 32.0) / 1.8, (115.0 - 32.0) / 1.8])
    assert 1800.0 < map_value(POWER, *at).value < 3200.0
    assert 350.0 < map_value(FLOW, *at).value < 600.0
    assert map_value(FLOW, *at).slopes[0] > 0.0  # more flow from a warmer evaporator
    assert map_value(POWER, *at).slopes[1] > 0.0  # more power against a warmer condenser


@given(st.floats(-10.0, 20.0), st.floats(30.0, 60.0), st.booleans())
def test_map_derivatives(s: float, d: float, fahrenheit: bool) -> None:
    power = POWER if fahrenheit else (900.0, 3.0, 22.0, 0.1, 0.05, 0.2, 1e-4, 1e-4, 2e-4, 1e-3)
    found = map_value(power, *inputs([s, d]), fahrenheit=fahrenheit)
    for i in range(2):
        ends = [
            map_value(power, *inputs([s + k * 1e-4 * (i == 0), d + k * 1e-4 * (i == 1)]), fahrenheit=fahrenheit).value
            for k in (1, -1)
        ]
        assert found.slopes[i] == pytest.approx((ends[0] - ends[1]) / 2e-4, rel=1e-5, abs=1e-5)


@pytest.mark.parametrize(
    ("s", "d", "says"),
    [(-40.0, 45.0, "suction dew"), (10.0, 85.0, "not extended"), (25.0, 20.0, "ports are swapped")],
)
def test_map_is_not_extended(s: float, d: float, says: str) -> None:
    with pytest.raises(OutOfRange, match=says):
        map_value(POWER, *inputs([s, d]))


def test_a_map_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(OutOfRange, match="coefficients, their order"):
        map_value([-1.0] + [0.0] * 9, *inputs([7.0, 46.0]))
    with pytest.raises(ValueError, match="10 coefficients"):
        map_value([1.0] * 9, *inputs([7.0, 46.0]))


def test_voltage_unbalance_is_the_largest_deviation_over_the_average() -> None:
    # NEMA MG 1 as quoted: 460, 467, 450 V average 459 and differ by 9 at most: 1.96 % (the usual worked example, as
    # remembered; the derating there is 0.95).
    value, slopes = electrical.voltage_unbalance(460.0, 467.0, 450.0)
    assert value == pytest.approx(9.0 / 459.0)
    assert electrical.derating_factor(value) == pytest.approx(0.95, abs=0.003)
    assert sum(slope * volt for slope, volt in zip(slopes, (460.0, 467.0, 450.0), strict=True)) == pytest.approx(0.0)
    assert electrical.voltage_unbalance(208.0, 208.0, 208.0)[0] == 0.0
    with pytest.raises(OutOfRange, match="lost phase"):
        electrical.voltage_unbalance(208.0, 0.0, 208.0)


@given(st.tuples(*(st.floats(180.0, 500.0) for _ in range(3))))
def test_unbalance_derivatives(volts: tuple[float, float, float]) -> None:
    mean = sum(volts) / 3.0
    deviations = sorted(abs(volt - mean) for volt in volts)
    value, slopes = electrical.voltage_unbalance(*volts)
    assert value == pytest.approx(deviations[-1] / mean)
    if deviations[-1] - deviations[-2] > 0.01:  # at a tie the definition has a corner
        for i in range(3):
            ends = [electrical.voltage_unbalance(*(v + s * 1e-3 * (i == j) for j, v in enumerate(volts)))[0]
                    for s in (1, -1)]  # fmt: skip
            assert slopes[i] == pytest.approx((ends[0] - ends[1]) / 2e-3, rel=1e-4, abs=1e-9)


def test_derating_rows() -> None:
    with (Path(__file__).parents[2] / "data" / "protocol" / "nema_derating_curve.csv").open() as file:
        rows = [(float(r["voltage_unbalance_pct"]), float(r["derating_factor"])) for r in csv.DictReader(file)]
    assert len(rows) == 6
    for percent, factor in rows:
        assert electrical.derating_factor(percent / 100.0) == pytest.approx(factor)
    with pytest.raises(OutOfRange, match="should not be run"):
        electrical.derating_factor(0.051)


def test_strips_and_power_factor() -> None:
    # 4.167 A/kW at 240 V, and 0.7511 of the heat of a 240 V element at 208 V: computed, electrical facts of the trade.
    assert electrical.strip_current(1000.0, 240.0, 240.0) == pytest.approx(4.167, abs=0.0005)
    assert electrical.strip_current(1000.0, 240.0, 208.0) * 208.0 / 1000.0 == pytest.approx(0.7511, abs=0.0001)
    assert electrical.power_factor(950.0, 1000.0) == 0.95
    for real, apparent in ((1100.0, 1000.0), (-1.0, 1000.0), (10.0, 0.0)):
        with pytest.raises(OutOfRange):
            electrical.power_factor(real, apparent)
    with pytest.raises(OutOfRange):
        electrical.strip_current(0.0, 240.0, 240.0)
    assert electrical.yearly_fade(45e-6, 40.5e-6, 5.0) == pytest.approx(0.02)
    with pytest.raises(OutOfRange):
        electrical.yearly_fade(45e-6, 40.5e-6, 0.0)
