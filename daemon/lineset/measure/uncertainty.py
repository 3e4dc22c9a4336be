"""Standard uncertainty of a reading, from what its profile and its calibration state.

After JCGM 100:2008 (GUM). Limits of error given without a distribution are rectangular: divided by the square
root of three (4.3.7). A display's last digit is rectangular with half a digit to either side (F.2.2.1). First order,
sources taken as independent within one reading; shared sources are joined where values are combined.
"""

from __future__ import annotations

import math

from lineset.contract.entry import ChannelRecord
from lineset_drivers.quantity import Quantity, unit_of

_SQRT3 = math.sqrt(3.0)
_SQRT12 = math.sqrt(12.0)
Z95 = 1.959963984540054  # two-sided 95 % quantile of the normal distribution


class ChannelScale:
    """A channel's way from a sample to SI, compiled once: value, and its standard uncertainty.

    `si(x)` is x brought to SI and corrected by the calibration; `u(x)` its standard uncertainty in SI, from
    accuracy (% of reading, absolute, counts), resolution and calibration. `resolution` is in SI.
    """

    __slots__ = ("_fixed_var", "_reading", "_unit_factor", "_unit_offset", "factor", "offset", "resolution")

    def __init__(self, record: ChannelRecord) -> None:
        """Raises UnitError when the record's unit does not fit its quantity."""
        unit = unit_of(record.unit, Quantity(record.quantity))
        calibration = record.calibration
        self.factor = unit.factor * calibration.gain
        self.offset = unit.offset * calibration.gain + calibration.offset
        size = abs(self.factor)
        self.resolution = record.resolution * size
        absolute = record.absolute * size / _SQRT3
        counts = record.counts * self.resolution / _SQRT3
        digit = self.resolution / _SQRT12
        self._fixed_var = absolute**2 + counts**2 + digit**2 + calibration.u**2
        # the part in proportion to the reading counts from the unit's own zero, as makers state it (% of reading
        # of a thermometer in degF counts from 0 degF)
        self._reading = record.reading_pct / 100.0 / _SQRT3 * size

    def si(self, value: float) -> float:
        """SI value of a sample."""
        return value * self.factor + self.offset

    def u(self, value: float) -> float:
        """Standard uncertainty, SI, of a sample with this value."""
        proportional = self._reading * value
        return math.sqrt(self._fixed_var + proportional * proportional)


def student_t95(dof: float) -> float:
    """Two-sided 95 % quantile of Student's distribution for `dof` >= 1 degrees of freedom.

    Cornish-Fisher expansion in 1/dof (Abramowitz and Stegun 26.7.5, from memory), within 0.5 % from 3 on, and exact
    figures below (JCGM 100:2008 table G.2: 12.71 and 4.30).
    """
    if dof < 2.0:
        return 12.71
    if dof < 3.0:
        return 4.30
    z, v = Z95, dof
    z3 = z**3
    z5 = z**5
    z7 = z**7
    return (
        z
        + (z3 + z) / (4 * v)
        + (5 * z5 + 16 * z3 + 3 * z) / (96 * v * v)
        + (3 * z7 + 19 * z5 + 17 * z3 - 15 * z) / (384 * v**3)
    )


def interval95(value: float, u: float) -> tuple[float, float]:
    """95 % interval of a value with standard uncertainty `u`, taken as normal."""
    return value - Z95 * u, value + Z95 * u
