"""The refrigerant circuit of the plant: compressor, two coils, metering device, charge. Lumped, first order. SI; Cel.

Two saturation temperatures (of the dew point in the indoor coil, of the bubble point in the outdoor coil) follow from
energy balances, the liquid in the indoor coil from a mass balance; what is left of the charge lies in the outdoor
coil. Superheat grows with the dry part of the indoor coil, subcooling with the flooded part of the outdoor coil.
At rest the liquid moves to the colder coil: through the metering device, or as vapor past the compressor's valves.
Sizes are found when the circuit is built, so that it gives its capacity at the design point.

Gas that does not condense (air, nitrogen) is swept into the outdoor coil while it runs, where its pressure adds to that
of the condensing refrigerant, and is everywhere at rest. That it also hinders heat transfer is left out.

Proportions (share of a coil that is dry, hold-up, lags) are judgement: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lineset_simulators.plant_config import PlantConfig
from lineset_simulators.refrigerant import ZERO_CEL, Refrigerant

DESIGN_EVAPORATING, DESIGN_CONDENSING = 7.5, 46.5
DESIGN_SUPERHEAT, DESIGN_SUBCOOLING = 5.0, 5.5
_WETTED = 0.83  # part of the indoor coil that holds liquid at the design point
_VAPOR_NTU = 1.8  # of the whole indoor coil, were it dry
_FLOODED = 0.08  # part of the outdoor coil that holds subcooled liquid at the design point
_LIQUID_NTU = 8.1  # of the whole outdoor coil, were it flooded
_INDOOR_KG, _OUTDOOR_KG, _OUTDOOR_FULL_KG, _LINE_KG = 0.78, 0.70, 3.2, 0.42  # of a liquid of 1000 kg/m3
_INDOOR_HEAT, _OUTDOOR_HEAT = 9_000.0, 16_000.0  # J/K of metal and liquid in each coil
INNER_CONDUCTANCE = 2_300.0  # W/K between refrigerant and surface of the indoor coil, at the design point
_EFFICIENCY = 0.66  # of the compressor with its motor, against isentropic
_FLASH = 0.5  # part of the liquid's saturation pressure that stays in the throat of the bore as it flashes
_TXV_CLOSED_AT, _TXV_PER_K, _TXV_BLEED, _TXV_WIDEST, _TXV_LAG_S = -0.5, 0.18, 0.12, 1.7, 4.0
_VALVES = 1.0  # way through the valves of a standing compressor, against the bore
_VOLUME, _OUTDOOR_VOLUME = 8.0e-3, 3.2e-3  # m3 inside the whole circuit, and inside the outdoor coil
_GAS_LAG_S = 60.0  # in which gas that does not condense is swept into the outdoor coil, or spreads again
_SMOOTH_PA = 20_000.0  # flow through the bore is laminar below this difference, so that it stops gently


def _lag(old: float, new: float, dt: float, tau: float) -> float:
    return new + (old - new) * math.exp(-dt / tau)


@dataclass(frozen=True)
class Surroundings:
    """What the circuit meets from outside during one step."""

    indoor_heat: float  # W taken from the air by the wet part of the indoor coil
    indoor_air: float  # Cel, entering the indoor coil
    outdoor_air: float  # Cel
    outdoor_capacity_rate: float  # W/K of the air through the outdoor coil
    outdoor_conductance: float  # W/K of the outdoor coil as dirty and ventilated as it is
    outdoor_share: float = 1.0  # that conductance against the clean coil's


class Circuit:
    """State and step of the refrigerant circuit. `running` is 0 (compressor standing) to 1."""

    def __init__(self, config: PlantConfig, refrigerant: Refrigerant) -> None:
        self._ref = refrigerant
        self._txv = config.metering == "txv"
        self._wear = config.compressor_wear
        self._restriction = 1.0 - config.liquid_line_restriction
        self._size(config.capacity_w)
        kg = refrigerant.liquid_density(40.0) / 1000.0
        self._indoor_full, self._outdoor_two_phase = _INDOOR_KG * kg, _OUTDOOR_KG * kg
        self._outdoor_full = _OUTDOOR_FULL_KG * kg
        self.nominal_charge = kg * (_INDOOR_KG * _WETTED + _OUTDOOR_KG + _OUTDOOR_FULL_KG * _FLOODED + _LINE_KG)
        self._line = _LINE_KG * kg
        self.charge = self.nominal_charge * config.charge_fraction
        self._gas = config.non_condensables * 101_325.0 * _VOLUME / 298.15  # Pa m3/K
        self._swept = 0.0  # part of it that has been swept into the outdoor coil
        self._rest(config.outdoor_air, config.return_air)
        self.vapor_line = self.liquid_line = self.discharge_line = config.outdoor_air
        self._opening = self._bulb_opening()
        self.flow = 0.0  # kg/s through the compressor
        self.compressor_watts = 0.0
        self.rejected = 0.0  # W to the outdoor air
        self.superheating = 0.0  # W taken from the indoor air by the dry part of the coil
        self.refrigerating = 0.0  # W, from liquid line to suction

    def _rest(self, outdoor: float, indoor: float) -> None:
        """As after hours at rest: the liquid lies in the colder coil, and its saturation pressure is everywhere."""
        ref = self._ref
        # by pressure, not by temperature: what is dew in one coil and bubble in the other differs by a mixture's glide
        if ref.dew_pressure(indoor) < ref.bubble_pressure(outdoor):
            self.indoor_kg = self.charge - self._line
            self.evaporating = indoor
            self.condensing = ref.temperature_bubble(ref.dew_pressure(indoor))
        else:
            self.indoor_kg = 0.0
            self.condensing = outdoor
            self.evaporating = ref.temperature_dew(ref.bubble_pressure(outdoor))
        self.suction = indoor

    def _size(self, capacity_w: float) -> None:
        ref = self._ref
        te, tc = DESIGN_EVAPORATING, DESIGN_CONDENSING
        low, high = ref.dew_pressure(te), ref.bubble_pressure(tc)
        gained = ref.vapor_enthalpy(te) + ref.vapor_heat(te) * DESIGN_SUPERHEAT
        brought = ref.liquid_enthalpy(tc) - ref.liquid_heat(tc) * DESIGN_SUBCOOLING
        flow = capacity_w / (gained - brought)
        density = self._suction_density(te, DESIGN_SUPERHEAT)
        self._displacement = flow / (density * self._volumetric(high / low))
        drop = high - _FLASH * ref.bubble_pressure(tc - DESIGN_SUBCOOLING)
        self._bore = flow / math.sqrt(2.0 * ref.liquid_density(tc) * drop)
        self._exponent = _polytropic(ref, te, DESIGN_SUPERHEAT, low, high)
        self._design_flow = flow
        work = self._work(low, density, high / low)
        self.design_rejection = flow * (gained - brought + work)

    def _suction_density(self, celsius: float, superheat: float) -> float:
        kelvin = celsius + ZERO_CEL
        return self._ref.vapor_density(celsius) * kelvin / (kelvin + superheat)

    @staticmethod
    def _volumetric(ratio: float) -> float:
        return max(0.3, 0.97 - 0.016 * (ratio - 1.0))

    def _work(self, low: float, density: float, ratio: float) -> float:
        """J/kg of shaft and losses of motor and compression."""
        n = self._exponent
        ideal = n / (n - 1.0) * low / density * (max(ratio, 1.0) ** ((n - 1.0) / n) - 1.0)
        # a floor for friction: a compressor with nothing to lift still takes power
        return float((ideal + 3_000.0) / (_EFFICIENCY + 0.06))

    @property
    def wetted(self) -> float:
        """Part of the indoor coil that holds liquid."""
        return min(self.indoor_kg / self._indoor_full, 1.0)

    @property
    def wetted_share(self) -> float:
        """Wetted part against that of the design point."""
        return self.wetted / _WETTED

    @property
    def outdoor_kg(self) -> float:
        return max(self.charge - self._line - self.indoor_kg, 0.0)

    @property
    def flooded(self) -> float:
        """Part of the outdoor coil that is full of liquid; below zero where there is not enough for a liquid seal."""
        return min((self.outdoor_kg - self._outdoor_two_phase) / self._outdoor_full, 0.9)

    def gas_pressures(self) -> tuple[float, float]:
        """Pa that gas which does not condense adds in the indoor and in the outdoor coil."""
        if self._gas == 0.0:
            return 0.0, 0.0
        density = self._ref.liquid_density(self.condensing)
        whole = max(_VOLUME - self.charge / density, 0.3 * _VOLUME)
        coil = max(_OUTDOOR_VOLUME - self.outdoor_kg / density, 0.2 * _OUTDOOR_VOLUME)
        spread = (1.0 - self._swept) * self._gas / whole
        warm = self.condensing + ZERO_CEL
        return spread * (self.evaporating + ZERO_CEL), (spread + self._swept * self._gas / coil) * warm

    def pressures(self) -> tuple[float, float, float]:
        """Absolute Pa at the vapor service port, the liquid service port and the compressor's discharge."""
        load = (self.flow / self._design_flow) ** 2
        gas_low, gas_high = self.gas_pressures()
        low = self._ref.dew_pressure(self.evaporating) + gas_low - 18_000.0 * load
        high = self._ref.bubble_pressure(self.condensing) + gas_high
        return low, high, high + 35_000.0 * load

    def _bulb_opening(self) -> float:
        if not self._txv:
            return 1.0
        superheat = self.suction - self.evaporating
        return min(max((superheat - _TXV_CLOSED_AT) * _TXV_PER_K, _TXV_BLEED), _TXV_WIDEST)

    def step(self, dt: float, running: float, around: Surroundings) -> None:
        """Advance by `dt` s (at most a quarter of a second for stability)."""
        ref, te, tc = self._ref, self.evaporating, self.condensing
        self._swept = _lag(self._swept, 1.0 if running > 0.5 else 0.0, dt, _GAS_LAG_S)
        gas_low, gas_high = self.gas_pressures()
        low, high = ref.dew_pressure(te) + gas_low, ref.bubble_pressure(tc) + gas_high
        superheat, wetness = self._suction_state(dt, running, around)
        density = self._suction_density(te, superheat) / (1.0 - wetness)
        ratio = max(high / low, 1.0)
        self.flow = running * self._displacement * self._volumetric(ratio) * density * (1.0 - self._wear)
        work = self._work(low, density, ratio)
        self.compressor_watts = self.flow / (1.0 - self._wear) * work
        latent = ref.vapor_enthalpy(te) - ref.liquid_enthalpy(te)
        sucked = ref.vapor_enthalpy(te) + ref.vapor_heat(te) * superheat - wetness * latent

        liquid_flow, vapor_flow, leaving, subcooled = self._metered(running, low, high, around)
        self.rejected = self._to_outdoor_air(around, running)
        self.superheating = self.flow * ref.vapor_heat(te) * superheat * (1.0 if wetness == 0.0 else 0.0)
        carried = vapor_flow * latent
        indoor_j = around.indoor_heat + self.superheating + carried
        indoor_j += liquid_flow * (leaving - ref.liquid_enthalpy(te)) - self.flow * (sucked - ref.liquid_enthalpy(te))
        discharged = sucked + (self.compressor_watts / self.flow * 0.94 if self.flow > 1e-6 else 0.0)
        outdoor_j = self.flow * (discharged - ref.liquid_enthalpy(tc)) - carried - self.rejected
        outdoor_j += liquid_flow * (ref.liquid_enthalpy(tc) - leaving)
        self.refrigerating = self.flow * (sucked - leaving)

        self.evaporating = max(te + dt * indoor_j / _INDOOR_HEAT, -40.0)
        self.condensing = min(tc + dt * outdoor_j / _OUTDOOR_HEAT, 66.0)
        gathered = self.indoor_kg + dt * (liquid_flow + vapor_flow - self.flow)
        self.indoor_kg = min(max(gathered, 0.0), self.charge - self._line)
        self._opening = _lag(self._opening, self._bulb_opening(), dt, _TXV_LAG_S)
        self._lines(dt, running, around.outdoor_air, subcooled, discharged)

    def _suction_state(self, dt: float, running: float, around: Surroundings) -> tuple[float, float]:
        """Superheat (K) leaving the indoor coil, and wetness where liquid is carried over."""
        te = self.evaporating
        dry = max(1.0 - self.wetted, 0.0)
        reached = 1.0 - math.exp(-dry * _VAPOR_NTU * self._design_flow / max(self.flow, 0.2 * self._design_flow))
        leaving = te + max(around.indoor_air - te, 0.0) * reached
        self.suction = _lag(self.suction, leaving, dt, 3.0 if running > 0.5 else 40.0)
        over = self.indoor_kg / self._indoor_full - 1.0
        wetness = min(max(over, 0.0) * 0.6, 0.3) if running > 0.5 else 0.0
        return max(self.suction - te, 0.0), wetness

    def _metered(
        self, running: float, low: float, high: float, around: Surroundings
    ) -> tuple[float, float, float, float]:
        """Liquid and vapor (kg/s) through the metering device, enthalpy ahead of it, temperature of the liquid."""
        ref, tc = self._ref, self.condensing
        flooded = self.flooded
        subcooled = tc
        if flooded > 0.0 and running > 0.0:
            slower = self._design_flow / max(self.flow, 0.3 * self._design_flow)
            reached = math.exp(-flooded * _LIQUID_NTU * around.outdoor_share * slower)
            subcooled = min(around.outdoor_air + (tc - around.outdoor_air) * reached, tc)
        sealed_on = min(1.0, max(0.1, 1.0 + 5.0 * flooded))
        sealed_off = min(self.outdoor_kg / (0.4 * self._outdoor_two_phase), 1.0)
        sealed = running * sealed_on + (1.0 - running) * sealed_off
        leaving = ref.liquid_enthalpy(tc) - ref.liquid_heat(tc) * (tc - subcooled)
        if flooded < 0.0 and running > 0.0:
            latent = ref.vapor_enthalpy(tc) - ref.liquid_enthalpy(tc)
            leaving += running * min(0.3, -2.0 * flooded) * latent
        bore = self._bore * self._opening * self._restriction
        drop = min(high - low, high - _FLASH * ref.bubble_pressure(subcooled))
        liquid = bore * sealed * _through(drop, ref.liquid_density(subcooled)) if drop > 0 else 0.0
        # gas goes through while the sides equalise; once running the seal, or the foam, leaves it no way
        vapor = (1.0 - running) * bore * (1.0 - sealed) * _through(high - low, ref.vapor_density(tc))
        # the valves of a standing compressor open towards its discharge
        way = (1.0 - running) * self._bore * _VALVES
        vapor -= way * max(_through(low - high, ref.vapor_density(self.evaporating)), 0.0)
        return liquid, vapor, leaving, subcooled

    def _to_outdoor_air(self, around: Surroundings, running: float) -> float:
        rate = max(around.outdoor_capacity_rate, 1.0)
        open_part = 1.0 - max(self.flooded, 0.0) * running
        reached = 1.0 - math.exp(-around.outdoor_conductance * open_part / rate)
        heat = rate * reached * (self.condensing - around.outdoor_air)
        # a coil with hardly any liquid cannot take heat from warmer air
        return heat if heat > 0.0 or self.outdoor_kg > 0.05 else 0.0

    def _lines(self, dt: float, running: float, outdoor: float, subcooled: float, discharged: float) -> None:
        if running > 0.5:
            self.vapor_line = _lag(self.vapor_line, self.suction + 0.05 * (outdoor - self.suction), dt, 10.0)
            self.liquid_line = _lag(self.liquid_line, subcooled, dt, 10.0)
            vapor = self._ref.vapor_enthalpy(self.condensing)
            hot = self.condensing + (discharged - vapor) / max(self._ref.vapor_heat(self.condensing), 800.0)
            self.discharge_line = _lag(self.discharge_line, min(hot, 135.0), dt, 60.0)
        else:
            self.vapor_line = _lag(self.vapor_line, outdoor, dt, 400.0)
            self.liquid_line = _lag(self.liquid_line, outdoor, dt, 300.0)
            self.discharge_line = _lag(self.discharge_line, outdoor, dt, 600.0)


def _through(drop: float, density: float) -> float:
    """kg/(s m2) for a pressure difference in Pa, with its sign."""
    return math.sqrt(2.0 * density) * drop / math.sqrt(abs(drop) + _SMOOTH_PA)


def _polytropic(ref: Refrigerant, te: float, superheat: float, low: float, high: float) -> float:
    """The exponent with which a perfect gas law gives CoolProp's isentropic compression at the design point."""
    density = ref.vapor_density(te) * (te + ZERO_CEL) / (te + superheat + ZERO_CEL)
    work = ref.isentropic_work(te + superheat, low, high)
    below, above = 1.01, 1.5
    for _ in range(60):
        n = 0.5 * (below + above)
        got = n / (n - 1.0) * low / density * ((high / low) ** ((n - 1.0) / n) - 1.0)
        below, above = (n, above) if got < work else (below, n)
    return 0.5 * (below + above)
