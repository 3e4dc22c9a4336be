"""The closed catalogue of points: where on a system a channel can sit, and what is measured there.

A point names the port or the conductor, so that a current on the common conductor cannot be mistaken for the
current of a capacitor's lead. A point may carry an instance: `heat_strip_current.2` is the second heat strip.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from lineset.equipment.language import Say
from lineset_drivers.quantity import SI_UNIT, Quantity

Q = Quantity


class PointError(ValueError):
    """A name that is not in the catalogue of points."""


@dataclass(frozen=True, slots=True)
class Point:
    """One place on a system: its name on the wire, its title for people, its quantity, and where exactly it is."""

    name: str
    title: str
    quantity: Quantity
    where: str

    @property
    def captures(self) -> str:
        """What a channel must catch to sit here: "inrush" at the points of a motor's start, else ""."""
        return "inrush" if self.name in INRUSH else ""

    @property
    def si_unit(self) -> str:
        """Unit symbol of RFC 8428 for this point's values."""
        return SI_UNIT[self.quantity]


# Half a second of a start: an ordinary channel misses it, and one that holds it is no reading of anywhere else.
INRUSH = frozenset({"compressor_inrush_voltage", "compressor_inrush_current"})

_ROWS: tuple[tuple[str, str, Quantity, str], ...] = (
    # refrigerant
    ("vapor_service_pressure", "vapor service port pressure", Q.PRESSURE_GAUGE, "service port of the vapor valve"),
    (
        "common_suction_pressure",
        "common suction pressure",
        Q.PRESSURE_GAUGE,
        "between reversing valve and compressor",
    ),
    ("liquid_service_pressure", "liquid service port pressure", Q.PRESSURE_GAUGE, "service port of the liquid valve"),
    ("discharge_pressure", "discharge pressure", Q.PRESSURE_GAUGE, "port at the compressor's discharge"),
    ("vapor_line_temperature", "vapor line temperature", Q.TEMPERATURE, "vapor line at the outdoor unit's valve"),
    ("liquid_line_temperature", "liquid line temperature", Q.TEMPERATURE, "liquid line at the outdoor unit's valve"),
    ("discharge_line_temperature", "discharge line temperature", Q.TEMPERATURE, "discharge line near the compressor"),
    # air
    ("outdoor_air_temperature", "outdoor air temperature", Q.TEMPERATURE, "air entering the outdoor coil, in shade"),
    ("condenser_leaving_temperature", "outdoor coil leaving air", Q.TEMPERATURE, "air leaving the outdoor fan"),
    ("return_air_temperature", "return air temperature", Q.TEMPERATURE, "return side of the blower, before the coil"),
    ("return_air_humidity", "return air humidity", Q.RELATIVE_HUMIDITY, "return side of the blower, before the coil"),
    ("supply_air_temperature", "supply air temperature", Q.TEMPERATURE, "supply plenum, out of sight of heat strips"),
    ("supply_air_humidity", "supply air humidity", Q.RELATIVE_HUMIDITY, "supply plenum"),
    ("return_air_wet_bulb", "return air wet bulb", Q.TEMPERATURE, "return side, a wet wick in moving air"),
    ("supply_air_wet_bulb", "supply air wet bulb", Q.TEMPERATURE, "supply plenum, a wet wick in moving air"),
    ("supply_air_velocity", "supply air velocity", Q.AIR_SPEED, "supply duct, the mean of a traverse"),
    ("airflow", "airflow", Q.VOLUME_FLOW, "over the indoor coil, at the return air's state: flow hood, or another way"),
    ("return_static", "return static pressure", Q.PRESSURE_DIFFERENCE, "return plenum against the room"),
    ("supply_static", "supply static pressure", Q.PRESSURE_DIFFERENCE, "supply plenum against the room"),
    ("filter_drop", "filter pressure drop", Q.PRESSURE_DIFFERENCE, "across the filter"),
    ("coil_drop", "indoor coil pressure drop", Q.PRESSURE_DIFFERENCE, "across the indoor coil"),
    ("barometric_pressure", "barometric pressure", Q.PRESSURE_ABSOLUTE, "at the site"),
    # electrical
    ("line_voltage", "line voltage", Q.VOLTAGE, "line side of the contactor, L1 to L2"),
    ("line_voltage_ab", "line voltage, A to B", Q.VOLTAGE, "three-phase unit: line side of the contactor, A to B"),
    ("line_voltage_bc", "line voltage, B to C", Q.VOLTAGE, "three-phase unit: line side of the contactor, B to C"),
    ("line_voltage_ca", "line voltage, C to A", Q.VOLTAGE, "three-phase unit: line side of the contactor, C to A"),
    ("air_handler_voltage", "air handler voltage", Q.VOLTAGE, "L1 to L2 where the air handler is fed"),
    ("control_voltage", "control circuit voltage", Q.VOLTAGE, "secondary of the control transformer"),
    ("contactor_drop", "contactor drop", Q.VOLTAGE, "across one closed pole of the contactor"),
    ("compressor_common_current", "compressor common current", Q.CURRENT, "common (C) conductor of the compressor"),
    ("compressor_run_current", "compressor run winding current", Q.CURRENT, "run (R) conductor of the compressor"),
    (
        "compressor_start_current",
        "compressor start winding current",
        Q.CURRENT,
        "start (S) conductor, compressor",
    ),
    (
        "compressor_inrush_voltage",
        "lowest line voltage at start",
        Q.VOLTAGE,
        "line side of the contactor as the compressor starts, by a meter's inrush or minimum function",
    ),
    (
        "compressor_inrush_current",
        "compressor inrush current",
        Q.CURRENT,
        "common (C) conductor as the compressor starts, by a meter's inrush function",
    ),
    ("outdoor_unit_current", "outdoor unit current", Q.CURRENT, "one supply conductor of the whole outdoor unit"),
    ("outdoor_fan_current", "outdoor fan current", Q.CURRENT, "common conductor of the outdoor fan motor"),
    ("capacitor_herm_voltage", "volts across HERM and C", Q.VOLTAGE, "capacitor's own terminals HERM and C"),
    ("capacitor_fan_voltage", "volts across FAN and C", Q.VOLTAGE, "capacitor's own terminals FAN and C"),
    ("herm_lead_current", "HERM lead current", Q.CURRENT, "conductor on the capacitor's HERM terminal"),
    ("fan_capacitor_lead_current", "FAN lead current", Q.CURRENT, "conductor on the capacitor's FAN terminal"),
    ("herm_capacitance", "HERM capacitance on the bench", Q.CAPACITANCE, "HERM and C, isolated and discharged"),
    ("fan_capacitance", "FAN capacitance on the bench", Q.CAPACITANCE, "FAN and C, isolated and discharged"),
    (
        "blower_capacitance",
        "blower capacitance on the bench",
        Q.CAPACITANCE,
        "blower capacitor, isolated and discharged",
    ),
    ("blower_current", "blower current", Q.CURRENT, "common conductor of the blower motor"),
    ("heat_strip_current", "heat strip current", Q.CURRENT, "one conductor of one heat strip"),
    (
        "heat_strip_feed_current",
        "air handler current with strips on",
        Q.CURRENT,
        "one supply conductor of the air handler: all energised strips and the blower together",
    ),
    ("blower_power", "blower power", Q.POWER, "supply conductors of the blower"),
    ("power", "power of the outdoor unit", Q.POWER, "supply conductors of the outdoor unit"),
    ("compressor_power", "compressor power", Q.POWER, "the compressor's own conductors, fan not counted"),
)

