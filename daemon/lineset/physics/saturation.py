"""Saturation of one refrigerant: temperature over pressure, on the bubble line and on the dew line.

Each line is a cubic spline of temperature over the logarithm of absolute pressure with equally spaced nodes, so a
look-up is one logarithm, one index and one polynomial, and its slope is exact for the spline. Nothing here
imports CoolProp or numpy. Pressures are absolute [Pa], temperatures [Cel], slopes [K/Pa].
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lineset.physics.errors import CurveError, OutOfRange

if TYPE_CHECKING:
    from lineset.physics.refrigerant_state import States

Phase = Literal["bubble", "dew"]
# What rounding of floats may add at an end of a curve, so that the temperature at its last pressure has an inverse.
_DUST_K = 1e-9
_PSI = 6894.757293168361  # Pa; NIST SP 811, appendix B.8


class Line:
    """Bubble or dew temperature of one refrigerant over absolute pressure; call it with a pressure in Pa.

    Valid from `low_pa` to `high_pa` (both included), that is from `low_cel` to `high_cel`. A pressure outside
    raises OutOfRange: a value beyond the ends would be a guess.
    """

    __slots__ = (
        "_per_step",
        "_rows",
        "_start",
        "_temperatures",
        "high_cel",
        "high_pa",
        "low_cel",
        "low_pa",
        "phase",
        "refrigerant",
    )  # fmt: skip

    def __init__(
        self,
        refrigerant: str,
        phase: Phase,
        low_pa: float,
        high_pa: float,
        temperatures: Sequence[float],
        slopes: Sequence[float],
    ) -> None:
        """`temperatures` [Cel] and `slopes` dT/d(ln p) [K] at nodes equally spaced in ln p from low_pa to high_pa.

        Raises CurveError when they do not describe a rising curve.
        """
        nodes = len(temperatures)
        if nodes < 4 or len(slopes) != nodes or not 0.0 < low_pa < high_pa:
            raise CurveError(f"{refrigerant}, {phase} line: the curve has too few nodes or no pressure range")
        self.refrigerant, self.phase = refrigerant, phase
        self.low_pa, self.high_pa = low_pa, high_pa
        self.low_cel, self.high_cel = temperatures[0], temperatures[-1]
        self._temperatures = tuple(temperatures)
        self._start = math.log(low_pa)
        step = (math.log(high_pa) - self._start) / (nodes - 1)
        self._per_step = 1.0 / step
        rows = []
        for left in range(nodes - 1):
            rise = temperatures[left + 1] - temperatures[left]
            begin, end = slopes[left] * step, slopes[left + 1] * step
            # A cubic over [0, 1] with these ends and end slopes rises everywhere when neither slope is negative or
            # above three times the rise (Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17, 238-246).
            if not (rise > 0.0 and 0.0 <= begin <= 3.0 * rise and 0.0 <= end <= 3.0 * rise):
                raise CurveError(f"{refrigerant}, {phase} line: the curve does not rise after node {left}")
            rows.append((temperatures[left], begin, 3.0 * rise - 2.0 * begin - end, begin + end - 2.0 * rise))
        # The last node belongs to a segment of its own, so that the upper end needs no test in the look-up.
        rows.append((temperatures[-1], slopes[-1] * step, 0.0, 0.0))
        self._rows = tuple(rows)

    def __call__(self, p_abs_pa: float) -> float:
        """Saturation temperature [Cel] at the absolute pressure [Pa]. Raises OutOfRange."""
        if not self.low_pa <= p_abs_pa <= self.high_pa:
            raise self._pressure_outside(p_abs_pa)
        x = (math.log(p_abs_pa) - self._start) * self._per_step
        i = int(x)
        a, b, c, d = self._rows[i]
        x -= i
        return a + x * (b + x * (c + x * d))

    def with_slope(self, p_abs_pa: float) -> tuple[float, float]:
        """Saturation temperature [Cel] and its slope dT/dp [K/Pa] at the absolute pressure [Pa]. Raises OutOfRange."""
        if not self.low_pa <= p_abs_pa <= self.high_pa:
            raise self._pressure_outside(p_abs_pa)
        x = (math.log(p_abs_pa) - self._start) * self._per_step
        i = int(x)
        a, b, c, d = self._rows[i]
        x -= i
        return a + x * (b + x * (c + x * d)), (b + x * (2.0 * c + x * 3.0 * d)) * self._per_step / p_abs_pa

    def slope(self, p_abs_pa: float) -> float:
        """Slope dT/dp [K/Pa] at the absolute pressure [Pa]. Raises OutOfRange."""
        return self.with_slope(p_abs_pa)[1]

    def pressure(self, temperature_cel: float) -> float:
        """Absolute saturation pressure [Pa] at the temperature [Cel]: the inverse of a call. Raises OutOfRange."""
        if not self.low_cel - _DUST_K <= temperature_cel <= self.high_cel + _DUST_K:
            raise OutOfRange(
                f"{self.refrigerant}, {self.phase} pressure",
                value=temperature_cel, low=self.low_cel, high=self.high_cel, unit="Cel",
                remedy="Check the temperature and the refrigerant's name.",
            )  # fmt: skip
        i = min(max(bisect_right(self._temperatures, temperature_cel) - 1, 0), len(self._rows) - 2)
        a, b, c, d = self._rows[i]
        low, high = 0.0, 1.0
        x = (temperature_cel - a) / (self._temperatures[i + 1] - a)
        for _ in range(60):
            miss = a + x * (b + x * (c + x * d)) - temperature_cel
            if miss > 0.0:
                high = x
            else:
                low = x
            rate = b + x * (2.0 * c + x * 3.0 * d)
            # Newton inside a shrinking bracket: quick where the segment is nearly straight, safe where it is not.
            nearer = x - miss / rate if rate > 0.0 else 0.5 * (low + high)
            if not low <= nearer <= high:
                nearer = 0.5 * (low + high)
            if abs(nearer - x) < 1e-14:
                x = nearer
                break
            x = nearer
        pressure = math.exp(self._start + (i + x) / self._per_step)
        return min(max(pressure, self.low_pa), self.high_pa)  # exp(log(p)) may miss an end by its last digit

    def _pressure_outside(self, p_abs_pa: float) -> OutOfRange:
        above = p_abs_pa > self.high_pa
        return OutOfRange(
            f"{self.refrigerant}, {self.phase} temperature",
            value=p_abs_pa, low=self.low_pa, high=self.high_pa, unit="Pa",
            shown=(
                f"{_both(p_abs_pa)} absolute is {{side}} the range {_both(self.low_pa)} .. {_both(self.high_pa)} "
                f"absolute ({self.low_cel:.1f} .. {self.high_cel:.1f} degC)"
            ),
            remedy=(
                "Check the gauge, its port and the refrigerant's name; the pressure may be near or above the critical "
                "point, where there is no saturation temperature."
                if above
                else "Check that the port is open and the gauge is connected; a system this low may be empty or "
                "pumped down."
            ),
        )  # fmt: skip


def _both(pascal: float) -> str:
    return f"{pascal / 1e3:.1f} kPa ({pascal / _PSI:.1f} psi)"


@dataclass(frozen=True, slots=True)
class Saturation:
    """The two saturation lines of one refrigerant, and where they come from.

    `bubble(p)` and `dew(p)` give temperatures [Cel] at absolute pressures [Pa]; a pure fluid has both alike.
    `sha256` names the data exactly, so that a record can say which curve it used; `source` says it in words. `states`
    are enthalpies and densities off the lines; None of a curve that had to be made without them.
    """

    refrigerant: str
    bubble: Line
    dew: Line
    critical_temperature_cel: float
    critical_pressure_pa: float
    sha256: str
    source: str
    states: States | None = None

    def glide(self, p_abs_pa: float) -> float:
        """Dew minus bubble temperature [K] at the absolute pressure [Pa]. Raises OutOfRange."""
        return self.dew(p_abs_pa) - self.bubble(p_abs_pa)
