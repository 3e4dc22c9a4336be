"""The order in which a technician walks past the points of a split system: what screens and sheets list them in.

Outdoors first: panel, then lines and coil; then indoors along the air. A way of working, common practice, no source.
"""

from __future__ import annotations

STOPS: dict[str, tuple[str, ...]] = {
    "outdoor unit, electrical": (
        "line_voltage",
        "line_voltage_ab",
        "line_voltage_bc",
        "line_voltage_ca",
        "contactor_drop",
        "compressor_inrush_voltage",
        "compressor_inrush_current",
        "compressor_common_current",
        "compressor_run_current",
        "compressor_start_current",
        "herm_lead_current",
        "capacitor_herm_voltage",
        "herm_capacitance",
        "outdoor_fan_current",
        "fan_capacitor_lead_current",
        "capacitor_fan_voltage",
        "fan_capacitance",
        "outdoor_unit_current",
        "power",
        "compressor_power",
    ),
    "outdoor unit, lines and coil": (
        "outdoor_air_temperature",
        "condenser_leaving_temperature",
        "vapor_service_pressure",
        "vapor_line_temperature",
        "liquid_service_pressure",
        "liquid_line_temperature",
        "common_suction_pressure",
        "discharge_pressure",
        "discharge_line_temperature",
        "barometric_pressure",
    ),
    "indoor unit, along the air": (
        "return_air_temperature",
        "return_air_humidity",
        "return_air_wet_bulb",
        "return_static",
        "filter_drop",
        "coil_drop",
        "supply_static",
        "supply_air_temperature",
        "supply_air_humidity",
        "supply_air_wet_bulb",
        "supply_air_velocity",
        "airflow",
        "control_voltage",
        "air_handler_voltage",
        "blower_current",
        "blower_power",
        "blower_capacitance",
        "heat_strip_current",
        "heat_strip_feed_current",
    ),
}

_PLACE = {name: number for number, name in enumerate(name for stop in STOPS.values() for name in stop)}
_STOP = {name: stop for stop, names in STOPS.items() for name in names}


def stop_of(name: str) -> str:
    """Where on the walk a point is ("outdoor unit, electrical"), its instance left out. Raises KeyError."""
    return _STOP[name.partition(".")[0]]


def walking_order(name: str) -> tuple[int, int]:
    """Sort key of points: by the walk, instances in their own order. Raises KeyError for what is no point."""
    base, _, instance = name.partition(".")
    return _PLACE[base], int(instance or 0)
