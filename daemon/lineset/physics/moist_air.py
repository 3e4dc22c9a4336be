"""Real moist air at the site's pressure: humidity ratio, enthalpy, volume, dew point, wet bulb. Pure floats.

Air and water vapor are a real-gas mixture by second virial coefficients, and the vapor's saturation is raised by the
enhancement factor (Hyland and Wexler 1983, ASHRAE Transactions 89(2A), 500-535), over the saturation pressure of pure
water of physics.water. A plain perfect-gas mixture is 0.4 % low in saturated humidity ratio. Third virial
coefficients, below 2e-5 of the volume here, are left out.

Everything is counted per kg of dry air; enthalpy from dry air at 0 degC and liquid water at 0.01 degC. Temperatures
are in Cel, pressures absolute in Pa, relative humidity in % (of the vapor's mole fraction at saturation at the same
temperature and pressure), humidity ratio in kg/kg, enthalpy in J/kg, volume in m3/kg. Every function returns a Graded:
the value with its analytic partial derivatives, and raises OutOfRange outside -40 .. 80 degC, 45 .. 110 kPa.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

from lineset.physics.errors import OutOfRange
from lineset.physics.water import ZERO_CEL, saturation_pressure

LOWEST_CEL, HIGHEST_CEL = -40.0, 80.0
LOWEST_PA, HIGHEST_PA = 45e3, 110e3

_R = 8.314462618  # J/(mol K), CODATA 2018
_AIR_KG = 28.966e-3  # kg/mol; ASHRAE Handbook Fundamentals 2017, chapter 1
_RATIO = 0.621945  # water's over dry air's molar mass; the same, equation 20
# Volume of condensed water over R [m3 K/J]: it moves the enhancement factor by 1e-5 for a change of 1.5 %.
_LIQUID_VOLUME = 18.015e-3 / 998.0 / _R
_ICE_VOLUME = 18.015e-3 / 917.0 / _R
# Enthalpy of the ideal gases [J/mol], polynomials in K: Hyland and Wexler 1983, equations 13 and of part 2.
_DRY = (-7907.8691, 28.709015, 0.26431805e-2, -0.10405863e-4, 0.18660410e-7, -0.97843331e-11)
_VAPOR = (35994.165, 32.491829, 0.65576345e-2, -0.26442147e-4, 0.51751789e-7, -0.31541624e-10)


# One new reading is asked for several properties of the same state: the parts that they share are kept for a while.
_KEPT = 256


class Graded(NamedTuple):
    """A value with its first derivatives: by the first argument, by the humidity argument, and by the pressure."""

    value: float
    by_temperature: float
    by_humidity: float
    by_pressure: float

    def of(self, inner: Graded) -> Graded:
        """This value of (t, w, p) with `inner`, w of (t, other, p), put in: its derivatives are by (t, other, p)."""
        return Graded(
            self.value,
            self.by_temperature + self.by_humidity * inner.by_temperature,
            self.by_humidity * inner.by_humidity,
            self.by_pressure + self.by_humidity * inner.by_pressure,
        )


def _check(temperature_cel: float, pressure_pa: float) -> None:
    if not LOWEST_CEL <= temperature_cel <= HIGHEST_CEL:
        raise OutOfRange(
            "moist air", value=temperature_cel, low=LOWEST_CEL, high=HIGHEST_CEL, unit="Cel",
            remedy="Check the air temperature and its unit.",
        )  # fmt: skip
    if not LOWEST_PA <= pressure_pa <= HIGHEST_PA:
        raise OutOfRange(
            "moist air", value=pressure_pa, low=LOWEST_PA, high=HIGHEST_PA, unit="Pa",
            remedy="Give the barometric pressure at the site, not reduced to sea level.",
        )  # fmt: skip


class _Virial(NamedTuple):
    """One second virial coefficient: B [m3/mol], dB/dT, B - T dB/dT, and the slope of that last one."""

    b: float
    slope: float
    lift: float
    lift_slope: float


def _virials(kelvin: float) -> tuple[_Virial, _Virial, _Virial]:
    """Air with air, air with water, water with water (Hyland and Wexler 1983, equations 10, 15 and 19)."""
    r = 1.0 / kelvin
    r2 = r * r
    a0, a1, a2, a3 = 0.349568e-4, -0.668772e-2 * r, -0.210141e1 * r2, 0.924746e2 * r2 * r
    air = _Virial(
        a0 + a1 + a2 + a3,
        -r * (a1 + 2.0 * a2 + 3.0 * a3),
        a0 + 2.0 * a1 + 3.0 * a2 + 4.0 * a3,
        -r * (2.0 * a1 + 6.0 * a2 + 12.0 * a3),
    )
    c0, c1, c2, c4 = 0.32366097e-4, -0.141138e-1 * r, -0.1244535e1 * r2, -0.2348789e4 * r2 * r2
    cross = _Virial(
        c0 + c1 + c2 + c4,
        -r * (c1 + 2.0 * c2 + 4.0 * c4),
        c0 + 2.0 * c1 + 3.0 * c2 + 5.0 * c4,
        -r * (2.0 * c1 + 6.0 * c2 + 20.0 * c4),
    )
    rise = -0.147184e-8 * math.exp(1734.29 * r)
    fall = 1734.29 * rise  # per Pa, times K: minus T squared of the slope
    water = _Virial(
        _R * kelvin * (0.70e-8 + rise),
        _R * (0.70e-8 + rise - fall * r),
        _R * fall,
        -_R * 1734.29 * fall * r2,
    )
    return air, cross, water


@lru_cache(_KEPT)
def saturated_fraction(temperature_cel: float, pressure_pa: float) -> tuple[float, float, float]:
    """Mole fraction of vapor in saturated air, and the derivatives of its logarithm by temperature and by pressure.

    The enhancement factor is Hyland and Wexler's equation 18 with second virial coefficients; dissolved air and the
    condensed phase's compressibility, together 2e-5, are left out. Raises OutOfRange also where water would boil.
    """
    _check(temperature_cel, pressure_pa)
    vapor, vapor_slope = saturation_pressure(temperature_cel)
    excess = pressure_pa - vapor
    if not excess > 0.1 * pressure_pa:
        raise OutOfRange(
            "saturated moist air", value=vapor, low=0.0, high=0.9 * pressure_pa, unit="Pa",
            remedy="Water nearly boils at this temperature and pressure; check both.",
        )  # fmt: skip
    kelvin = temperature_cel + ZERO_CEL
    air, cross, water = _virials(kelvin)
    rt = _R * kelvin
    volume = (_LIQUID_VOLUME if temperature_cel >= 0.0 else _ICE_VOLUME) / kelvin
    # all per Pa: the condensed phase's pull less the vapor's, and the mixture's
    pull = volume - water.b / rt
    pull_slope = -volume / kelvin - water.slope / rt + water.b / (rt * kelvin)
    mixed = (air.b - 2.0 * cross.b + water.b) / rt
    mixed_slope = (air.slope - 2.0 * cross.slope + water.slope) / rt - mixed / kelvin
    share = excess / pressure_pa
    log_factor = excess * (pull + share * mixed)
    by_t = excess * (pull_slope + share * mixed_slope) - vapor_slope * (pull + 2.0 * share * mixed)
    by_p = pull + share * mixed * (2.0 - share)
    fraction = math.exp(log_factor) * vapor / pressure_pa
    return fraction, by_t + vapor_slope / vapor, by_p - 1.0 / pressure_pa


def _ratio(fraction: float) -> float:
    return _RATIO * fraction / (1.0 - fraction)


def saturated_ratio(temperature_cel: float, pressure_pa: float) -> tuple[float, float, float]:
    """Saturated humidity ratio and its derivatives by temperature and by pressure."""
    fraction, by_t, by_p = saturated_fraction(temperature_cel, pressure_pa)
    ratio = _ratio(fraction)
    scale = ratio / (1.0 - fraction)
    return ratio, scale * by_t, scale * by_p


@lru_cache(_KEPT)
def humidity_ratio(temperature_cel: float, relative_humidity_pct: float, pressure_pa: float) -> Graded:
    """Humidity ratio [kg/kg] from dry bulb [Cel], relative humidity [%] and pressure [Pa]."""
    if not 0.0 <= relative_humidity_pct <= 100.0:
        raise OutOfRange(
            "relative humidity", value=relative_humidity_pct, low=0.0, high=100.0, unit="%RH",
            remedy="Check the humidity probe: a wet or saturated sensor reads above 100 %.",
        )  # fmt: skip
    full, by_t, by_p = saturated_fraction(temperature_cel, pressure_pa)
    part = 0.01 * relative_humidity_pct
    fraction = part * full
    by_fraction = _RATIO / (1.0 - fraction) ** 2
    return Graded(_ratio(fraction), by_fraction * fraction * by_t, by_fraction * full * 0.01,
                  by_fraction * fraction * by_p)  # fmt: skip


def relative_humidity(temperature_cel: float, ratio: float, pressure_pa: float) -> Graded:
    """Relative humidity [%] from dry bulb [Cel], humidity ratio [kg/kg] and pressure [Pa]; above 100 % is refused."""
    fraction, by_w = _fraction(ratio)
    full, by_t, by_p = saturated_fraction(temperature_cel, pressure_pa)
    value = 100.0 * fraction / full
    if value > 100.0 + 1e-9:
        raise OutOfRange(
            "humidity ratio", value=ratio, low=0.0, high=_ratio(full), unit="kg/kg",
            remedy="Air at this dry bulb cannot hold so much; check both readings.",
        )  # fmt: skip
    return Graded(value, -value * by_t, 100.0 * by_w / full, -value * by_p)


def _fraction(ratio: float) -> tuple[float, float]:
    if not 0.0 <= ratio <= 1.0:
        raise OutOfRange(
            "humidity ratio", value=ratio, low=0.0, high=1.0, unit="kg/kg",
            remedy="Give kg of water per kg of dry air (7000 grains are one pound).",
        )  # fmt: skip
    total = _RATIO + ratio
    return ratio / total, _RATIO / total**2


def _polynomial(coefficients: tuple[float, ...], x: float) -> tuple[float, float]:
    value = slope = 0.0
    for each in reversed(coefficients):
        slope = slope * x + value
        value = value * x + each
    return value, slope


@lru_cache(_KEPT)
def enthalpy(temperature_cel: float, ratio: float, pressure_pa: float) -> Graded:
    """Enthalpy [J per kg of dry air] from dry bulb [Cel], humidity ratio [kg/kg] and pressure [Pa]."""
    _check(temperature_cel, pressure_pa)
    kelvin = temperature_cel + ZERO_CEL
    fraction, by_w = _fraction(ratio)
    dry_part = 1.0 - fraction
    air, cross, water = _virials(kelvin)
    dry, dry_slope = _polynomial(_DRY, kelvin)
    vapor, vapor_slope = _polynomial(_VAPOR, kelvin)
    lift = dry_part**2 * air.lift + 2.0 * dry_part * fraction * cross.lift + fraction**2 * water.lift
    lift_slope = (
        dry_part**2 * air.lift_slope + 2.0 * dry_part * fraction * cross.lift_slope + fraction**2 * water.lift_slope
    )
    lift_by_x = 2.0 * (-dry_part * air.lift + (1.0 - 2.0 * fraction) * cross.lift + fraction * water.lift)
    molar = dry_part * dry + fraction * vapor + pressure_pa * lift
    by_t = dry_part * dry_slope + fraction * vapor_slope + pressure_pa * lift_slope
    by_x = vapor - dry + pressure_pa * lift_by_x
    kilograms = dry_part * _AIR_KG
    value = molar / kilograms
    return Graded(value, by_t / kilograms, (by_x + molar / dry_part) / kilograms * by_w, lift / kilograms)


@lru_cache(_KEPT)
def volume(temperature_cel: float, ratio: float, pressure_pa: float) -> Graded:
    """Volume [m3 per kg of dry air] from dry bulb [Cel], humidity ratio [kg/kg] and pressure [Pa]."""
    _check(temperature_cel, pressure_pa)
    kelvin = temperature_cel + ZERO_CEL
    fraction, by_w = _fraction(ratio)
    dry_part = 1.0 - fraction
    air, cross, water = _virials(kelvin)
    b = dry_part**2 * air.b + 2.0 * dry_part * fraction * cross.b + fraction**2 * water.b
    slope = dry_part**2 * air.slope + 2.0 * dry_part * fraction * cross.slope + fraction**2 * water.slope
    b_by_x = 2.0 * (-dry_part * air.b + (1.0 - 2.0 * fraction) * cross.b + fraction * water.b)
    molar = _R * kelvin / pressure_pa + b
    kilograms = dry_part * _AIR_KG
    return Graded(
        molar / kilograms,
        (_R / pressure_pa + slope) / kilograms,
        (b_by_x + molar / dry_part) / kilograms * by_w,
        -_R * kelvin / pressure_pa**2 / kilograms,
    )


def density(temperature_cel: float, ratio: float, pressure_pa: float) -> Graded:
    """Density of the moist air [kg of mixture per m3] from dry bulb [Cel], humidity ratio [kg/kg], pressure [Pa]."""
    v = volume(temperature_cel, ratio, pressure_pa)
    value = (1.0 + ratio) / v.value
    scale = -value / v.value
    return Graded(value, scale * v.by_temperature, 1.0 / v.value + scale * v.by_humidity, scale * v.by_pressure)
