"""Moist air as a mixture of perfect gases, as plain libraries compute it: what the real-gas model is shown beside.

Formulas of ASHRAE Handbook Fundamentals 2017, chapter 1 (equations 5, 6, 20, 26, 30, 33 and 35), written here on their
own: nothing of lineset is used. SI: Cel, Pa, kg/kg, J/kg, m3/kg.
"""

from __future__ import annotations

import math


def saturation_pressure(t: float) -> float:
    """Hyland and Wexler 1983 [Pa], over ice below 0 degC."""
    k = t + 273.15
    if t >= 0.0:
        return math.exp(
            -5.8002206e3 / k + 1.3914993 - 4.8640239e-2 * k + 4.1764768e-5 * k**2 - 1.4452093e-8 * k**3
            + 6.5459673 * math.log(k)
        )  # fmt: skip
    return math.exp(
        -5.6745359e3 / k + 6.3925247 - 9.677843e-3 * k + 6.2215701e-7 * k**2 + 2.0747825e-9 * k**3
        - 9.484024e-13 * k**4 + 4.1635019 * math.log(k)
    )  # fmt: skip


def humidity_ratio(t: float, rh_pct: float, p: float) -> float:
    """From dry bulb, relative humidity [%] and pressure."""
    vapor = 0.01 * rh_pct * saturation_pressure(t)
    return 0.621945 * vapor / (p - vapor)


def enthalpy(t: float, w: float) -> float:
    """Per kg of dry air."""
    return 1006.0 * t + w * (2501e3 + 1860.0 * t)


def volume(t: float, w: float, p: float) -> float:
    """Per kg of dry air."""
    return 287.042 * (t + 273.15) * (1.0 + 1.607858 * w) / p


def ratio_from_wet_bulb(t: float, wet: float, p: float) -> float:
    """From dry bulb, wet bulb and pressure."""
    full = humidity_ratio(wet, 100.0, p)
    if wet >= 0.0:
        return ((2501.0 - 2.326 * wet) * full - 1.006 * (t - wet)) / (2501.0 + 1.86 * t - 4.186 * wet)
    return ((2830.0 - 0.24 * wet) * full - 1.006 * (t - wet)) / (2830.0 + 1.86 * t - 2.1 * wet)


def wet_bulb(t: float, w: float, p: float) -> float:
    """By bisection."""
    low, high = -40.0, t
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if ratio_from_wet_bulb(t, middle, p) < w else (low, middle)
    return high


def dew_point(w: float, p: float) -> float:
    """By bisection."""
    low, high = -60.0, 90.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if humidity_ratio(middle, 100.0, p) < w else (low, middle)
    return high
