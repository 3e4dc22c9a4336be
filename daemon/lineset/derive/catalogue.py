"""The catalogue of derived values: every one that lineset can compute from readings, in a fixed order.

To add one: write its formula with its partial derivatives in a module of formulas, declare it among the values of its
kind (refrigerant_values, circuit_values, air_values, electrical_values), and add a test.
"""

from __future__ import annotations

from lineset.derive import air_values, circuit_values, electrical_values, refrigerant_values
from lineset.derive.declared import Derived

CATALOGUE: dict[str, Derived] = {
    row.name: row for row in (*refrigerant_values.ROWS, *circuit_values.ROWS, *air_values.ROWS, *electrical_values.ROWS)
}
