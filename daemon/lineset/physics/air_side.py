"""The indoor coil's air side: airflow by four ways, capacity from the air's states, condensate, bypass.

Written over Gradients, so that every result carries its partial derivatives. SI: m3/s, W, kg/s of dry air or water,
Cel, Pa, kg/kg, J/kg. Volume flows are at the state of the air where they are measured, not of standard air.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from lineset.physics import moist_air
from lineset.physics.errors import OutOfRange
from lineset.physics.gradient import Gradient, chained
from lineset.physics.water import condensed_enthalpy

# With no humidity known, a heat rise is worked out at this ratio, 45 % at 21 degC. Volume and specific heat change
# alike with it, so that the airflow differs by less than 0.2 % between 0.002 and 0.014.
ASSUMED_RATIO = 0.007


class Air(NamedTuple):
    """A state of the air: dry bulb [Cel], humidity ratio [kg/kg], enthalpy [J/kg], volume [m3/kg], all per dry air."""

    dry_bulb: Gradient
    ratio: Gradient
    enthalpy: Gradient
    volume: Gradient
    pressure: Gradient


def _graded(found: moist_air.Graded, t: Gradient, humidity: Gradient, p: Gradient) -> Gradient:
    return chained(found.value, (found.by_temperature, t), (found.by_humidity, humidity), (found.by_pressure, p))


def air(dry_bulb: Gradient, relative_humidity_pct: Gradient, pressure: Gradient) -> Air:
    """The state of air from dry bulb [Cel], relative humidity [%] and absolute pressure [Pa]. Raises OutOfRange."""
    found = moist_air.humidity_ratio(dry_bulb.value, relative_humidity_pct.value, pressure.value)
    return air_of_ratio(dry_bulb, _graded(found, dry_bulb, relative_humidity_pct, pressure), pressure)


def air_of_ratio(dry_bulb: Gradient, ratio: Gradient, pressure: Gradient) -> Air:
    """The state of air from dry bulb [Cel], humidity ratio [kg/kg] and absolute pressure [Pa]. Raises OutOfRange."""
    state = (dry_bulb.value, ratio.value, pressure.value)
    h = _graded(moist_air.enthalpy(*state), dry_bulb, ratio, pressure)
    v = _graded(moist_air.volume(*state), dry_bulb, ratio, pressure)
    return Air(dry_bulb, ratio, h, v, pressure)


# ------------------------------------------------------------------------------------------------------------ airflow


def mass_flow(volume_flow: Gradient, at: Air) -> Gradient:
    """Dry air [kg/s] in a volume flow [m3/s] of the air `at` which it is measured. Raises OutOfRange at or below 0."""
    if not 0.0 < volume_flow.value < math.inf:
        raise OutOfRange(
            "airflow", value=volume_flow.value, low=0.0, high=math.inf, unit="m3/s",
            remedy="Give the airflow as a number above zero; check that the blower runs.",
        )  # fmt: skip
    return volume_flow / at.volume


def heat_rise_airflow(heat_w: Gradient, return_cel: Gradient, supply_cel: Gradient, pressure: Gradient) -> Gradient:
    """Airflow [m3/s, at the return air's state] from electric heat [W] and the air's rise over it.

    The heat is that of strips and blower together, steady, with a dry coil and no cooling. Raises OutOfRange for a
    rise below 2 K, where the quotient says nothing, or a heat that is not above zero.
    """
    rise = supply_cel.value - return_cel.value
    if not 2.0 <= rise <= 80.0:
        raise OutOfRange(
            "airflow from heat rise", value=rise, low=2.0, high=80.0, unit="K",
            remedy="Supply air must be well above return air: strips on, steady, the probe out of their sight.",
        )  # fmt: skip
    if not 0.0 < heat_w.value < math.inf:
        raise OutOfRange(
            "airflow from heat rise", value=heat_w.value, low=0.0, high=math.inf, unit="W",
            remedy="Current and voltage of the strips must be above zero, read at the same moment.",
        )  # fmt: skip
    ratio = chained(ASSUMED_RATIO, (0.0, pressure))
    entering = air_of_ratio(return_cel, ratio, pressure)
    leaving = air_of_ratio(supply_cel, ratio, pressure)
    return heat_w * entering.volume / (leaving.enthalpy - entering.enthalpy)


def duct_airflow(velocity_m_s: Gradient, area_m2: float) -> Gradient:
    """Airflow [m3/s] from the mean velocity [m/s] over a duct's free area [m2]. Raises OutOfRange."""
    if not 0.0 < velocity_m_s.value <= 30.0:
        raise OutOfRange(
            "airflow from velocity", value=velocity_m_s.value, low=0.0, high=30.0, unit="m/s",
            remedy="Give the mean of a traverse, without a sign; residential ducts stay below 10 m/s (2000 fpm).",
        )  # fmt: skip
    if not 0.0 < area_m2 < math.inf:
        raise OutOfRange(
            "airflow from velocity", value=area_m2, low=0.0, high=math.inf, unit="m2",
            remedy="Give the duct's free inside area, lining subtracted.",
        )  # fmt: skip
    return velocity_m_s * area_m2


def blower_airflow(table: Sequence[tuple[float, float]], external_static_pa: Gradient) -> Gradient:
    """Airflow [m3/s] from a maker's blower table, rows of (total external static [Pa], airflow [m3/s]), rising static.

    Straight lines between rows; OutOfRange beyond its ends, where the maker says nothing.
    """
    low, high = table[0][0], table[-1][0]
    static = external_static_pa.value
    if not low <= static <= high:
        raise OutOfRange(
            "airflow from blower table", value=static, low=low, high=high, unit="Pa",
            remedy="The external static is outside the maker's table; check both probes, their signs, and the tap.",
        )  # fmt: skip
    for (left, at_left), (right, at_right) in itertools.pairwise(table):
        if static <= right:
            slope = (at_right - at_left) / (right - left)
            return chained(at_left + slope * (static - left), (slope, external_static_pa))
    return chained(table[-1][1], (0.0, external_static_pa))


# ----------------------------------------------------------------------------------------------------------- capacity


class Duty(NamedTuple):
    """What a coil does to the air: total, sensible and latent heat taken out [W], water taken out [kg/s]."""

    total: Gradient
    sensible: Gradient
    latent: Gradient
    condensate: Gradient


def cooling_duty(dry_air_kg_s: Gradient, entering: Air, leaving: Air) -> Duty:
    """Heat and water taken out of an air flow between two states; nothing is clamped: heating is negative.

    Total is m ((h1 - h2) - (w1 - w2) h_water), the condensate leaving at the supply air's dry bulb; sensible is the
    enthalpy difference at the leaving humidity ratio; latent is the rest (ASHRAE Handbook Fundamentals, chapter 1,
    the example of moist air cooling and dehumidification).
    """
    water, slope = condensed_enthalpy(leaving.dry_bulb.value)
    condensate = dry_air_kg_s * (entering.ratio - leaving.ratio)
    total = dry_air_kg_s * (entering.enthalpy - leaving.enthalpy)
    total = total - condensate * chained(water, (slope, leaving.dry_bulb))
    dried = air_of_ratio(entering.dry_bulb, leaving.ratio, entering.pressure)
    sensible = dry_air_kg_s * (dried.enthalpy - leaving.enthalpy)
    return Duty(total, sensible, total - sensible, condensate)


def sensible_heat_ratio(entering: Air, leaving: Air) -> Gradient:
    """Sensible over total heat taken out, which needs no airflow. Raises OutOfRange unless the air is cooled."""
    duty = cooling_duty(chained(1.0, (0.0, entering.dry_bulb)), entering, leaving)
    if not duty.total.value > 500.0 or not duty.sensible.value > 0.0:
        raise OutOfRange(
            "sensible heat ratio", value=duty.total.value, low=500.0, high=math.inf, unit="J/kg",
            remedy="The supply air is hardly cooler than the return air; the ratio exists in cooling only.",
        )  # fmt: skip
    return duty.sensible / duty.total


def apparatus_dew_point(entering: Air, leaving: Air) -> Gradient:
    """Where the straight line from the entering to the leaving state meets saturation [Cel].

    Raises OutOfRange when the coil is dry, or when the line passes saturation by: then no bypass factor exists, and
    humidity probes that disagree by a few percent are the usual cause.
    """
    warm, cold = entering.dry_bulb.value, leaving.dry_bulb.value
    if not warm - cold > 1.0 or not entering.ratio.value > leaving.ratio.value:
        raise OutOfRange(
            "apparatus dew point", value=warm - cold, low=1.0, high=math.inf, unit="K",
            remedy="The coil must cool and dry the air; a dry coil has no bypass factor of this kind.",
        )  # fmt: skip
    incline = (entering.ratio - leaving.ratio) / (entering.dry_bulb - leaving.dry_bulb)
    p = entering.pressure
    value = _meeting_point(cold, leaving.ratio.value, incline.value, p.value)
    _, by_t, by_p = moist_air.saturated_ratio(value, p.value)
    slope = by_t - incline.value
    # implicit: saturated(t, p) = w2 + incline (t - t2)
    off = leaving.ratio + incline * (value - leaving.dry_bulb)
    return chained(value, (1.0 / slope, off), (-by_p / slope, p))


@lru_cache(64)
def _meeting_point(cold: float, ratio: float, incline: float, pressure: float) -> float:
    """The warmest temperature [Cel] below `cold` at which saturation meets the line through (cold, ratio)."""

    def above(t: float) -> tuple[float, float]:
        full, by_t, _ = moist_air.saturated_ratio(t, pressure)
        return full - ratio - incline * (t - cold), by_t - incline

    high, low = cold, cold
    while above(low)[0] > 0.0:
        high, low = low, low - 1.0
        if low < -10.0:
            raise OutOfRange(
                "apparatus dew point", value=low, low=-10.0, high=cold, unit="Cel",
                remedy="The line between the two states misses saturation; compare the humidity probes side by side.",
            )  # fmt: skip
    x = 0.5 * (low + high)
    for _ in range(60):
        miss, slope = above(x)
        low, high = (low, x) if miss > 0.0 else (x, high)
        nearer = x - miss / slope if slope > 0.0 else low
        if not low <= nearer <= high:
            nearer = 0.5 * (low + high)
        if abs(nearer - x) < 1e-9:
            return nearer
        x = nearer
    return x


def bypass_factor(entering: Air, leaving: Air) -> Gradient:
    """(T_leaving - T_adp) / (T_entering - T_adp) (definition; from memory). Raises OutOfRange as the dew point does."""
    adp = apparatus_dew_point(entering, leaving)
    return (leaving.dry_bulb - adp) / (entering.dry_bulb - adp)
