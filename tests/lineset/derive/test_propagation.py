"""Partial derivatives against finite differences, propagation against the `uncertainties` package."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import uncertainties
from hypothesis import assume, given
from hypothesis import strategies as st

from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context, NotDerivable
from lineset.derive.propagate import propagate
from lineset.derive.sensitivity import NAMEPLATE, typical_readings
from lineset.equipment.points import POINTS
from lineset.measure.installation import stand_in_parts
from lineset_drivers.quantity import Quantity

# How far ordinary field values go to either side of the typical ones, and their standard uncertainties, SI.
SPAN = {
    Quantity.PRESSURE_GAUGE: 120e3,
    Quantity.PRESSURE_DIFFERENCE: 10.0,
    Quantity.TEMPERATURE: 0.9,
    Quantity.RELATIVE_HUMIDITY: 4.0,
    Quantity.AIR_SPEED: 1.0,
    Quantity.VOLUME_FLOW: 0.2,
    Quantity.POWER: 100.0,
    Quantity.CURRENT: 0.25,
    Quantity.VOLTAGE: 8.0,
    Quantity.CAPACITANCE: 2e-6,
}
U = {
    Quantity.PRESSURE_GAUGE: 8e3,
    Quantity.PRESSURE_DIFFERENCE: 2.0,
    Quantity.TEMPERATURE: 0.3,
    Quantity.RELATIVE_HUMIDITY: 1.0,
    Quantity.AIR_SPEED: 0.1,
    Quantity.VOLUME_FLOW: 0.03,
    Quantity.POWER: 20.0,
    Quantity.CURRENT: 0.05,
    Quantity.VOLTAGE: 1.5,
    Quantity.CAPACITANCE: 1e-7,
}
contexts = st.builds(
    Context,
    refrigerant=st.sampled_from(["R-410A", "R-454B", "R-32"]),
    line_frequency_hz=st.sampled_from([50.0, 60.0]),
    barometric_pa=st.floats(8e4, 1.04e5),
    barometric_u_pa=st.floats(0.0, 2e3),
    line_frequency_u_hz=st.floats(0.0, 0.1),
    nameplate=st.just(NAMEPLATE),
)


@st.composite
def cases(draw: st.DrawFn) -> tuple[str, Context, tuple[float, ...], tuple[float, ...]]:
    name = draw(st.sampled_from(list(CATALOGUE)))
    derived = CATALOGUE[name]
    readings = typical_readings(derived)
    values, us = [], []
    for each in derived.inputs:
        quantity = POINTS[each].quantity
        span = min(SPAN[quantity], 0.4 * abs(readings[each]))
        # Few decimals: the uncertainties package steps by a part of the value, which is nothing beside 1e-150.
        values.append(readings[each] + round(draw(st.floats(-1.0, 1.0)), 3) * span)
        us.append(draw(st.floats(0.0, U[quantity])))
    context = draw(contexts)
    if any(each.endswith("blower_table") for each in (name, *derived.needs_nameplate)):
        assume(abs(values[1] - values[0] - 125.0) > 2.0)
    if name == "voltage_unbalance":
        mean = sum(values) / 3.0
        far = sorted(abs(value - mean) for value in values)
        assume(far[2] - far[1] > 0.1)
    try:
        derived.compute(context, values)
    except NotDerivable:
        assume(False)
    return name, context, tuple(values), tuple(us)


def _computed(name: str, context: Context, values: tuple[float, ...]) -> float:
    return CATALOGUE[name].compute(context, values).value


@given(cases())
def test_partials_are_the_slopes_of_the_value(
    case: tuple[str, Context, tuple[float, ...], tuple[float, ...]],
) -> None:
    name, context, values, _ = case
    found = CATALOGUE[name].compute(context, values)
    for i, partial in enumerate(found.partials):
        h = max(abs(values[i]) * 1e-5, 1e-12)
        ends = [_computed(name, context, (*values[:i], values[i] + s * h, *values[i + 1 :])) for s in (1, -1)]
        assert partial == pytest.approx((ends[0] - ends[1]) / (2 * h), rel=1e-4, abs=1e-12)
    ends = [_computed(name, replace(context, barometric_pa=context.barometric_pa + s), values) for s in (1.0, -1.0)]
    assert found.barometric == pytest.approx((ends[0] - ends[1]) / 2.0, rel=1e-4, abs=1e-11)
    frequency = context.line_frequency_hz
    ends = [_computed(name, replace(context, line_frequency_hz=frequency + s), values) for s in (0.01, -0.01)]
    assert found.frequency == pytest.approx((ends[0] - ends[1]) / 0.02, rel=1e-4, abs=1e-12)


@given(cases())
def test_propagation_agrees_with_the_uncertainties_package(
    case: tuple[str, Context, tuple[float, ...], tuple[float, ...]],
) -> None:
    name, context, values, us = case
    # A formula of its own, wrapped by the package: numerical derivatives over inputs, barometer and frequency.
    wrapped = uncertainties.wrap(
        lambda barometer, frequency, *inputs: _computed(
            name, replace(context, barometric_pa=barometer, line_frequency_hz=frequency), inputs
        )
    )
    inputs = [uncertainties.ufloat(value, u or 1e-300) for value, u in zip(values, us, strict=True)]
    barometer = uncertainties.ufloat(context.barometric_pa, context.barometric_u_pa or 1e-300)
    frequency = uncertainties.ufloat(context.line_frequency_hz, context.line_frequency_u_hz or 1e-300)
    expected = wrapped(barometer, frequency, *inputs)
    found = propagate(CATALOGUE[name], context, values, us)
    assert found.value == pytest.approx(expected.nominal_value, rel=1e-12, abs=1e-15)
    # an estimate stands in for what is measured elsewhere; how far that may be off is no input of its formula
    more = stand_in_parts(name, CATALOGUE[name].inputs, found.partials, found.value).values()
    # the package differentiates numerically: of a value of 10 its slopes by a barometer are good to some 1e-10 a
    # pascal, which times the barometer's 300 Pa is 3e-8, no better
    numeric = max(1e-12, 3e-9 * abs(found.value))
    assert found.u == pytest.approx(math.hypot(expected.std_dev, *more), rel=2e-3, abs=numeric)


def test_each_formula_written_again_for_the_uncertainties_package() -> None:
    def check(name: str, context: Context, inputs: list[tuple[float, float]], expected: uncertainties.UFloat) -> None:
        values, us = zip(*inputs, strict=True)
        found = propagate(CATALOGUE[name], context, values, us)
        assert found.value == pytest.approx(expected.nominal_value, rel=1e-12)
        assert found.u == pytest.approx(expected.std_dev, rel=1e-9)

    current, voltage = uncertainties.ufloat(5.58, 0.06), uncertainties.ufloat(370.0, 2.0)
    hertz = uncertainties.ufloat(60.0, 0.02)
    context = Context(line_frequency_u_hz=0.02)
    check("herm_capacitance_under_load", context, [(5.58, 0.06), (370.0, 2.0)],
          current / (2 * math.pi * hertz * voltage))  # fmt: skip
    check("blower_apparent_power", context, [(5.58, 0.06), (370.0, 2.0)], current * voltage)
    barometer = uncertainties.ufloat(98_000.0, 500.0)
    high, low = uncertainties.ufloat(2.5e6, 2e4), uncertainties.ufloat(8e5, 9e3)
    check("compression_ratio", Context(barometric_pa=98_000.0, barometric_u_pa=500.0), [(2.5e6, 2e4), (8e5, 9e3)],
          (high + barometer) / (low + barometer))  # fmt: skip
    check("temperature_split", context, [(24.0, 0.3), (13.0, 0.4)],
          uncertainties.ufloat(24.0, 0.3) - uncertainties.ufloat(13.0, 0.4))  # fmt: skip


def test_the_barometer_enters_once_however_many_pressures_it_bears_on() -> None:
    context = Context(barometric_pa=1e5, barometric_u_pa=1e3)
    found = propagate(CATALOGUE["compression_ratio"], context, (9e5, 9e5), (0.0, 0.0))
    # Both pressures move together, so a ratio of one stays one whatever the barometer does.
    assert found.value == 1.0
    assert found.u == 0.0


def test_sensitivities_are_named() -> None:
    derived = CATALOGUE["total_superheat"]
    found = propagate(derived, Context("R-410A"), (8e5, 10.0), (8e3, 0.4))
    named = found.sensitivities(derived)
    assert list(named) == ["vapor_service_pressure", "vapor_line_temperature", "barometric_pressure"]
    assert named["vapor_line_temperature"] == 1.0
    assert named["vapor_service_pressure"] == named["barometric_pressure"] < 0.0
    capacitance = CATALOGUE["fan_capacitance_under_load"]
    assert "line_frequency" in propagate(capacitance, Context(), (1.0, 370.0), (0.0, 0.0)).sensitivities(capacitance)


@pytest.mark.parametrize("u", [math.nan, math.inf])
def test_an_uncertainty_that_is_no_number_is_refused(u: float) -> None:
    with pytest.raises(NotDerivable, match="uncertainty"):
        propagate(CATALOGUE["temperature_split"], Context(), (24.0, 13.0), (u, 0.3))


def test_a_missing_uncertainty_is_a_programming_error() -> None:
    with pytest.raises(ValueError, match="shorter"):
        propagate(CATALOGUE["temperature_split"], Context(), (24.0, 13.0), (0.3,))
