"""Enthalpy and density of one refrigerant off its saturation lines: superheated vapor and subcooled liquid.

h = h_dew(p) + c (T - T_dew) and h = h_bubble(p) - c (T_bubble - T): the saturated values are cubic splines over the
logarithm of pressure, the mean specific heats c are Chebyshev expansions in two coordinates that are stretched towards
saturation and the critical point, where properties bend most. Density likewise, as its departure from that of a
perfect gas heated from the dew point. Every value comes with its exact derivatives. Nothing here imports CoolProp.

Enthalpies [J/kg] are counted from 200 kJ/kg in the saturated liquid at 0 degC (bubble), as SI tables of the trade do;
only differences mean anything. Pressures are absolute [Pa], temperatures [Cel], densities [kg/m3].
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from operator import mul
from typing import Any, NamedTuple

from lineset.physics.errors import CurveError, OutOfRange
from lineset.physics.saturation import Line

REFERENCE_J_KG, REFERENCE_CEL = 200e3, 0.0
_ZERO_CEL = 273.15


class Spline:
    """A saturated property over absolute pressure: a cubic spline with nodes equally spaced in ln p."""

    __slots__ = ("_per_step", "_rows", "_start")

    def __init__(self, low_pa: float, high_pa: float, values: Sequence[float], slopes: Sequence[float]) -> None:
        """`values` and their `slopes` by ln p at the nodes. Raises CurveError when there are too few."""
        nodes = len(values)
        if nodes < 4 or len(slopes) != nodes or not 0.0 < low_pa < high_pa:
            raise CurveError("a saturated property has too few nodes or no pressure range")
        self._start = math.log(low_pa)
        step = (math.log(high_pa) - self._start) / (nodes - 1)
        self._per_step = 1.0 / step
        rows = []
        for left in range(nodes - 1):
            rise = values[left + 1] - values[left]
            begin, end = slopes[left] * step, slopes[left + 1] * step
            rows.append((values[left], begin, 3.0 * rise - 2.0 * begin - end, begin + end - 2.0 * rise))
        self._rows = tuple(rows)

    def __call__(self, p_abs_pa: float) -> tuple[float, float]:
        """The value and its slope by pressure [1/Pa]; the caller has checked the range."""
        x = (math.log(p_abs_pa) - self._start) * self._per_step
        i = min(max(int(x), 0), len(self._rows) - 1)
        a, b, c, d = self._rows[i]
        x -= i
        return a + x * (b + x * (c + x * d)), (b + x * (2.0 * c + x * 3.0 * d)) * self._per_step / p_abs_pa


Terms = tuple[list[float], list[float]]


def chebyshev(n: int, x: float) -> Terms:
    """The first `n` Chebyshev polynomials at `x`, and their derivatives."""
    t, d = [1.0, x], [0.0, 1.0]
    for i in range(2, n):
        t.append(2.0 * x * t[-1] - t[-2])
        d.append(2.0 * t[i - 1] + 2.0 * x * d[-1] - d[-2])
    return t[:n], d[:n]


def expanded(rows: Sequence[Sequence[float]], x: Terms, y: Terms) -> tuple[float, float, float]:
    """The sum of c[i][j] T_i(x) T_j(y) and its derivatives by x and by y."""
    (tx, dx), (ty, dy) = x, y
    inner = [sum(map(mul, row, ty)) for row in rows]
    return (
        sum(map(mul, tx, inner)),
        sum(map(mul, dx, inner)),
        sum(map(mul, tx, [sum(map(mul, row, dy)) for row in rows])),
    )


class Vapor(NamedTuple):
    """Superheated vapor: enthalpy [J/kg] and density [kg/m3] with their derivatives by pressure and temperature."""

    enthalpy: float
    enthalpy_by_pressure: float
    enthalpy_by_temperature: float
    density: float
    density_by_pressure: float
    density_by_temperature: float


class Liquid(NamedTuple):
    """Subcooled liquid: enthalpy [J/kg] with its derivatives by pressure and temperature."""

    enthalpy: float
    enthalpy_by_pressure: float
    enthalpy_by_temperature: float


class Stretch:
    """Saturation temperature to -1 .. 1, linear in the square root of its distance from the critical temperature."""

    __slots__ = ("critical", "high", "low", "per_root", "roots")

    def __init__(self, low: float, high: float, critical: float) -> None:
        if not low < high < critical:
            raise CurveError("the temperatures of an expansion do not rise up to the critical one")
        self.low, self.high, self.critical = low, high, critical
        at_low, at_high = math.sqrt(critical - low), math.sqrt(critical - high)
        self.roots, self.per_root = at_low + at_high, 1.0 / (at_low - at_high)

    def __call__(self, saturation_cel: float) -> tuple[float, float]:
        """The coordinate and its derivative [1/K]."""
        root = math.sqrt(self.critical - saturation_cel)
        return (self.roots - 2.0 * root) * self.per_root, self.per_root / root

    def back(self, x: float) -> float:
        """The saturation temperature [Cel] of a coordinate."""
        root = 0.5 * (self.roots - x / self.per_root)
        return self.critical - root * root


class States:
    """Vapor and liquid of one refrigerant, made from the `states` of its curve file."""

    def __init__(self, bubble: Line, dew: Line, critical_cel: float, data: Mapping[str, Any]) -> None:
        """Raises CurveError when the data do not describe states; KeyError or TypeError when they are no such data."""
        self.bubble, self.dew = bubble, dew
        self.bubble_enthalpy, self.dew_enthalpy, self.dew_log_density = (
            Spline(line.low_pa, line.high_pa, data[name]["value"], data[name]["slope"])
            for line, name in ((bubble, "bubble_enthalpy"), (dew, "dew_enthalpy"), (dew, "dew_log_density"))
        )
        vapor, liquid = data["vapor"], data["liquid"]
        self.vapor_range = Stretch(vapor["low_Cel"], vapor["high_Cel"], critical_cel)
        self.liquid_range = Stretch(liquid["low_Cel"], liquid["high_Cel"], critical_cel)
        self.top_cel: float = vapor["top_Cel"]
        self.span_k: float = liquid["span_K"]
        self._vapor_heat, self._vapor_departure, self._liquid_heat = (
            tuple(tuple(row) for row in rows)
            for rows in (vapor["specific_heat"], vapor["departure"], liquid["specific_heat"])
        )
        self.vapor = lru_cache(maxsize=64)(self._vapor)
        self.liquid = lru_cache(maxsize=64)(self._liquid)

    def _saturation(self, line: Line, stretch: Stretch, p_abs_pa: float, what: str) -> tuple[float, float]:
        at, slope = line.with_slope(p_abs_pa)
        if not stretch.low - 1e-6 <= at <= stretch.high + 1e-6:
            raise OutOfRange(
                f"{line.refrigerant}, {what}: saturation temperature of its pressure",
                value=at, low=stretch.low, high=stretch.high, unit="Cel",
                remedy="Check the gauge, its port and the refrigerant's name.",
            )  # fmt: skip
        return at, slope

    def _vapor(self, p_abs_pa: float, temperature_cel: float) -> Vapor:
        """Superheated vapor at an absolute pressure [Pa] and a temperature [Cel].

        Raises OutOfRange below the dew temperature, where the vapor is wet and its temperature says nothing of its
        enthalpy, above the highest temperature, and outside the pressures of the data.
        """
        line, name = self.dew, f"{self.dew.refrigerant}, vapor"
        dew, dew_slope = self._saturation(line, self.vapor_range, p_abs_pa, "vapor")
        above = temperature_cel - dew
        if not 0.0 <= above <= self.top_cel - dew:
            raise OutOfRange(
                f"{name} temperature", value=temperature_cel, low=dew, high=self.top_cel, unit="Cel",
                remedy=(
                    "At or below the dew temperature the vapor is wet and its temperature does not tell its enthalpy; "
                    "check the clamp, the gauge and the refrigerant's name."
                    if above < 0.0
                    else "Check the probe; no running compressor's discharge is that hot."
                ),
            )  # fmt: skip
        x, by_dew = self.vapor_range(dew)
        f = math.sqrt(above / (self.top_cel - dew))
        at_x, at_y = chebyshev(len(self._vapor_heat), x), chebyshev(len(self._vapor_heat[0]), 2.0 * f - 1.0)
        c, c_x, c_y = expanded(self._vapor_heat, at_x, at_y)
        d, d_x, d_y = expanded(self._vapor_departure, at_x, at_y)
        bend = f * (1.0 - f * f)  # - above x the second coordinate's derivative by the dew temperature
        h, h_slope = self.dew_enthalpy(p_abs_pa)
        log, log_slope = self.dew_log_density(p_abs_pa)
        kelvin, dew_kelvin = temperature_cel + _ZERO_CEL, dew + _ZERO_CEL
        density = math.exp(log - d * above) * dew_kelvin / kelvin
        by_p = log_slope + (1.0 / dew_kelvin + d - d_x * by_dew * above + d_y * bend) * dew_slope
        return Vapor(
            h + c * above,
            h_slope + (c_x * by_dew * above - c - c_y * bend) * dew_slope,
            c + c_y * f,
            density,
            density * by_p,
            -density * (1.0 / kelvin + d + d_y * f),
        )

    def _liquid(self, p_abs_pa: float, temperature_cel: float) -> Liquid:
        """Subcooled liquid at an absolute pressure [Pa] and a temperature [Cel].

        Raises OutOfRange above the bubble temperature, where there is vapor in the liquid and its temperature says
        nothing of its enthalpy, farther below it than the data go, and outside their pressures.
        """
        bubble, bubble_slope = self._saturation(self.bubble, self.liquid_range, p_abs_pa, "liquid")
        below = bubble - temperature_cel
        if not 0.0 <= below <= self.span_k:
            raise OutOfRange(
                f"{self.bubble.refrigerant}, liquid temperature",
                value=temperature_cel, low=bubble - self.span_k, high=bubble, unit="Cel",
                remedy=(
                    "Above the bubble temperature the line holds vapor and its temperature does not tell its enthalpy; "
                    "check the clamp, the gauge and the refrigerant's name."
                    if below < 0.0
                    else "Check the probe and the gauge: no condenser subcools that far."
                ),
            )  # fmt: skip
        x, by_bubble = self.liquid_range(bubble)
        f = math.sqrt(below / self.span_k)
        at_x, at_y = chebyshev(len(self._liquid_heat), x), chebyshev(len(self._liquid_heat[0]), 2.0 * f - 1.0)
        c, c_x, c_y = expanded(self._liquid_heat, at_x, at_y)
        h, h_slope = self.bubble_enthalpy(p_abs_pa)
        slope = c + c_y * f
        return Liquid(h - c * below, h_slope - (slope + c_x * by_bubble * below) * bubble_slope, slope)
