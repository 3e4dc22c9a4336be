"""Dew point and wet bulb of real moist air, and humidity ratio from them. Pure floats; see physics.moist_air.

The wet bulb is the thermodynamic one (adiabatic saturation), which a well-ventilated wick reads within some 0.2 K. At
and above 0 degC water evaporates from it, below 0 degC ice: the two do not join, and air can have either wet bulb for
a stretch just below 0 degC; the one over water is given as long as it is not below 0 degC. Below 0 degC the dew
point is the frost point.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from lineset.physics.errors import OutOfRange
from lineset.physics.moist_air import (
    LOWEST_CEL,
    Graded,
    enthalpy,
    humidity_ratio,
    saturated_fraction,
    saturated_ratio,
    volume,
)
from lineset.physics.water import condensed_enthalpy

_CLOSE_K = 1e-7  # the last Newton step, from this near, is exact to the last digits
_STEPS = 100


_ROUNDING_K = 1e-9


def _root(what: str, rises: Callable[[float], tuple[float, float]], low: float, high: float, guess: float) -> float:
    """Where a rising function, given with its slope, is zero: Newton inside a shrinking bracket."""
    x = min(max(guess, low), high)
    for _ in range(_STEPS):
        miss, slope = rises(x)
        if miss > 0.0:
            high = x
        else:
            low = x
        nearer = x - miss / slope if slope > 0.0 else 0.5 * (low + high)
        if not low <= nearer <= high:
            nearer = 0.5 * (low + high)
        if abs(nearer - x) <= _CLOSE_K:
            return nearer
        x = nearer
    raise OutOfRange(what, value=x, low=low, high=high, unit="Cel", remedy="No such temperature was found.")


def dew_point(temperature_cel: float, ratio: float, pressure_pa: float) -> Graded:
    """Dew point [Cel] of air with a humidity ratio [kg/kg] at a pressure [Pa]; the dry bulb [Cel] only bounds it.

    Raises OutOfRange where the dew point is below -40 degC, or above the dry bulb.
    """
    fraction = ratio / (0.621945 + ratio)
    full = saturated_fraction(temperature_cel, pressure_pa)[0]
    least = saturated_fraction(LOWEST_CEL, pressure_pa)[0]
    if not least <= fraction <= full * (1.0 + 1e-12):
        raise OutOfRange(
            "dew point", value=ratio, low=0.621945 * least / (1.0 - least), high=0.621945 * full / (1.0 - full),
            unit="kg/kg",
            remedy="The dew point is below -40 degC or above the dry bulb; check the humidity reading.",
        )  # fmt: skip
    goal = math.log(fraction)

    def miss(x: float) -> tuple[float, float]:
        at, by_t, _ = saturated_fraction(x, pressure_pa)
        return math.log(at) - goal, by_t

    part = max(fraction / full, 1e-9)
    # Magnus' shape is near enough for a first guess.
    guess = temperature_cel + math.log(part) * 16.0
    value = _root("dew point", miss, LOWEST_CEL, temperature_cel, guess)
    _, by_t, by_p = saturated_fraction(value, pressure_pa)
    return Graded(value, 0.0, 0.621945 / (ratio * (0.621945 + ratio)) / by_t, -by_p / by_t)


def _deficit(wet_cel: float, ratio: float, pressure_pa: float) -> tuple[float, float, float, float]:
    """Enthalpy of air saturated at the wet bulb, less that of the water it took up, with its slopes by t, w, p."""
    full, full_t, full_p = saturated_ratio(wet_cel, pressure_pa)
    h = enthalpy(wet_cel, full, pressure_pa)
    water, water_slope = condensed_enthalpy(wet_cel)
    taken = full - ratio
    return (
        h.value - taken * water,
        h.by_temperature + (h.by_humidity - water) * full_t - taken * water_slope,
        water,
        h.by_pressure + (h.by_humidity - water) * full_p,
    )


def wet_bulb(temperature_cel: float, ratio: float, pressure_pa: float) -> Graded:
    """Thermodynamic wet bulb [Cel] from dry bulb [Cel], humidity ratio [kg/kg] and pressure [Pa].

    h(t, w) + (ws(t*) - w) h_water(t*) = h(t*, ws(t*)) (ASHRAE Handbook Fundamentals 2017, chapter 1, equation 33).
    Raises OutOfRange where the air holds more than saturation, or the wet bulb is below -40 degC.
    """
    h = enthalpy(temperature_cel, ratio, pressure_pa)
    full = saturated_ratio(temperature_cel, pressure_pa)[0]
    if ratio > full * (1.0 + 1e-12):
        raise OutOfRange(
            "wet bulb", value=ratio, low=0.0, high=full, unit="kg/kg",
            remedy="The humidity ratio is above saturation at this dry bulb; check both readings.",
        )  # fmt: skip

    def miss(x: float) -> tuple[float, float]:
        value, slope, _, _ = _deficit(x, ratio, pressure_pa)
        return value - h.value, slope

    low, high = LOWEST_CEL, temperature_cel
    if temperature_cel > 0.0:
        if miss(0.0)[0] <= 0.0:
            low = 0.0
        else:
            high = math.nextafter(0.0, -1.0)
    if low == LOWEST_CEL and miss(low)[0] > 0.0:
        raise OutOfRange(
            "wet bulb", value=ratio, low=0.0, high=full, unit="kg/kg",
            remedy="The wet bulb is below -40 degC; check both readings.",
        )  # fmt: skip
    # one Newton step from the dry bulb overshoots; from there on the curve bends the good way
    guess = temperature_cel - (full - ratio) * 2.45e6 / (1006.0 + 1.4e5 * full)
    value = _root("wet bulb", miss, low, high, guess)
    _, slope, by_w, by_p = _deficit(value, ratio, pressure_pa)
    return Graded(value, h.by_temperature / slope, (h.by_humidity - by_w) / slope, (h.by_pressure - by_p) / slope)


def ratio_from_wet_bulb(temperature_cel: float, wet_bulb_cel: float, pressure_pa: float) -> Graded:
    """Humidity ratio [kg/kg] from dry bulb [Cel], thermodynamic wet bulb [Cel] and pressure [Pa].

    Raises OutOfRange for a wet bulb above the dry bulb, or one too low for any air of this dry bulb.
    """
    if temperature_cel < wet_bulb_cel <= temperature_cel + _ROUNDING_K:
        wet_bulb_cel = temperature_cel  # equal as typed, and apart by a last bit since they were converted
    if wet_bulb_cel > temperature_cel:
        raise OutOfRange(
            "wet bulb", value=wet_bulb_cel, low=LOWEST_CEL, high=temperature_cel, unit="Cel",
            remedy="A wet bulb cannot be above its dry bulb: the probes are swapped, apart, or one is off.",
        )  # fmt: skip

    def miss(w: float) -> tuple[float, float, Graded, tuple[float, float, float, float]]:
        h = enthalpy(temperature_cel, w, pressure_pa)
        wet = _deficit(wet_bulb_cel, w, pressure_pa)
        return h.value - wet[0], h.by_humidity - wet[2], h, wet

    if miss(0.0)[0] > 0.0:
        raise OutOfRange(
            "wet bulb", value=wet_bulb_cel, low=LOWEST_CEL, high=temperature_cel, unit="Cel",
            shown=f"{wet_bulb_cel:.2f} Cel is {{side}} what even dry air of {temperature_cel:.2f} Cel can cool to",
            remedy="Check both probes, and that the wick is wet and aired.",
        )  # fmt: skip
    ratio = saturated_ratio(wet_bulb_cel, pressure_pa)[0]
    for _ in range(_STEPS):
        off, slope, _, _ = miss(ratio)
        step = off / slope
        ratio = max(ratio - step, 0.0)
        if abs(step) <= 1e-15:
            break
    _, slope, h, wet = miss(ratio)
    return Graded(ratio, -h.by_temperature / slope, wet[1] / slope, (wet[3] - h.by_pressure) / slope)


def ratio_from_dew_point(temperature_cel: float, dew_point_cel: float, pressure_pa: float) -> Graded:
    """Humidity ratio [kg/kg] from dry bulb [Cel], dew point [Cel] and pressure [Pa].

    Raises OutOfRange for a dew point above the dry bulb.
    """
    if dew_point_cel > temperature_cel:
        raise OutOfRange(
            "dew point", value=dew_point_cel, low=LOWEST_CEL, high=temperature_cel, unit="Cel",
            remedy="A dew point cannot be above its dry bulb; check both readings.",
        )  # fmt: skip
    value, by_t, by_p = saturated_ratio(dew_point_cel, pressure_pa)
    return Graded(value, 0.0, by_t, by_p)


def wet_bulb_of(temperature_cel: float, relative_humidity_pct: float, pressure_pa: float) -> Graded:
    """Wet bulb [Cel] from dry bulb [Cel], relative humidity [%] and pressure [Pa]."""
    inner = humidity_ratio(temperature_cel, relative_humidity_pct, pressure_pa)
    return wet_bulb(temperature_cel, inner.value, pressure_pa).of(inner)


def dew_point_of(temperature_cel: float, relative_humidity_pct: float, pressure_pa: float) -> Graded:
    """Dew point [Cel] from dry bulb [Cel], relative humidity [%] and pressure [Pa]."""
    inner = humidity_ratio(temperature_cel, relative_humidity_pct, pressure_pa)
    return dew_point(temperature_cel, inner.value, pressure_pa).of(inner)


def enthalpy_of(temperature_cel: float, relative_humidity_pct: float, pressure_pa: float) -> Graded:
    """Enthalpy [J per kg of dry air] from dry bulb [Cel], relative humidity [%] and pressure [Pa]."""
    inner = humidity_ratio(temperature_cel, relative_humidity_pct, pressure_pa)
    return enthalpy(temperature_cel, inner.value, pressure_pa).of(inner)


def volume_of(temperature_cel: float, relative_humidity_pct: float, pressure_pa: float) -> Graded:
    """Volume [m3 per kg of dry air] from dry bulb [Cel], relative humidity [%] and pressure [Pa]."""
    inner = humidity_ratio(temperature_cel, relative_humidity_pct, pressure_pa)
    return volume(temperature_cel, inner.value, pressure_pa).of(inner)
