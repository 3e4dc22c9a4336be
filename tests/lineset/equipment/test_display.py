"""Values as people see them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.equipment.display import shown
from lineset_drivers.quantity import Quantity

Q = Quantity


@pytest.mark.parametrize(
    ("value", "quantity", "units", "text"),
    [
        (-0.01, Q.PRESSURE_DIFFERENCE, "customary", "0.000 inWC"),
        (-2.5, Q.PRESSURE_DIFFERENCE, "customary", "-0.010 inWC"),  # 249.0889 Pa an inch, NIST SP 811 B.8
        (-1e-4, Q.CURRENT, "si", "0.00 A"),
        (-0.0, Q.POWER, "si", "0 W"),
        (-3.0, Q.TEMPERATURE_DIFFERENCE, "si", "-3.00 K"),
    ],
)
def test_nothing_has_no_sign(value: float, quantity: Quantity, units: str, text: str) -> None:
    assert shown(value, quantity, units) == text  # type: ignore[arg-type]


@given(st.sampled_from([Q.CURRENT, Q.PRESSURE_DIFFERENCE, Q.PRESSURE_GAUGE]), st.floats(-1e3, 1e3))
def test_a_minus_stands_only_before_something(quantity: Quantity, value: float) -> None:
    number = shown(value, quantity).split()[0]
    assert not number.startswith("-") or float(number) < 0.0
