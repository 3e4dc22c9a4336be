"""Water on its saturation line: pressure over liquid and over ice, enthalpy of liquid and ice. Pure floats.

Temperatures are in Cel, pressures absolute in Pa, enthalpies in J/kg counted from liquid water at 0.01 degC. Below
0 degC the condensed phase is ice, as in psychrometric tables; a wick that is still wet there reads another wet bulb.
"""

from __future__ import annotations

import math

from lineset.physics.errors import OutOfRange

ZERO_CEL = 273.15
LOWEST_CEL, HIGHEST_CEL = -60.0, 120.0

# Liquid: Wagner and Pruss 1993, J. Phys. Chem. Ref. Data 22, 783-787 (IAPWS SR1-86(1992)), equation 1.
_CRITICAL_K, _CRITICAL_PA = 647.096, 22.064e6
_LIQUID = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)
# Ice: Wagner, Riethmann, Feistel and Harvey 2011, J. Phys. Chem. Ref. Data 40, 043103 (IAPWS R14-08(2011)).
_TRIPLE_K, _TRIPLE_PA = 273.16, 611.657
_ICE = (
    (-0.212144006e2, 0.333333333e-2),
    (0.273203819e2, 0.120666667e1),
    (-0.610598130e1, 0.170333333e1),
)


def saturation_pressure(temperature_cel: float) -> tuple[float, float]:
    """Saturation pressure of pure water [Pa] and its slope [Pa/K]: over liquid from 0 degC, over ice below.

    Raises OutOfRange outside -60 .. 120 degC.
    """
    if not LOWEST_CEL <= temperature_cel <= HIGHEST_CEL:
        raise OutOfRange(
            "saturation pressure of water", value=temperature_cel, low=LOWEST_CEL, high=HIGHEST_CEL, unit="Cel",
            remedy="Check the temperature and its unit.",
        )  # fmt: skip
    kelvin = temperature_cel + ZERO_CEL
    if temperature_cel >= 0.0:
        tau = 1.0 - kelvin / _CRITICAL_K
        root = math.sqrt(tau)
        powers = (tau, tau * root, tau**3, tau**3 * root, tau**4, tau**7 * root)
        total = slope = 0.0
        for (factor, exponent), power in zip(_LIQUID, powers, strict=True):
            total += factor * power
            slope += factor * exponent * power / tau
        pressure = _CRITICAL_PA * math.exp(_CRITICAL_K / kelvin * total)
        return pressure, -pressure / kelvin * (slope + _CRITICAL_K / kelvin * total)
    theta = kelvin / _TRIPLE_K
    total = slope = 0.0
    for factor, exponent in _ICE:
        power = factor * theta**exponent
        total += power
        slope += (exponent - 1.0) * power
    pressure = _TRIPLE_PA * math.exp(total / theta)
    return pressure, pressure * slope / (theta * kelvin)


def condensed_enthalpy(temperature_cel: float) -> tuple[float, float]:
    """Enthalpy [J/kg] of liquid water (ice below 0 degC) and its slope [J/(kg K)].

    Liquid: a fourth-degree fit of ours to saturated liquid of IAPWS-95 (through CoolProp 8.0.0), within 30 J/kg from
    0 to 80 degC. Ice: -333.4 + 2.1 t kJ/kg (ASHRAE Handbook Fundamentals 2017, chapter 1, equation 35).
    """
    t = temperature_cel
    if t < 0.0:
        return -333.4e3 + 2.1e3 * t, 2.1e3
    value = -28.29 + t * (4214.1217 + t * (-1.1070485 + t * (1.42266712e-2 - t * 5.60678722e-5)))
    return value, 4214.1217 + t * (-2.214097 + t * (4.26800136e-2 - t * 2.242714888e-4))
