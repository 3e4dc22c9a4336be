"""Air at the site: standard barometric pressure, dry air density, the sensible side of the air flow. SI units."""

from __future__ import annotations

import math

from lineset.physics.errors import OutOfRange

LOWEST_M, HIGHEST_M = -500.0, 11_000.0
STANDARD_PA = 101_325.0
# Gas constant of dry air: ASHRAE Handbook Fundamentals 2017, chapter 1, 287.042 J/(kg K).
_DRY_AIR_J_PER_KG_K = 287.042
# 0.24 Btu/(lb degF), the figure behind the trade's 1.08 (60 min/h x 0.075 lb/ft3 x 0.24): 1004.8 J/(kg K).
_SPECIFIC_HEAT_J_PER_KG_K = 0.24 * 4186.8


def standard_pressure(altitude_m: float) -> float:
    """Absolute pressure [Pa] of the standard atmosphere at an altitude above sea level [m].

    p = 101325 (1 - 2.25577e-5 Z)^5.2559 (ASHRAE Handbook Fundamentals 2017, chapter 1, equation 3), valid from
    -500 m to 11000 m; OutOfRange beyond. Weather moves the true pressure about it.
    """
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise OutOfRange(
            "standard atmosphere", value=altitude_m, low=LOWEST_M, high=HIGHEST_M, unit="m",
            remedy="Give the site's altitude above sea level, or its barometric pressure.",
        )  # fmt: skip
    return STANDARD_PA * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.2559)


def dry_air_density(pressure_pa: float, temperature_cel: float) -> float:
    """Density [kg/m3] of dry air as a perfect gas at an absolute pressure [Pa] and a temperature [Cel]."""
    return pressure_pa / (_DRY_AIR_J_PER_KG_K * (temperature_cel + 273.15))


def temperature_split(return_cel: float, supply_cel: float) -> float:
    """Return minus supply air temperature [K]: positive in cooling."""
    return return_cel - supply_cel


def sensible_heat(volume_flow_m3_s: float, density_kg_m3: float, split_k: float) -> float:
    """Sensible heat rate [W] of an air flow [m3/s] of a density [kg/m3] over a temperature split [K]."""
    return volume_flow_m3_s * density_kg_m3 * _SPECIFIC_HEAT_J_PER_KG_K * split_k
