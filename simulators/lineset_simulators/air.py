"""Moist air of the plant: humidity by CoolProp's tables made at the start, the rest from first principles. SI; Cel."""

from __future__ import annotations

import math

from lineset_simulators.refrigerant import ZERO_CEL

HEAT_DRY, HEAT_VAPOR = 1006.0, 1860.0  # J/(kg K), near 20 Cel
LATENT_0 = 2.501e6  # J/kg at 0 Cel
WATER_TO_AIR = 0.621945  # ratio of molar masses
_COLDEST, _HOTTEST = -20, 60


class MoistAir:
    """Air at one barometric pressure (Pa). Humidity ratios are kg of water for each kg of dry air."""

    def __init__(self, pascals: float) -> None:
        from CoolProp.HumidAirProp import HAPropsSI  # late: heavy

        self.pascals = pascals
        self._saturated = [
            math.log(float(HAPropsSI("W", "T", node + ZERO_CEL, "P", pascals, "R", 1.0)))
            for node in range(_COLDEST, _HOTTEST + 1)
        ]

    def saturated(self, celsius: float) -> float:
        """Humidity ratio of saturated air."""
        place = min(max(celsius - _COLDEST, 0.0), _HOTTEST - _COLDEST - 1e-9)
        index = int(place)
        left = self._saturated[index]
        return math.exp(left + (place - index) * (self._saturated[index + 1] - left))

    def ratio(self, celsius: float, percent: float) -> float:
        """Humidity ratio at a relative humidity in %RH."""
        full = self.saturated(celsius)
        part = percent / 100.0 * full / (WATER_TO_AIR + full)
        return WATER_TO_AIR * part / (1.0 - part)

    def relative(self, celsius: float, ratio: float) -> float:
        """Relative humidity in %RH."""
        full = self.saturated(celsius)
        return 100.0 * ratio / (WATER_TO_AIR + ratio) * (WATER_TO_AIR + full) / full

    def enthalpy(self, celsius: float, ratio: float) -> float:
        """J for each kg of dry air, counted from dry air and liquid water at 0 Cel."""
        return HEAT_DRY * celsius + ratio * (LATENT_0 + HEAT_VAPOR * celsius)

    def density(self, celsius: float, ratio: float) -> float:
        """kg of dry air in a cubic metre."""
        return self.pascals / (287.042 * (celsius + ZERO_CEL) * (1.0 + ratio / WATER_TO_AIR))


def barometer(elevation_m: float) -> float:
    """Pa in the standard atmosphere (ISO 2533) at an elevation below 11 km."""
    return float(101325.0 * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)
