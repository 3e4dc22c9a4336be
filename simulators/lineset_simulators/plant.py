"""A simulated split air-conditioning system with physics of its own: what the instruments of a bench measure.

Deterministic: the same configuration, seed, commands and steps give the same truth, bit by bit. All data invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping

from lineset_simulators.air import MoistAir, barometer
from lineset_simulators.electrical import (
    BLOWER,
    COMPRESSOR,
    FREQUENCY_HZ,
    OUTDOOR_FAN,
    STANDING,
    Motor,
    locked,
    running,
)
from lineset_simulators.indoor_air import IndoorAir
from lineset_simulators.plant_config import PlantConfig
from lineset_simulators.refrigerant import Refrigerant
from lineset_simulators.refrigerant_circuit import DESIGN_CONDENSING, Circuit, Surroundings

_STEP_S = 0.25
_OUTDOOR_FLOW = 1.25  # m3/s through a clean outdoor coil; common practice, no source
_OUTDOOR_FAN_W, _BLOWER_W = 185.0, 430.0
_LOCKED_S, _OVERLOAD_S, _OVERLOAD_RESET_S = 0.3, 5.0, 60.0
_HIGH_PRESSURE_CUT_OUT = 64.0  # Cel of condensing; about 4.2 MPa of R-410A
_LOW_PRESSURE_CUT_OUT, _LOW_PRESSURE_CUT_IN = -22.0, 0.0

COMMANDS = {
    "outdoor_unit": "true or false: the call for cooling at the contactor",
    "blower": "true or false",
    "strips": "how many heat strips are called for",
    "clean_coil": "part of the outdoor coil's dirt to take away, 1 for all",
    "clean_indoor_coil": "part of the indoor coil's dirt to take away",
    "replace_filter": "any value: a clean filter",
    "outdoor_panel": "true in place, false taken off (air goes past the coil)",
    "charge": "kg of refrigerant added, or recovered when below zero",
    "herm_uf": "microfarads of the compressor's run capacitor from now on",
    "fan_uf": "microfarads of the outdoor fan's run capacitor from now on",
    "blower_uf": "microfarads of the blower's run capacitor from now on",
    "outdoor_air": "Cel outdoors from now on",
    "line_voltage": "volts supplied from now on",
}
"""what `Plant.command` understands"""


class Plant:
    """One system. `step` advances it, `command` acts on it, `points` and `truth` tell what is.

    Raises ValueError for a configuration that makes no system.
    """

    def __init__(self, config: PlantConfig | None = None, seed: int = 1) -> None:
        self.config = config = config or PlantConfig()
        self._random = random.Random(seed)
        self.refrigerant = Refrigerant(config.refrigerant)
        self.atmosphere = barometer(config.elevation_m)
        self.air = MoistAir(self.atmosphere)
        self.circuit = Circuit(config, self.refrigerant)
        self.indoor = IndoorAir(config, self.air)
        self.compressor = _with(COMPRESSOR, config.herm_uf, config.herm_marked_uf)
        self.fan = _with(OUTDOOR_FAN, config.fan_uf, config.fan_marked_uf)
        self.blower = _with(BLOWER, config.blower_uf, config.blower_marked_uf)
        self.time_s = 0.0
        self.outdoor_dirt = config.outdoor_coil_dirt
        self.panel_on = True
        self.outdoor_on = self.blower_on = False
        self.strips_wanted = 0
        self._outdoor_air, self._supply_volts = config.outdoor_air, config.line_voltage
        self._weather = self._grid = 0.0
        self._fan_spin = 0.0
        self._compressor_spin = 0.0
        self._locked_s = self._overload_left = 0.0
        self._high_cut = self._low_cut = False
        self.energy_j = 0.0
        self.line_volts = config.line_voltage
        self.compressor_currents = self.fan_currents = self.blower_currents = STANDING
        self._condenser_leaving = config.outdoor_air
        self._outdoor_conductance, self._outdoor_rate = self._size_outdoor_coil()

    def _size_outdoor_coil(self) -> tuple[float, float]:
        """Conductance and capacity rate (W/K) with which the clean coil rejects its heat at 35 Cel outdoors."""
        flow = _OUTDOOR_FLOW * self.config.capacity_w / 10_550.0
        rate = flow * self.air.density(35.0, 0.012) * 1018.0
        reached = self.circuit.design_rejection / (rate * (DESIGN_CONDENSING - 35.0))
        size = self.config.outdoor_coil_size
        return -rate * math.log(max(1.0 - reached, 0.02)) * size, rate * size

    # -- acting ------------------------------------------------------------------------------------------------

    def command(self, verb: str, value: object = True) -> None:
        """Do one of COMMANDS. Raises ValueError when the verb or its value makes no sense."""
        if verb not in COMMANDS:
            raise ValueError(f"the plant has no command {verb!r}; it has {', '.join(COMMANDS)}")
        if verb in ("outdoor_unit", "blower", "outdoor_panel"):
            if not isinstance(value, bool):
                raise ValueError(f"{verb} is {COMMANDS[verb]}, not {value!r}")
            self._switch(verb, value)
        elif verb == "replace_filter":
            self.indoor.filter_dirt = 0.0
        elif isinstance(value, int | float) and math.isfinite(value):
            self._adjust(verb, float(value))
        else:
            raise ValueError(f"{verb} takes a number ({COMMANDS[verb]}), not {value!r}")

    def _switch(self, verb: str, on: bool) -> None:
        if verb == "blower":
            self.blower_on = on
        elif verb == "outdoor_panel":
            self.panel_on = on
        else:
            self.outdoor_on = on
            if not on:
                self._high_cut = False  # the lock-out is cleared by taking the call away

    def _adjust(self, verb: str, value: float) -> None:
        if verb == "strips":
            if not 0 <= value <= len(self.config.heat_strips_w):
                raise ValueError(f"the system has {len(self.config.heat_strips_w)} heat strips, not {value:g}")
            self.strips_wanted = int(value)
        elif verb in ("clean_coil", "clean_indoor_coil"):
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"{verb} takes a part from 0 to 1, not {value:g}")
            if verb == "clean_coil":
                self.outdoor_dirt *= 1.0 - value
            else:
                self.indoor.coil_dirt *= 1.0 - value
        elif verb == "charge":
            self.circuit.charge = max(self.circuit.charge + value, 0.3 * self.circuit.nominal_charge)
        elif verb == "outdoor_air":
            self._outdoor_air = value
        elif verb == "line_voltage":
            self._supply_volts = value
        elif value <= 0.0:
            raise ValueError(f"{verb} takes microfarads above zero, not {value:g}")
        elif verb == "herm_uf":
            self.compressor = self.compressor.with_capacitance(value * 1e-6)
        elif verb == "fan_uf":
            self.fan = self.fan.with_capacitance(value * 1e-6)
        else:
            self.blower = self.blower.with_capacitance(value * 1e-6)

    # -- time --------------------------------------------------------------------------------------------------

    def step(self, dt_s: float) -> None:
        """Advance by `dt_s` visit seconds, in steps of a quarter of a second or less."""
        count = max(1, math.ceil(dt_s / _STEP_S - 1e-9))
        for _ in range(count):
            self._step(dt_s / count)

    def _step(self, dt: float) -> None:
        self.time_s += dt
        self._weather += -self._weather * dt / 240.0 + 0.010 * math.sqrt(dt) * self._random.gauss(0.0, 1.0)
        self._grid += -self._grid * dt / 90.0 + 0.06 * math.sqrt(dt) * self._random.gauss(0.0, 1.0)
        self._electrics(dt)
        indoor, circuit = self.indoor, self.circuit
        indoor.spin = _approach(indoor.spin, 1.0 if self.blower_on else 0.0, dt, 3.0 if self.blower_on else 8.0)
        indoor.sequence(dt, self.strips_wanted)
        heated = self.blower_currents.power + sum(indoor.strip_watts(self.line_volts))
        indoor.step(dt, circuit.evaporating, circuit.wetted_share, circuit.superheating, heated, self._blower_drive())

        volumes = self._fan_spin * (1.0 - 0.45 * self.outdoor_dirt) * (1.0 if self.panel_on else 0.8)
        volumes *= 1.0 - self.config.outdoor_fan_loss
        volumes *= min((self.fan.capacitance / self.fan.marked) ** 0.3, 1.0)
        rate = self._outdoor_rate * max(volumes, 0.03)
        # with the fan at rest the air creeps through by its own warmth
        conductance = self._outdoor_conductance * (1.0 - 0.35 * self.outdoor_dirt) * max(volumes, 0.02) ** 0.5
        air = self.outdoor_air
        circuit.step(
            dt,
            self._compressor_spin,
            Surroundings(
                indoor.wetted_heat, indoor.room, air, rate, conductance, conductance / self._outdoor_conductance
            ),
        )
        warmed = air + (circuit.rejected + self.fan_currents.power) / rate if self._fan_spin > 0.2 else air
        self._condenser_leaving = _approach(self._condenser_leaving, warmed, dt, 6.0)
        self.energy_j += dt * self.outdoor_power

    def _electrics(self, dt: float) -> None:
        self._protect(dt)
        called = self.outdoor_on
        amperes = self.compressor_currents.common + self.fan_currents.common + self.blower_currents.common
        amperes += sum(self.indoor.strip_watts(self.line_volts)) / max(self.line_volts, 1.0)
        self.line_volts = volts = max(self._supply_volts + self._grid - self.config.supply_ohms * amperes, 1.0)
        self._fan_spin = _approach(self._fan_spin, 1.0 if called and self.fan.can_start() else 0.0, dt, 1.5)
        fan_w = _OUTDOOR_FAN_W * (0.9 + 0.1 * self._fan_spin)
        self.fan_currents = STANDING
        if called:
            self.fan_currents = running(self.fan, volts, fan_w) if self.fan.can_start() else locked(self.fan, volts)
        self.blower_currents = STANDING
        if self.blower_on:
            loaded = _BLOWER_W * (0.55 + 0.45 * self.indoor.flow(self._blower_drive()) / 0.56)
            turning = self.blower.can_start()
            self.blower_currents = running(self.blower, volts, loaded) if turning else locked(self.blower, volts)
        self._compressor(dt, called and not self._high_cut and not self._low_cut and self._overload_left <= 0.0, volts)

    def _protect(self, dt: float) -> None:
        self._overload_left = max(self._overload_left - dt, 0.0)
        if self.circuit.condensing > _HIGH_PRESSURE_CUT_OUT:
            self._high_cut = True
        if self.circuit.evaporating < _LOW_PRESSURE_CUT_OUT:
            self._low_cut = True
        elif self.circuit.evaporating > _LOW_PRESSURE_CUT_IN:
            self._low_cut = False

    def _compressor(self, dt: float, fed: bool, volts: float) -> None:
        if not fed:
            self._compressor_spin = self._locked_s = 0.0
            self.compressor_currents = STANDING
            return
        if self._compressor_spin == 0.0:
            self._locked_s += dt
            self.compressor_currents = locked(self.compressor, volts)
            if self._locked_s >= _OVERLOAD_S:
                self._overload_left, self._locked_s = _OVERLOAD_RESET_S, 0.0
            if not self.compressor.can_start() or self._locked_s < _LOCKED_S:
                return
        self._compressor_spin = 1.0
        watts = max(self.circuit.compressor_watts, 500.0)
        self.compressor_currents = running(self.compressor, volts, watts)

    def _blower_drive(self) -> float:
        return min(self.blower.capacitance / self.blower.marked, 1.0) if self.blower.can_start() else 0.0

    # -- telling -----------------------------------------------------------------------------------------------

    @property
    def outdoor_air(self) -> float:
        """Cel, entering the outdoor coil."""
        return self._outdoor_air + self._weather

    @property
    def outdoor_power(self) -> float:
        """W at the outdoor unit's disconnect."""
        return self.compressor_currents.power + self.fan_currents.power

    @property
    def outdoor_current(self) -> float:
        """A in one line conductor of the outdoor unit."""
        return self.compressor_currents.common + self.fan_currents.common

    def points(self) -> dict[str, float]:
        """Every point's value as it is, in SI (Cel for temperatures): what a perfect instrument would show."""
        circuit, indoor, atmosphere = self.circuit, self.indoor, self.atmosphere
        low, high, discharge = circuit.pressures()
        statics = indoor.statics(self._blower_drive())
        supply_full = self.air.relative(indoor.supply, indoor.supply_ratio)
        volts = self.line_volts
        amperes = self.outdoor_current
        return {
            "vapor_service_pressure": low - atmosphere,
            "common_suction_pressure": low - atmosphere,
            "liquid_service_pressure": high - atmosphere,
            "discharge_pressure": discharge - atmosphere,
            "vapor_line_temperature": circuit.vapor_line,
            "liquid_line_temperature": circuit.liquid_line,
            "discharge_line_temperature": circuit.discharge_line,
            "outdoor_air_temperature": self.outdoor_air,
            "condenser_leaving_temperature": self._condenser_leaving,
            "return_air_temperature": indoor.room,
            "return_air_humidity": self.air.relative(indoor.room, indoor.ratio),
            "supply_air_temperature": indoor.supply,
            "supply_air_humidity": min(supply_full, 100.0),
            "return_static": statics.return_side,
            "supply_static": statics.supply_side,
            "filter_drop": statics.filter_drop,
            "coil_drop": statics.coil_drop,
            "barometric_pressure": atmosphere,
            "line_voltage": volts,
            "control_voltage": 26.6 * volts / 240.0 - (0.9 if self.outdoor_on else 0.0),
            "contactor_drop": self.config.contactor_ohms * amperes if self.outdoor_on else volts,
            "blower_current": self.blower_currents.common,
            "power": self.outdoor_power,
            "herm_capacitance": self.compressor.capacitance,
            "fan_capacitance": self.fan.capacitance,
            "blower_capacitance": self.blower.capacitance,
        } | self._currents()

    def _currents(self) -> dict[str, float]:
        compressor, fan = self.compressor_currents, self.fan_currents
        strips = [watts / max(self.line_volts, 1.0) for watts in self.indoor.strip_watts(self.line_volts)]
        values = {
            "compressor_common_current": compressor.common,
            "compressor_run_current": compressor.run,
            "compressor_start_current": compressor.start,
            "outdoor_fan_current": fan.common,
            "capacitor_herm_voltage": compressor.capacitor_volts,
            "capacitor_fan_voltage": fan.capacitor_volts,
            "herm_lead_current": compressor.start,
            "fan_capacitor_lead_current": fan.start,
        }
        values |= {f"heat_strip_current.{n}": amperes for n, amperes in enumerate(strips, start=1)}
        if len(strips) == 1:
            values["heat_strip_current"] = strips[0]
        return values

    def senses(self) -> Mapping[str, float]:
        """`points()` and what instruments measure that is no point: currents and energy of the outdoor unit."""
        return self.points() | {
            "outdoor_unit_current": self.outdoor_current,
            "line_frequency": FREQUENCY_HZ,
            "outdoor_unit_energy": self.energy_j,
        }

    def truth(self) -> dict[str, float]:
        """`points()` with what follows from them, worked out here with CoolProp and not by the daemon's formulas.

        Superheat at the vapor service port is the total one. Raises ValueError where CoolProp has no saturation.
        """
        points = self.points()
        dew = self.refrigerant.temperature_dew(points["vapor_service_pressure"] + self.atmosphere)
        bubble = self.refrigerant.temperature_bubble(points["liquid_service_pressure"] + self.atmosphere)
        volts = {"herm": points["capacitor_herm_voltage"], "fan": points["capacitor_fan_voltage"]}
        lead = {"herm": points["herm_lead_current"], "fan": points["fan_capacitor_lead_current"]}
        air = points["outdoor_air_temperature"]
        hot = self.refrigerant.temperature_dew(points["discharge_pressure"] + self.atmosphere)
        low = points["vapor_service_pressure"] + self.atmosphere
        derived = {
            "vapor_dew_temperature": dew,
            "liquid_bubble_temperature": bubble,
            "discharge_dew_temperature": hot,
            "total_superheat": points["vapor_line_temperature"] - dew,
            "subcooling": bubble - points["liquid_line_temperature"],
            "discharge_superheat": points["discharge_line_temperature"] - hot,
            "condensing_over_outdoor": bubble - air,
            "liquid_line_approach": points["liquid_line_temperature"] - air,
            "outdoor_coil_rise": points["condenser_leaving_temperature"] - air,
            "temperature_split": points["return_air_temperature"] - points["supply_air_temperature"],
            "compression_ratio": (points["discharge_pressure"] + self.atmosphere) / low,
            "compression_ratio_estimate": (points["liquid_service_pressure"] + self.atmosphere) / low,
            "compressor_apparent_power": points["compressor_common_current"] * self.line_volts,
            "outdoor_fan_apparent_power": points["outdoor_fan_current"] * self.line_volts,
            "blower_apparent_power": points["blower_current"] * self.line_volts,
            "supply_flow": self.indoor.flow(self._blower_drive()),
            "total_capacity": self.indoor.total_heat,
            "sensible_capacity": self.indoor.sensible_heat,
            "charge": self.circuit.charge,
            "outdoor_coil_dirt": self.outdoor_dirt,
        }
        for name, across in volts.items():
            if across > 1.0:
                derived[f"{name}_capacitance_under_load"] = lead[name] / (2 * math.pi * FREQUENCY_HZ * across)
        return points | derived


def _with(motor: Motor, microfarads: float, marked: float) -> Motor:
    return Motor(microfarads * 1e-6, marked * 1e-6, motor.boost, motor.lead_rad, motor.magnetising_va, motor.locked_a)


def _approach(old: float, new: float, dt: float, tau: float) -> float:
    return new + (old - new) * math.exp(-dt / tau)
