"""Typed values that cannot be, gauge against absolute, and quantities that take a bare number."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import UnitError, ValueTextError
from lineset_drivers.quantity import POSSIBLE, SI_UNIT, UNITS, Quantity, from_si, parse_measured, unit_of

Q = Quantity
PAIRS = [(quantity, unit) for quantity, units in UNITS.items() for unit in units if unit]


def test_every_quantity_says_what_is_possible() -> None:
    assert set(POSSIBLE) == set(SI_UNIT) == set(UNITS) == set(Quantity)
    assert all(low < high for low, high in POSSIBLE.values())


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("-460 degF", Q.TEMPERATURE),  # absolute zero is -459.67 degF (definition)
        ("-273.2 degC", Q.TEMPERATURE),
        ("-0.1 K", Q.TEMPERATURE),
        ("-0.1 psia", Q.PRESSURE_ABSOLUTE),
        ("-30 psig", Q.PRESSURE_GAUGE),  # below a perfect vacuum: one atmosphere is 14.7 psi
        ("1e400 psig", Q.PRESSURE_GAUGE),
        ("-1e400 V", Q.VOLTAGE),
        ("118 +/- 1e400 psig", Q.PRESSURE_GAUGE),
        ("250 %RH", Q.RELATIVE_HUMIDITY),
        ("5 F", Q.CAPACITANCE),
    ],
)
def test_a_number_that_cannot_be_is_refused_with_what_to_check(text: str, quantity: Quantity) -> None:
    with pytest.raises(ValueTextError, match=r"lies between .* check the number and its unit"):
        parse_measured(text, quantity)


@pytest.mark.parametrize(
    ("text", "quantity"),
    [("-459 degF", Q.TEMPERATURE), ("0 psia", Q.PRESSURE_ABSOLUTE), ("-14.6 psig", Q.PRESSURE_GAUGE)],
)
def test_what_is_only_just_possible_is_read(text: str, quantity: Quantity) -> None:
    parse_measured(text, quantity)


@pytest.mark.parametrize("unit", ["psig", "V", "x", "degF"])
def test_a_ratio_takes_a_bare_number_and_no_foreign_unit(unit: str) -> None:
    assert parse_measured("3.1", Q.RATIO).value == 3.1
    with pytest.raises(UnitError, match="ratio"):
        unit_of(unit, Q.RATIO)
    with pytest.raises(UnitError):
        parse_measured(f"3.1 {unit}", Q.RATIO)


def test_gauge_and_absolute_share_no_unit_that_says_which_it_is() -> None:
    says = {"psig", "barg", "kPag", "kPa_gauge", "MPag", "Pag"}, {"psia", "bara", "kPaa", "kPa_abs", "MPaa", "Paa"}
    assert says[0] <= set(UNITS[Q.PRESSURE_GAUGE])
    assert says[1] <= set(UNITS[Q.PRESSURE_ABSOLUTE])
    for quantity in Quantity:
        for unit in (says[0] if quantity is not Q.PRESSURE_GAUGE else set()) | (
            says[1] if quantity is not Q.PRESSURE_ABSOLUTE else set()
        ):
            assert unit not in UNITS[quantity]


@given(st.sampled_from(PAIRS), st.floats(0.0, 1.0), st.floats(0.0, 0.1))
def test_what_is_written_in_a_unit_is_read_back(pair: tuple[Quantity, str], share: float, width: float) -> None:
    quantity, unit = pair
    low, high = POSSIBLE[quantity]
    si = low + (0.001 + 0.998 * share) * (high - low)
    shown = from_si(si, unit, quantity)
    half = abs(width * shown)
    found = parse_measured(f"{shown!r} +/- {half!r} {unit}", quantity)
    assert found.value == pytest.approx(si, rel=1e-9, abs=1e-9 * (high - low))
    assert found.half_width == pytest.approx(half * unit_of(unit, quantity).factor, rel=1e-12)
    assert found.unit == unit


@given(st.sampled_from(list(Quantity)), st.text(max_size=20))
def test_any_text_is_read_or_refused_in_words(quantity: Quantity, text: str) -> None:
    try:
        found = parse_measured(text, quantity)
    except (ValueTextError, UnitError):
        return
    low, high = POSSIBLE[quantity]
    assert low <= found.value <= high


@pytest.mark.parametrize(
    ("text", "quantity", "says"),
    [
        ("132.7 psia", Quantity.PRESSURE_GAUGE, "'psia' is absolute pressure: they differ by the barometer"),
        ("30 psig", Quantity.PRESSURE_ABSOLUTE, "'psig' is gauge pressure"),
        ("118 degF", Quantity.PRESSURE_GAUGE, "'degF' is a unit of temperature"),
        ("118 furlong", Quantity.PRESSURE_GAUGE, "use one of Pa"),
    ],
)
def test_a_unit_of_something_else_is_told_as_what_it_is(text: str, quantity: Quantity, says: str) -> None:
    with pytest.raises(UnitError, match=says):
        parse_measured(text, quantity)
