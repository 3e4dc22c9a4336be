"""Quantities and units: published factors, round trips, and what must be refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import UnitError, ValueTextError
from lineset_drivers.quantity import SI_UNIT, UNITS, Quantity, from_si, parse_measured, to_si

Q = Quantity
PAIRS = [(quantity, unit) for quantity, units in UNITS.items() for unit in units]


# NIST SP 811 (2008), appendix B.8, to the digits printed there (figures from memory)
@pytest.mark.parametrize(
    ("value", "unit", "quantity", "si", "relative"),
    [
        (1.0, "psi", Q.PRESSURE_DIFFERENCE, 6.894757e3, 1e-7),
        (1.0, "inWC", Q.PRESSURE_DIFFERENCE, 2.490889e2, 1e-7),
        (1.0, "inHg", Q.PRESSURE_ABSOLUTE, 3.386389e3, 1e-7),
        (1.0, "cfm", Q.VOLUME_FLOW, 4.719474e-4, 1e-6),
        (1.0, "fpm", Q.AIR_SPEED, 5.08e-3, 1e-9),
        (1.0, "ton", Q.POWER, 3.516853e3, 1e-6),
        (1.0, "Btu/h", Q.POWER, 2.930711e-1, 1e-6),
        (1.0, "kWh", Q.ENERGY, 3.6e6, 1e-12),
        (32.0, "degF", Q.TEMPERATURE, 0.0, 1e-9),
        (212.0, "degF", Q.TEMPERATURE, 100.0, 1e-9),
        (9.0, "degF", Q.TEMPERATURE_DIFFERENCE, 5.0, 1e-12),
        (273.15, "K", Q.TEMPERATURE, 0.0, 1e-9),
    ],
)
def test_published_factors(value: float, unit: str, quantity: Quantity, si: float, relative: float) -> None:
    assert to_si(value, unit, quantity) == pytest.approx(si, rel=relative, abs=1e-9)


@given(st.sampled_from(PAIRS), st.floats(-1e6, 1e6))
def test_there_and_back(pair: tuple[Quantity, str], value: float) -> None:
    quantity, unit = pair
    assert from_si(to_si(value, unit, quantity), unit, quantity) == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_every_quantity_has_its_si_unit_with_factor_one() -> None:
    for quantity in Quantity:
        assert to_si(7.5, SI_UNIT[quantity], quantity) == pytest.approx(7.5)


@pytest.mark.parametrize(
    ("unit", "quantity"),
    [
        ("psig", Q.PRESSURE_ABSOLUTE),
        ("psia", Q.PRESSURE_GAUGE),
        ("psig", Q.PRESSURE_DIFFERENCE),
        ("degF", Q.CURRENT),
        ("furlong", Q.VOLTAGE),
        ("", Q.VOLTAGE),
    ],
)
def test_a_unit_of_something_else_is_refused_with_what_would_do(unit: str, quantity: Quantity) -> None:
    with pytest.raises(UnitError, match="use one of"):
        to_si(1.0, unit, quantity)


@pytest.mark.parametrize(
    ("text", "quantity", "value", "half"),
    [
        ("118 psig", Q.PRESSURE_GAUGE, 118 * 6894.757, None),
        ("118 +/- 1.5 psig", Q.PRESSURE_GAUGE, 118 * 6894.757, 1.5 * 6894.757),
        ("52degF", Q.TEMPERATURE, 100 / 9, None),
        ("-4.0 °C", Q.TEMPERATURE, -4.0, None),
        ("50 ± 1 degF", Q.TEMPERATURE, 10.0, 5 / 9),
        ("45 µF", Q.CAPACITANCE, 45e-6, None),
        ("2.5", Q.RATIO, 2.5, None),
        ("1.2e3 W", Q.POWER, 1200.0, None),
    ],
)
def test_typed_values(text: str, quantity: Quantity, value: float, half: float | None) -> None:
    found = parse_measured(text, quantity)
    assert found.value == pytest.approx(value, rel=1e-6)
    assert found.half_width == (None if half is None else pytest.approx(half, rel=1e-6))


@pytest.mark.parametrize("text", ["", "psig", "about 118 psig", "118", "1,5 bar", "118 psig or so", "+/- 2 psig"])
def test_what_is_no_value_with_a_unit_is_refused(text: str) -> None:
    with pytest.raises((ValueTextError, UnitError)):
        parse_measured(text, Q.PRESSURE_GAUGE)
