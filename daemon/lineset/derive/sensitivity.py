"""How much each derived value moves with each of its inputs, at typical readings: what `--list` and the docs show.

The typical readings are invented: a 3-ton R-410A split system on a warm afternoon, cooling; heating by strips and
standing where a value exists only so. They belong together, so that every value of the catalogue exists at them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from lineset.derive.declared import Context, Derived, Evaluated
from lineset.equipment.nameplate import CompressorMap, Nameplate
from lineset.equipment.points import point
from lineset_drivers.quantity import Quantity

COOLING: dict[str, float] = {
    "vapor_service_pressure": 860e3,
    "common_suction_pressure": 840e3,
    "liquid_service_pressure": 2450e3,
    "discharge_pressure": 2520e3,
    "vapor_line_temperature": 12.0,
    "liquid_line_temperature": 36.0,
    "discharge_line_temperature": 72.0,
    "outdoor_air_temperature": 33.0,
    "condenser_leaving_temperature": 42.0,
    "return_air_temperature": 24.0,
    "return_air_humidity": 50.0,
    "return_air_wet_bulb": 17.0,
    "supply_air_temperature": 13.0,
    "supply_air_humidity": 90.0,
    "supply_air_wet_bulb": 12.0,
    "supply_air_velocity": 3.0,
    "airflow": 0.55,
    "return_static": -60.0,
    "supply_static": 50.0,
    "filter_drop": 25.0,
    "coil_drop": 55.0,
    "barometric_pressure": 101_325.0,
    "line_voltage": 240.0,
    "line_voltage_ab": 208.0,
    "line_voltage_bc": 210.0,
    "line_voltage_ca": 205.0,
    "air_handler_voltage": 238.0,
    "control_voltage": 26.0,
    "contactor_drop": 0.05,
    "compressor_inrush_voltage": 222.0,
    "compressor_inrush_current": 75.0,
    "compressor_common_current": 11.0,
    "compressor_run_current": 9.5,
    "compressor_start_current": 4.2,
    "outdoor_unit_current": 12.0,
    "outdoor_fan_current": 1.0,
    "herm_lead_current": 4.6,
    "capacitor_herm_voltage": 270.0,
    "fan_capacitor_lead_current": 0.55,
    "capacitor_fan_voltage": 300.0,
    "herm_capacitance": 44e-6,
    "fan_capacitance": 4.9e-6,
    "blower_capacitance": 9.7e-6,
    "blower_current": 3.0,
    "blower_power": 420.0,
    "heat_strip_current": 20.4,
    "heat_strip_feed_current": 43.0,
    "power": 2500.0,
    "compressor_power": 2280.0,
}
HEATING = {"return_air_temperature": 20.0, "supply_air_temperature": 36.0}
STANDING = {"vapor_service_pressure": 1930e3}

NAMEPLATE = Nameplate(
    capacity_w=10_550.0,
    herm_capacitor_f=45e-6,
    fan_capacitor_f=5e-6,
    blower_capacitor_f=10e-6,
    compressor_rla_a=14.1,
    outdoor_fan_fla_a=1.2,
    blower_fla_a=4.1,
    heat_strip_w=(5000.0,),
    duct_area_m2=0.186,
    blower_table=((50.0, 0.60), (125.0, 0.55), (200.0, 0.48)),
    compressor_map=CompressorMap(
        fahrenheit=True,
        power_w=(-561.36, -15.626, 46.925, -0.21795, 0.43506, -0.4424, 2.25e-4, 2.37e-3, -3.32e-3, 2.5e-3),
        mass_flow_kg_s=tuple(
            c * 0.45359237 / 3600
            for c in (217.316, 5.0945, -0.59317, 0.0438, -0.0214, 0.0104, 7.9e-5, -5.73e-5, 1.79e-4, -8.08e-5)
        ),
        current_a=(2.0, 0.01, 0.05, 0.0, 0.0, 2e-4, 0.0, 0.0, 0.0, 0.0),
    ),
)
CONTEXT = Context("R-410A", nameplate=NAMEPLATE)


class Typical(NamedTuple):
    """A derived value at typical readings: its inputs, and the value with its derivatives, all SI."""

    values: tuple[float, ...]
    found: Evaluated


def typical_readings(derived: Derived) -> Mapping[str, float]:
    """The scenario in which this value exists, by point."""
    if derived.needs_stopped:
        return COOLING | STANDING
    if derived.needs_mode and "cool" not in derived.needs_mode:
        return COOLING | HEATING
    return COOLING


def typical(derived: Derived, context: Context = CONTEXT) -> Typical:
    """The value and its partial derivatives at typical readings."""
    readings = typical_readings(derived)
    values = tuple(readings[name.partition(".")[0]] for name in derived.inputs)
    return Typical(values, derived.compute(context, values))


class Move(NamedTuple):
    """By how much [SI] a derived value moves when `by`, of `quantity`, rises by one SI unit, at typical readings."""

    by: str
    quantity: Quantity
    slope: float


def moves(derived: Derived) -> list[Move]:
    """What a derived value is sensitive to: its inputs, the barometer and the supply's frequency where they bear."""
    found = typical(derived).found
    out = [Move(name, point(name).quantity, slope) for name, slope in zip(derived.inputs, found.partials, strict=True)]
    if found.barometric:
        out.append(Move("barometric_pressure", Quantity.PRESSURE_ABSOLUTE, found.barometric))
    if found.frequency:
        out.append(Move("line_frequency", Quantity.FREQUENCY, found.frequency))
    return out