POINTS: dict[str, Point] = {row[0]: Point(*row) for row in _ROWS}

_NAME = re.compile(r"(?P<base>[a-z_]+)(?:\.(?P<instance>[1-9]\d?))?")


def point(name: str) -> Point:
    """The point called `name`, with or without an instance ("heat_strip_current.2").

    Raises PointError, with the nearest names, when the catalogue does not hold it.
    """
    match = _NAME.fullmatch(name)
    found = POINTS.get(match["base"]) if match else None
    if found is None:
        near = difflib.get_close_matches(name.split(".")[0], POINTS, n=3, cutoff=0.5)
        hint = f"; did you mean {' or '.join(near)}?" if near else "; see `lineset place --list`"
        raise PointError(f"no point is called {name!r}{hint}")
    return found


def title(name: str, say: Say = str) -> str:
    """The title of a point for people, its instance included, in the language that `say` speaks."""
    return _with_instance(say(point(name).title), name)


def short_title(name: str, say: Say = str) -> str:
    """A title as a sheet that shows the unit has it: without the word temperature, which the unit tells."""
    return _with_instance(say(_short(point(name))), name)


def short_titles() -> tuple[str, ...]:
    """All short titles, for a catalogue of translations."""
    return tuple(dict.fromkeys(_short(each) for each in POINTS.values()))


def _short(base: Point) -> str:
    return base.title.replace(" temperature", "", 1)


def _with_instance(called: str, name: str) -> str:
    _, _, instance = name.partition(".")
    return f"{called} {instance}" if instance else called
