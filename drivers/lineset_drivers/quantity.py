"""Quantities, their SI units, and the units that instruments and people use for them.

SI unit symbols are those of RFC 8428 (SenML) and RFC 8798. Gauge and absolute pressure are different
quantities and never convert into each other here: that needs the barometer. Conversion factors are exact by
definition (international yard and pound agreement of 1959; NIST SP 811, appendix B.8); inches of water are
the conventional inch of water, 249.0889 Pa (NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import NamedTuple

from .errors import UnitError, ValueTextError


class Quantity(StrEnum):
    """What is measured. Its SI unit is `SI_UNIT[quantity]`."""

    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature_difference"
    PRESSURE_GAUGE = "pressure_gauge"
    PRESSURE_ABSOLUTE = "pressure_absolute"
    PRESSURE_DIFFERENCE = "pressure_difference"
    RELATIVE_HUMIDITY = "relative_humidity"
    CURRENT = "current"
    VOLTAGE = "voltage"
    RESISTANCE = "resistance"
    CAPACITANCE = "capacitance"
    FREQUENCY = "frequency"
    POWER = "power"
    APPARENT_POWER = "apparent_power"
    ENERGY = "energy"
    AIR_SPEED = "air_speed"
    VOLUME_FLOW = "volume_flow"
    RATIO = "ratio"
    BATTERY_LEVEL = "battery_level"
    AREA = "area"
    DENSITY = "density"
    ENTHALPY = "enthalpy"
    HUMIDITY_RATIO = "humidity_ratio"
    MASS_FLOW = "mass_flow"
    EFFICIENCY = "efficiency"
    FRACTION = "fraction"
    HEAT_RATE = "heat_rate"
    REFRIGERANT_ENTHALPY = "refrigerant_enthalpy"


Q = Quantity
SI_UNIT: dict[Quantity, str] = {
    Q.TEMPERATURE: "Cel",
    Q.TEMPERATURE_DIFFERENCE: "K",
    Q.PRESSURE_GAUGE: "Pa",
    Q.PRESSURE_ABSOLUTE: "Pa",
    Q.PRESSURE_DIFFERENCE: "Pa",
    Q.RELATIVE_HUMIDITY: "%RH",
    Q.CURRENT: "A",
    Q.VOLTAGE: "V",
    Q.RESISTANCE: "Ohm",
    Q.CAPACITANCE: "F",
    Q.FREQUENCY: "Hz",
    Q.POWER: "W",
    Q.APPARENT_POWER: "VA",
    Q.ENERGY: "J",
    Q.AIR_SPEED: "m/s",
    Q.VOLUME_FLOW: "m3/s",
    Q.RATIO: "1",
    Q.BATTERY_LEVEL: "%EL",
    Q.AREA: "m2",
    Q.DENSITY: "kg/m3",
    Q.ENTHALPY: "J/kg",
    Q.HUMIDITY_RATIO: "kg/kg",
    Q.MASS_FLOW: "kg/s",
    Q.EFFICIENCY: "1",
    Q.FRACTION: "1",
    Q.HEAT_RATE: "W",
    Q.REFRIGERANT_ENTHALPY: "J/kg",
}


class Unit(NamedTuple):
    """SI value = value x factor + offset."""

    factor: float
    offset: float = 0.0


_POUND = 0.45359237
_BTU = 1055.05585262
_PSI = 0.45359237 * 9.80665 / 0.0254**2
_PRESSURE = {
    "Pa": Unit(1.0),
    "hPa": Unit(100.0),
    "mbar": Unit(100.0),
    "kPa": Unit(1e3),
    "MPa": Unit(1e6),
    "bar": Unit(1e5),
    "psi": Unit(_PSI),
    "inHg": Unit(3386.389),  # conventional, NIST SP 811 B.8
    "inWC": Unit(249.0889),  # conventional, NIST SP 811 B.8
    "mmHg": Unit(133.3224),
}


def _scaled(symbol: str, **prefixes: float) -> dict[str, Unit]:
    return {symbol: Unit(1.0)} | {prefix + symbol: Unit(factor) for prefix, factor in prefixes.items()}


_HEAT = _scaled("W", m=1e-3, k=1e3) | {
    "Btu/h": Unit(_BTU / 3600),
    "ton": Unit(12000 * _BTU / 3600),
    "tons": Unit(12000 * _BTU / 3600),
}

# A suffix g or a is only understood for pressures against the atmosphere or against vacuum, so that "psig" given
# for an absolute pressure is refused instead of being read 101 kPa wrong.
UNITS: dict[Quantity, dict[str, Unit]] = {
    Q.TEMPERATURE: {
        "Cel": Unit(1.0),
        "degC": Unit(1.0),
        "degF": Unit(5 / 9, -160 / 9),
        "K": Unit(1.0, -273.15),
    },
    Q.TEMPERATURE_DIFFERENCE: {"K": Unit(1.0), "Cel": Unit(1.0), "degC": Unit(1.0), "degF": Unit(5 / 9)},
    Q.PRESSURE_GAUGE: _PRESSURE
    | {
        "psig": Unit(_PSI),
        "barg": Unit(1e5),
        "kPag": Unit(1e3),
        "kPa_gauge": Unit(1e3),
        "MPag": Unit(1e6),
        "Pag": Unit(1.0),
    },
    Q.PRESSURE_ABSOLUTE: _PRESSURE
    | {
        "psia": Unit(_PSI),
        "bara": Unit(1e5),
        "kPaa": Unit(1e3),
        "kPa_abs": Unit(1e3),
        "MPaa": Unit(1e6),
        "Paa": Unit(1.0),
    },
    Q.PRESSURE_DIFFERENCE: dict(_PRESSURE),
    Q.RELATIVE_HUMIDITY: {"%RH": Unit(1.0), "%": Unit(1.0)},
    Q.CURRENT: _scaled("A", m=1e-3, u=1e-6, k=1e3),
    Q.VOLTAGE: _scaled("V", m=1e-3, u=1e-6, k=1e3),
    Q.RESISTANCE: _scaled("Ohm", m=1e-3, k=1e3, M=1e6),
    Q.CAPACITANCE: _scaled("F", m=1e-3, u=1e-6, n=1e-9, p=1e-12),
    Q.FREQUENCY: _scaled("Hz", k=1e3),
    Q.POWER: _HEAT,
    Q.APPARENT_POWER: _scaled("VA", k=1e3),
    Q.ENERGY: _scaled("J", k=1e3) | {"Wh": Unit(3600.0), "kWh": Unit(3.6e6)},
    Q.AIR_SPEED: {"m/s": Unit(1.0), "fpm": Unit(0.3048 / 60), "km/h": Unit(1 / 3.6)},
    Q.VOLUME_FLOW: {"m3/s": Unit(1.0), "m3/h": Unit(1 / 3600), "l/s": Unit(1e-3), "cfm": Unit(0.3048**3 / 60)},
    Q.RATIO: {"1": Unit(1.0), "": Unit(1.0), "%": Unit(0.01)},
    Q.BATTERY_LEVEL: {"%EL": Unit(1.0), "%": Unit(1.0)},
    Q.AREA: {"m2": Unit(1.0), "ft2": Unit(0.3048**2), "in2": Unit(0.0254**2)},
    Q.DENSITY: {"kg/m3": Unit(1.0), "lb/ft3": Unit(_POUND / 0.3048**3)},
    # Moist air per mass of dry air. Btu/lb is counted from dry air at 0 degF, J/kg from 0 degC: 17.879 kJ/kg apart.
    Q.ENTHALPY: {"J/kg": Unit(1.0), "kJ/kg": Unit(1e3), "Btu/lb": Unit(2326.0, -17879.0)},
    Q.HUMIDITY_RATIO: {"kg/kg": Unit(1.0), "lb/lb": Unit(1.0), "g/kg": Unit(1e-3), "gr/lb": Unit(1 / 7000)},
    Q.MASS_FLOW: {"kg/s": Unit(1.0), "kg/h": Unit(1 / 3600), "lb/h": Unit(_POUND / 3600)},
    # Output over input: as a coefficient of performance, or in Btu/h per W (EER).
    Q.EFFICIENCY: {
        "1": Unit(1.0),
        "": Unit(1.0),
        "COP": Unit(1.0),
        "Btu/Wh": Unit(_BTU / 3600),
        "EER": Unit(_BTU / 3600),
    },
    Q.FRACTION: {"1": Unit(1.0), "": Unit(1.0), "%": Unit(0.01)},
    Q.HEAT_RATE: _HEAT,
    # Of a refrigerant both scales begin at one point, so that a difference is one in either.
    Q.REFRIGERANT_ENTHALPY: {"J/kg": Unit(1.0), "kJ/kg": Unit(1e3), "Btu/lb": Unit(2326.0)},
}

_SPELLINGS = {"°C": "degC", "°F": "degF", "C": "degC", "µF": "uF", "μF": "uF", "µA": "uA", "Ω": "Ohm", "ohm": "Ohm"}
_SPELLINGS |= {"kΩ": "kOhm", "kohm": "kOhm", "degreeF": "degF", "deltaF": "degF", "in.w.c.": "inWC", "inH2O": "inWC"}
_SPELLINGS |= {"MFD": "uF", "mfd": "uF", "\u2126": "Ohm", "k\u2126": "kOhm", "psid": "psi"}


# Outside these (SI) a number is no reading of anything: below absolute zero, an empty exponent, a slipped digit. Far
# wider than any instrument's range, which its profile states. Judgement; common practice, no source.
POSSIBLE: dict[Quantity, tuple[float, float]] = {
    Q.TEMPERATURE: (-273.15, 2e3),
    Q.TEMPERATURE_DIFFERENCE: (-2e3, 2e3),
    Q.PRESSURE_GAUGE: (-110e3, 1e8),
    Q.PRESSURE_ABSOLUTE: (0.0, 1e8),
    Q.PRESSURE_DIFFERENCE: (-1e8, 1e8),
    Q.RELATIVE_HUMIDITY: (-5.0, 120.0),
    Q.CURRENT: (-1e4, 1e4),
    Q.VOLTAGE: (-1e5, 1e5),
    Q.RESISTANCE: (-10.0, 1e11),
    Q.CAPACITANCE: (-1e-6, 1.0),
    Q.FREQUENCY: (0.0, 1e9),
    Q.POWER: (-1e7, 1e7),
    Q.APPARENT_POWER: (-1e7, 1e7),
    Q.ENERGY: (-1e15, 1e15),
    Q.AIR_SPEED: (-1e3, 1e3),
    Q.VOLUME_FLOW: (-1e4, 1e4),
    Q.RATIO: (-1e9, 1e9),
    Q.BATTERY_LEVEL: (-5.0, 120.0),
    Q.AREA: (0.0, 1e4),
    Q.DENSITY: (0.0, 1e5),
    Q.ENTHALPY: (-1e6, 1e7),
    Q.HUMIDITY_RATIO: (-0.01, 1.0),
    Q.MASS_FLOW: (-1e3, 1e3),
    Q.EFFICIENCY: (-1e3, 1e3),
    Q.FRACTION: (-1e3, 1e3),
    Q.HEAT_RATE: (-1e7, 1e7),
    Q.REFRIGERANT_ENTHALPY: (-1e6, 1e7),
}


def unit_of(symbol: str, quantity: Quantity) -> Unit:
    """The unit that `symbol` means for `quantity`.

    Raises UnitError, naming the units that would do, when the symbol is unknown or belongs to another quantity.
    """
    table = UNITS[quantity]
    found = table.get(symbol) or table.get(_SPELLINGS.get(symbol, symbol))
    if found is None and symbol == "F" and quantity in (Q.TEMPERATURE, Q.TEMPERATURE_DIFFERENCE):
        found = table["degF"]
    if found is None:
        raise UnitError(
            f"unknown unit {symbol!r} for {quantity.replace('_', ' ')}; use one of {', '.join(u for u in table if u)}"
            f"{_elsewhere(symbol, quantity)}"
        )
    return found


_PRESSURES = {Q.PRESSURE_GAUGE, Q.PRESSURE_ABSOLUTE}


def _elsewhere(symbol: str, quantity: Quantity) -> str:
    """What else the symbol is a unit of, for people who took one thing for another."""
    if {quantity, other := next((q for q in UNITS if symbol in UNITS[q]), quantity)} == _PRESSURES:
        return (
            f". {symbol!r} is {'absolute' if other is Q.PRESSURE_ABSOLUTE else 'gauge'} pressure: they differ by the "
            "barometer, about 14.7 psi at sea level"
        )
    return "" if other is quantity else f". {symbol!r} is a unit of {other.replace('_', ' ')}: is it another reading?"


def to_si(value: float, symbol: str, quantity: Quantity) -> float:
    """`value` in `symbol` as the SI value of `quantity` (Cel for temperatures). Raises UnitError."""
    unit = unit_of(symbol, quantity)
    return value * unit.factor + unit.offset


def from_si(value: float, symbol: str, quantity: Quantity) -> float:
    """The SI value of `quantity` expressed in `symbol`. Raises UnitError."""
    unit = unit_of(symbol, quantity)
    return (value - unit.offset) / unit.factor


_VALUE = re.compile(
    r"\s*(?P<value>[-+−]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)"
    r"(?:\s*(?:\+/-|\+-|±)\s*(?P<pm>(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?))?"
    r"\s*(?P<unit>\S*)\s*"
)


class Measured(NamedTuple):
    """A typed value brought to SI: `half_width` is what stood behind "+/-" (SI, a 95 % half width), or None."""

    value: float
    half_width: float | None
    unit: str
    text: str


_CALLED = {
    Q.PRESSURE_GAUGE: "a gauge pressure",
    Q.PRESSURE_ABSOLUTE: "an absolute pressure",
    Q.APPARENT_POWER: "an apparent power",
    Q.ENTHALPY: "an enthalpy",
    Q.AIR_SPEED: "an air speed",
    Q.ENERGY: "an energy",
}


def parse_measured(text: str, quantity: Quantity) -> Measured:
    """Read "118 psig", "52 degF" or "118 +/- 1.5 psig" as a value of `quantity`.

    Raises ValueTextError when it is not a number with a unit, or one that cannot be (below absolute zero, infinite);
    UnitError when the unit does not fit.
    """
    match = _VALUE.fullmatch(text)
    if match is None:
        raise ValueTextError(f'cannot read {text!r} as a number with a unit; write it like "118 psig" or "52 degF"')
    symbol = match["unit"]
    if not symbol and quantity is not Q.RATIO:
        example = next(iter(UNITS[quantity]))
        raise ValueTextError(f'{text!r} has no unit; write it with one, such as "{match["value"]} {example}"')
    unit = unit_of(symbol, quantity)
    value = float(match["value"].replace("−", "-")) * unit.factor + unit.offset
    half = None if match["pm"] is None else float(match["pm"]) * abs(unit.factor)
    low, high = POSSIBLE[quantity]
    if not low <= value <= high or (half is not None and not half <= high):
        least, most = ((each - unit.offset) / unit.factor for each in (low, high))
        called = _CALLED.get(quantity, f"a {quantity.replace('_', ' ')}")
        raise ValueTextError(
            f"{text!r} cannot be {called}: such a reading lies between {least:.5g} and {most:.5g} {symbol}; check the "
            "number and its unit"
        )
    return Measured(value, half, symbol, text.strip())
