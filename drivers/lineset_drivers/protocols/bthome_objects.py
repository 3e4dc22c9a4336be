"""The objects of BTHome v2 as one table: id -> name, kind, format, length, factor, unit.

Source: bthome.io/format; the 95 ids known to bthome-ble 3.25.0, units as published there.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Kind(StrEnum):
    """What an object is: a measured value, a yes-or-no state, an event, or a fact about the device."""

    SENSOR = "sensor"
    BINARY = "binary"
    EVENT = "event"
    DEVICE = "device"


class ObjectType(NamedTuple):
    """One object id: value = raw x `multiplier` / `divisor` in `unit`."""

    object_id: int
    name: str
    kind: Kind
    format: str  # "uint" "sint" "text" "raw" "button" "dimmer" "version" "command"
    size_bytes: int | None  # None: not known, nothing behind it can be read; 0: a length byte comes first
    divisor: int = 1
    unit: str = ""
    multiplier: int = 1


O = ObjectType  # noqa: E741 - one letter keeps the table readable
OBJECTS: dict[int, ObjectType] = {
    row.object_id: row
    for row in (
        O(0x00, "packet_id", Kind.SENSOR, "uint", 1),
        O(0x01, "battery", Kind.SENSOR, "uint", 1, 1, "%"),
        O(0x02, "temperature", Kind.SENSOR, "sint", 2, 100, "°C"),
        O(0x03, "humidity", Kind.SENSOR, "uint", 2, 100, "%"),
        O(0x04, "pressure", Kind.SENSOR, "uint", 3, 100, "mbar"),
        O(0x05, "illuminance", Kind.SENSOR, "uint", 3, 100, "lx"),
        O(0x06, "mass", Kind.SENSOR, "uint", 2, 100, "kg"),
        O(0x07, "mass", Kind.SENSOR, "uint", 2, 100, "lb"),
        O(0x08, "dew_point", Kind.SENSOR, "sint", 2, 100, "°C"),
        O(0x09, "count", Kind.SENSOR, "uint", 1),
        O(0x0A, "energy", Kind.SENSOR, "uint", 3, 1000, "kWh"),
        O(0x0B, "power", Kind.SENSOR, "uint", 3, 100, "W"),
        O(0x0C, "voltage", Kind.SENSOR, "uint", 2, 1000, "V"),
        O(0x0D, "pm25", Kind.SENSOR, "uint", 2, 1, "µg/m³"),
        O(0x0E, "pm10", Kind.SENSOR, "uint", 2, 1, "µg/m³"),
        O(0x0F, "generic", Kind.BINARY, "uint", 1),
        O(0x10, "power", Kind.BINARY, "uint", 1),
        O(0x11, "opening", Kind.BINARY, "uint", 1),
        O(0x12, "carbon_dioxide", Kind.SENSOR, "uint", 2, 1, "ppm"),
        O(0x13, "volatile_organic_compounds", Kind.SENSOR, "uint", 2, 1, "µg/m³"),
        O(0x14, "moisture", Kind.SENSOR, "uint", 2, 100, "%"),
        O(0x15, "battery", Kind.BINARY, "uint", 1),
        O(0x16, "battery_charging", Kind.BINARY, "uint", 1),
        O(0x17, "carbon_monoxide", Kind.BINARY, "uint", 1),
        O(0x18, "cold", Kind.BINARY, "uint", 1),
        O(0x19, "connectivity", Kind.BINARY, "uint", 1),
        O(0x1A, "door", Kind.BINARY, "uint", 1),
        O(0x1B, "garage_door", Kind.BINARY, "uint", 1),
        O(0x1C, "gas", Kind.BINARY, "uint", 1),
        O(0x1D, "heat", Kind.BINARY, "uint", 1),
        O(0x1E, "light", Kind.BINARY, "uint", 1),
        O(0x1F, "lock", Kind.BINARY, "uint", 1),
        O(0x20, "moisture", Kind.BINARY, "uint", 1),
        O(0x21, "motion", Kind.BINARY, "uint", 1),
        O(0x22, "moving", Kind.BINARY, "uint", 1),
        O(0x23, "occupancy", Kind.BINARY, "uint", 1),
        O(0x24, "plug", Kind.BINARY, "uint", 1),
        O(0x25, "presence", Kind.BINARY, "uint", 1),
        O(0x26, "problem", Kind.BINARY, "uint", 1),
        O(0x27, "running", Kind.BINARY, "uint", 1),
        O(0x28, "safety", Kind.BINARY, "uint", 1),
        O(0x29, "smoke", Kind.BINARY, "uint", 1),
        O(0x2A, "sound", Kind.BINARY, "uint", 1),
        O(0x2B, "tamper", Kind.BINARY, "uint", 1),
        O(0x2C, "vibration", Kind.BINARY, "uint", 1),
        O(0x2D, "window", Kind.BINARY, "uint", 1),
        O(0x2E, "humidity", Kind.SENSOR, "uint", 1, 1, "%"),
        O(0x2F, "moisture", Kind.SENSOR, "uint", 1, 1, "%"),
        O(0x3A, "button", Kind.EVENT, "button", 1),
        O(0x3B, "command", Kind.EVENT, "command", None),
        O(0x3C, "dimmer", Kind.EVENT, "dimmer", 2),
        O(0x3D, "count", Kind.SENSOR, "uint", 2),
        O(0x3E, "count", Kind.SENSOR, "uint", 4),
        O(0x3F, "rotation", Kind.SENSOR, "sint", 2, 10, "°"),
        O(0x40, "distance", Kind.SENSOR, "uint", 2, 1, "mm"),
        O(0x41, "distance", Kind.SENSOR, "uint", 2, 10, "m"),
        O(0x42, "duration", Kind.SENSOR, "uint", 3, 1000, "s"),
        O(0x43, "current", Kind.SENSOR, "uint", 2, 1000, "A"),
        O(0x44, "speed", Kind.SENSOR, "uint", 2, 100, "m/s"),
        O(0x45, "temperature", Kind.SENSOR, "sint", 2, 10, "°C"),
        O(0x46, "uv_index", Kind.SENSOR, "uint", 1, 10),
        O(0x47, "volume", Kind.SENSOR, "uint", 2, 10, "L"),
        O(0x48, "volume", Kind.SENSOR, "uint", 2, 1, "mL"),
        O(0x49, "volume_flow_rate", Kind.SENSOR, "uint", 2, 1000, "m³/h"),
        O(0x4A, "voltage", Kind.SENSOR, "uint", 2, 10, "V"),
        O(0x4B, "gas", Kind.SENSOR, "uint", 3, 1000, "m³"),
        O(0x4C, "gas", Kind.SENSOR, "uint", 4, 1000, "m³"),
        O(0x4D, "energy", Kind.SENSOR, "uint", 4, 1000, "kWh"),
        O(0x4E, "volume", Kind.SENSOR, "uint", 4, 1000, "L"),
        O(0x4F, "water", Kind.SENSOR, "uint", 4, 1000, "L"),
        O(0x50, "timestamp", Kind.SENSOR, "uint", 4),
        O(0x51, "acceleration", Kind.SENSOR, "uint", 2, 1000, "m/s²"),
        O(0x52, "gyroscope", Kind.SENSOR, "uint", 2, 1000, "°/s"),
        O(0x53, "text", Kind.SENSOR, "text", 0),
        O(0x54, "raw", Kind.SENSOR, "raw", 0),
        O(0x55, "volume_storage", Kind.SENSOR, "uint", 4, 1000, "L"),
        O(0x56, "conductivity", Kind.SENSOR, "uint", 2, 1, "µS/cm"),
        O(0x57, "temperature", Kind.SENSOR, "sint", 1, 1, "°C"),
        O(0x58, "temperature", Kind.SENSOR, "sint", 1, 20, "°C", 7),
        O(0x59, "count", Kind.SENSOR, "sint", 1),
        O(0x5A, "count", Kind.SENSOR, "sint", 2),
        O(0x5B, "count", Kind.SENSOR, "sint", 4),
        O(0x5C, "power", Kind.SENSOR, "sint", 4, 100, "W"),
        O(0x5D, "current", Kind.SENSOR, "sint", 2, 1000, "A"),
        O(0x5E, "direction", Kind.SENSOR, "uint", 2, 100, "°"),
        O(0x5F, "precipitation", Kind.SENSOR, "uint", 2, 10, "mm"),
        O(0x60, "channel", Kind.SENSOR, "uint", 1),
        O(0x61, "rotational_speed", Kind.SENSOR, "uint", 2, 1, "rpm"),
        O(0x62, "speed", Kind.SENSOR, "sint", 4, 1000000, "m/s"),
        O(0x63, "acceleration", Kind.SENSOR, "sint", 4, 1000000, "m/s²"),
        O(0x64, "light_level", Kind.SENSOR, "uint", 1),
        O(0x65, "settings_revision", Kind.SENSOR, "uint", 1),
        O(0xF0, "device_type_id", Kind.DEVICE, "uint", 2),
        O(0xF1, "firmware_version_4", Kind.DEVICE, "version", 4),
        O(0xF2, "firmware_version_3", Kind.DEVICE, "version", 3),
    )
}
"""All objects by their id."""
