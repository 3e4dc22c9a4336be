"""What the demo promises to settle, by system and phase: when one is missing, the demo fails."""

from __future__ import annotations

CLAMPED = ("compressor_common_current", "outdoor_fan_current")
LEADS = ("herm_lead_current", "fan_capacitor_lead_current", "capacitor_herm_voltage", "capacitor_fan_voltage")
CIRCUIT = (
    "vapor_service_pressure",
    "liquid_service_pressure",
    "vapor_line_temperature",
    "liquid_line_temperature",
    "total_superheat",
    "subcooling",
    "compression_ratio_estimate",
)
AIR = ("temperature_split", "return_air_temperature", "supply_air_temperature", "outdoor_air_temperature")
STATICS = ("return_static", "supply_static")
UNIT = ("line_voltage", "power")
CAPACITORS = ("herm_capacitance_under_load", "fan_capacitance_under_load")
INDOORS = ("blower_current", "heat_strip_current.1", "heat_strip_current.2")

PROMISED: dict[tuple[str, str], tuple[str, ...]] = {
    ("downstairs", "at_rest"): ("vapor_service_pressure", "liquid_service_pressure"),
    ("downstairs", "before"): (*CIRCUIT, *AIR, *STATICS, *UNIT, *CLAMPED, *LEADS, *CAPACITORS, *INDOORS),
    ("downstairs", "work"): ("herm_capacitance", "fan_capacitance"),
    ("downstairs", "after"): (*CIRCUIT, *AIR, *STATICS, *UNIT, *CLAMPED),
    ("upstairs", "before"): (*AIR, *UNIT, *CLAMPED),
    ("upstairs", "after"): (*AIR, *UNIT, *CLAMPED),
}


def until(phase: str) -> dict[tuple[str, str], tuple[str, ...]]:
    """What is promised by the end of a phase; all of it when none is named."""
    order = ("at_rest", "before", "work", "drying", "after")
    last = order.index(phase) if phase else len(order)
    return {where: names for where, names in PROMISED.items() if order.index(where[1]) <= last}
