"""The air side indoors: blower, ducts, filter, the air through the coil, heat strips, and the house. SI; Cel."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lineset_simulators.air import HEAT_DRY, HEAT_VAPOR, MoistAir
from lineset_simulators.plant_config import PlantConfig
from lineset_simulators.refrigerant_circuit import DESIGN_EVAPORATING, INNER_CONDUCTANCE

NOMINAL_FLOW = 0.56  # m3/s, about 400 cfm for each of three tons
_DESIGN_AIR, _DESIGN_RH = 26.7, 51.0
# pressure drops in Pa at nominal flow, clean, and what the blower can hold closed: common practice, no source
_RETURN, _FILTER, _COIL, _SUPPLY, _SHUT_OFF = 45.0, 25.0, 55.0, 50.0, 310.0
_HOUSE_HEAT = 2.4e7  # J/K of air, walls and contents that follow within the hour
_HOUSE_AIR = 2_500.0  # kg of air, and of what takes up moisture like it
_HOUSE_GAIN, _HOUSE_WATER = 4_500.0, 2.0e-4  # W and kg/s that come in


@dataclass(frozen=True)
class Statics:
    """Pa; against the room, or across filter and coil."""

    return_side: float
    supply_side: float
    filter_drop: float
    coil_drop: float


class IndoorAir:
    """State and step of everything that the blower moves air through."""

    def __init__(self, config: PlantConfig, air: MoistAir) -> None:
        self._air = air
        self.room = config.return_air
        self.ratio = air.ratio(config.return_air, config.return_humidity)
        self.filter_dirt, self.coil_dirt = config.filter_dirt, config.indoor_coil_dirt
        self._ducts = config.duct_restriction
        self._strips_rated = config.heat_strips_w
        self.strips_on: list[bool] = [False] * len(config.heat_strips_w)
        self._strips_since = 0.0
        self.spin = 0.0
        self.supply = config.return_air
        self.supply_ratio = self.ratio
        self.wetted_heat = 0.0
        self.total_heat = self.sensible_heat = 0.0
        self._surface_heat = 0.0
        self._coil_wet = 0.0
        self._size(config.capacity_w)
        self._ntu *= config.indoor_coil_size

    def _size(self, capacity_w: float) -> None:
        """The coil's conductance to the air, so that it gives its capacity at the design point."""
        air = self._air
        ratio = air.ratio(_DESIGN_AIR, _DESIGN_RH)
        flow = NOMINAL_FLOW * capacity_w / 10_550.0
        self._nominal = flow
        surface = DESIGN_EVAPORATING + capacity_w / (INNER_CONDUCTANCE * capacity_w / 10_550.0)
        span = air.enthalpy(_DESIGN_AIR, ratio) - air.enthalpy(surface, air.saturated(surface))
        reached = capacity_w / (flow * air.density(_DESIGN_AIR, ratio) * span)
        self._ntu = -math.log(max(1.0 - reached, 0.05))

    def flow(self, drive: float = 1.0) -> float:
        """m3/s; `drive` is how much of its pressure the blower still makes (a weak capacitor makes less)."""
        return self.spin * math.sqrt(_SHUT_OFF * drive / sum(self._drops_per_flow())) * self._nominal

    def _drops_per_flow(self) -> tuple[float, float, float, float, float]:
        """Pa at nominal flow: return, filter, coil, supply, and the blower's own fall from shut-off."""
        clogged = 1.0 / (1.0 - min(self.filter_dirt, 0.9)) ** 2
        dirty = 1.0 / (1.0 - min(self.coil_dirt, 0.9)) ** 2
        coil = _COIL * dirty * (1.0 + 0.2 * self._coil_wet)
        own = _SHUT_OFF - _RETURN - _FILTER / 0.81 - _COIL * 1.2 - _SUPPLY
        return _RETURN * self._ducts, _FILTER * clogged, coil, _SUPPLY * self._ducts, own

    def statics(self, drive: float = 1.0) -> Statics:
        back, filtered, coil, forward, _ = self._drops_per_flow()
        square = (self.flow(drive) / self._nominal) ** 2
        return Statics(-back * square, forward * square, filtered * square, coil * square)

    def strip_watts(self, volts: float) -> list[float]:
        """Each strip's power now: a resistance, so it goes with the square of the volts."""
        return [
            watts * (volts / 240.0) ** 2 if on else 0.0
            for watts, on in zip(self._strips_rated, self.strips_on, strict=True)
        ]

    def sequence(self, dt: float, wanted: int) -> None:
        """Strips come on one by one, 20 s apart, only with the blower turning; and go off at once without it."""
        allowed = wanted if self.spin > 0.5 else 0
        if sum(self.strips_on) > allowed:
            self.strips_on = [n < allowed for n in range(len(self.strips_on))]
        self._strips_since = self._strips_since + dt if allowed > sum(self.strips_on) else 0.0
        if self._strips_since >= 20.0:
            self.strips_on[sum(self.strips_on)] = True
            self._strips_since = 0.0

    def step(
        self, dt: float, evaporating: float, wetted_share: float, superheating: float, heated: float, drive: float
    ) -> None:
        """Advance by `dt` s; `superheating` (W) goes to the coil's dry part, `heated` (W) comes from blower and strips.

        Afterwards `wetted_heat` is what the refrigerant in the coil's wet part gets from the air.
        """
        air = self._air
        density = air.density(self.room, self.ratio)
        mass = max(self.flow(drive), 0.01) * density
        conductance = INNER_CONDUCTANCE * self._nominal / NOMINAL_FLOW * max(wetted_share, 1e-3)
        surface = evaporating + self._surface_heat / conductance
        slower = (self._nominal * density / mass) ** 0.5
        reached = 1.0 - math.exp(-self._ntu * wetted_share * (1.0 - 0.5 * self.coil_dirt) * min(slower, 3.0))
        left = self.room - reached * (self.room - surface)
        condensed = reached * max(self.ratio - air.saturated(surface), 0.0)
        enthalpy_in = air.enthalpy(self.room, self.ratio)
        self.wetted_heat = mass * (enthalpy_in - air.enthalpy(left, self.ratio - condensed))
        self._surface_heat += (self.wetted_heat - self._surface_heat) * (1.0 - math.exp(-dt / 3.0))
        self._coil_wet += ((1.0 if condensed > 1e-5 else 0.0) - self._coil_wet) * (1.0 - math.exp(-dt / 120.0))

        heat = HEAT_DRY + self.ratio * HEAT_VAPOR
        after = left - superheating / (mass * heat) + heated / (mass * heat)
        blowing = min(self.spin, 1.0)
        tau = 15.0 if blowing > 0.3 else 400.0
        share = 1.0 - math.exp(-dt / tau)
        towards, towards_ratio = (after, self.ratio - condensed) if blowing > 0.3 else (self.room, self.ratio)
        self.supply += (min(towards, 95.0) - self.supply) * share
        self.supply_ratio += (towards_ratio - self.supply_ratio) * share

        self.total_heat = self.wetted_heat + superheating
        self.sensible_heat = mass * heat * (self.room - left) + superheating
        self.room += dt * (_HOUSE_GAIN - self.sensible_heat + heated) / _HOUSE_HEAT
        self.ratio += dt * (_HOUSE_WATER - mass * condensed) / _HOUSE_AIR
