"""How values are shown to people: customary or SI units. Inside, everything is SI; this is the edge."""

from __future__ import annotations

from typing import Literal

from lineset.equipment.language import Say
from lineset_drivers.quantity import Quantity, from_si

Q = Quantity
Units = Literal["customary", "si"]

# quantity -> (unit of quantity.UNITS, how it is written, decimals)
_CUSTOMARY: dict[Quantity, tuple[str, str, int]] = {
    Q.TEMPERATURE: ("degF", "degF", 1),
    Q.TEMPERATURE_DIFFERENCE: ("degF", "degF", 1),
    Q.PRESSURE_GAUGE: ("psig", "psig", 1),
    Q.PRESSURE_ABSOLUTE: ("psia", "psia", 2),
    Q.PRESSURE_DIFFERENCE: ("inWC", "inWC", 3),
    Q.VOLUME_FLOW: ("cfm", "cfm", 0),
    Q.AIR_SPEED: ("fpm", "fpm", 0),
    Q.AREA: ("ft2", "sq ft", 2),
    Q.DENSITY: ("lb/ft3", "lb/cu ft", 4),
    Q.ENTHALPY: ("Btu/lb", "Btu/lb", 2),
    Q.HUMIDITY_RATIO: ("gr/lb", "gr/lb", 1),
    Q.MASS_FLOW: ("lb/h", "lb/h", 1),
    Q.EFFICIENCY: ("Btu/Wh", "EER", 1),
    Q.HEAT_RATE: ("Btu/h", "Btu/h", 0),
    Q.REFRIGERANT_ENTHALPY: ("Btu/lb", "Btu/lb", 2),
}
_SI: dict[Quantity, tuple[str, str, int]] = {
    Q.TEMPERATURE: ("degC", "degC", 2),
    Q.TEMPERATURE_DIFFERENCE: ("K", "K", 2),
    Q.PRESSURE_GAUGE: ("kPag", "kPa gauge", 1),
    Q.PRESSURE_ABSOLUTE: ("kPaa", "kPa absolute", 2),
    Q.PRESSURE_DIFFERENCE: ("Pa", "Pa", 1),
    Q.RELATIVE_HUMIDITY: ("%RH", "%RH", 1),
    Q.CURRENT: ("A", "A", 2),
    Q.VOLTAGE: ("V", "V", 1),
    Q.RESISTANCE: ("Ohm", "ohm", 3),
    Q.CAPACITANCE: ("uF", "uF", 2),
    Q.FREQUENCY: ("Hz", "Hz", 2),
    Q.POWER: ("W", "W", 0),
    Q.APPARENT_POWER: ("VA", "VA", 0),
    Q.ENERGY: ("kWh", "kWh", 3),
    Q.AIR_SPEED: ("m/s", "m/s", 2),
    Q.VOLUME_FLOW: ("m3/h", "m3/h", 0),
    Q.RATIO: ("1", "", 2),
    Q.BATTERY_LEVEL: ("%EL", "%", 0),
    Q.AREA: ("m2", "m2", 3),
    Q.DENSITY: ("kg/m3", "kg/m3", 3),
    Q.ENTHALPY: ("kJ/kg", "kJ/kg", 2),
    Q.HUMIDITY_RATIO: ("g/kg", "g/kg", 2),
    Q.MASS_FLOW: ("kg/h", "kg/h", 1),
    Q.EFFICIENCY: ("COP", "COP", 2),
    Q.HEAT_RATE: ("kW", "kW", 2),
    Q.REFRIGERANT_ENTHALPY: ("kJ/kg", "kJ/kg", 2),
    Q.FRACTION: ("%", "%", 1),
}


def unit_words() -> tuple[str, ...]:
    """Units that are written with words of English, for a catalogue of translations."""
    rows = (*_CUSTOMARY.values(), *_SI.values())
    return tuple(dict.fromkeys(written for _, written, _ in rows if " " in written))


def shown(value: float, quantity: Quantity, units: Units = "customary", u: float | None = None, say: Say = str) -> str:
    """An SI value as text in display units, with "+/-" its 95 % half width where `u` (standard, SI) is given.

    `say` puts units that hold words (kPa gauge) into its language.
    """
    symbol, written, decimals = _row(quantity, units)
    text = _fixed(from_si(value, symbol, quantity), decimals)
    if u is not None:
        half = abs(from_si(1.96 * u, symbol, quantity) - from_si(0.0, symbol, quantity))
        text += f" +/- {half:.{decimals}f}"
    return f"{text} {say(written)}".rstrip()


def _fixed(value: float, decimals: int) -> str:
    # a tiny negative is nothing, and nothing has no sign
    return f"{value:z.{decimals}f}"


def spread_shown(u: float, quantity: Quantity, units: Units = "customary") -> str:
    """A standard uncertainty (SI) as text in display units: a difference, without the zero point of its scale."""
    symbol, written, decimals = _row(quantity, units)
    width = abs(from_si(u, symbol, quantity) - from_si(0.0, symbol, quantity))
    return f"{width:.{decimals}f} {written}".rstrip()


def per_unit(slope: float, by: Quantity, of: Quantity, units: Units = "customary") -> str:
    """A derivative (SI) as text: by how much a value of quantity `of` moves per display unit of quantity `by`."""
    symbol, written, _ = _row(of, units)
    by_symbol, by_written, _ = _row(by, units)
    step = 1.0 / (from_si(1.0, by_symbol, by) - from_si(0.0, by_symbol, by))
    moved = slope * step * (from_si(1.0, symbol, of) - from_si(0.0, symbol, of))
    return f"{moved:+.3g} {written}".rstrip() + f" per {by_written or 'unit'}"


def unit_shown(quantity: Quantity, units: Units = "customary") -> str:
    """How the display unit of a quantity is written."""
    return _row(quantity, units)[1]


def _row(quantity: Quantity, units: Units) -> tuple[str, str, int]:
    if units == "customary":
        found = _CUSTOMARY.get(quantity)
        if found is not None:
            return found
    return _SI[quantity]
