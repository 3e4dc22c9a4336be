"""What each conductor, terminal and capacitor of a system may be expected to read, for telling which one a clamp is on.

From the nameplate where it says so, else from what house equipment of the size usually draws. The spreads are wide and
are judgement (common practice, no source); what was read at a point earlier in the visit is far tighter.
"""

from __future__ import annotations

import math

from lineset.equipment.system import SystemRecord

_TON_W = 3516.85
# The voltage across a run capacitor's own terminals, against the line's: common practice, no source.
_HERM_RISE, _FAN_RISE = 1.50, 1.45
_LINE_V = 240.0
READ_BEFORE = 0.05


def expected(system: SystemRecord) -> dict[str, tuple[float, float]]:
    """Point -> (usual value [SI], spread of its logarithm), for what a meter that roams may visit."""
    plate = system.nameplate
    tons = (plate.capacity_w or 3.0 * _TON_W) / _TON_W
    known = 0.25 if plate.capacity_w else 0.45
    found: dict[str, tuple[float, float]] = {}
    compressor = (0.72 * plate.compressor_rla_a, 0.22) if plate.compressor_rla_a else (2.6 * tons, known)
    fan = (0.85 * plate.outdoor_fan_fla_a, 0.22) if plate.outdoor_fan_fla_a else (0.45 * tons, 0.45)
    blower = (0.65 * plate.blower_fla_a, 0.40) if plate.blower_fla_a else (1.0 * tons, 0.60)
    found["compressor_common_current"] = compressor
    found["outdoor_fan_current"] = fan
    found["blower_current"] = blower
    omega = 2.0 * math.pi * system.line_frequency_hz
    herm, fan_f = plate.herm_capacitor_f, plate.fan_capacitor_f
    found["herm_lead_current"] = (omega * (herm or 40e-6) * _HERM_RISE * _LINE_V, 0.14 if herm else 0.40)
    found["fan_capacitor_lead_current"] = (omega * (fan_f or 6e-6) * _FAN_RISE * _LINE_V, 0.20 if fan_f else 0.45)
    strips = plate.heat_strip_w
    rated = plate.heat_strip_rated_v
    for number, watts in enumerate(strips, 1):
        found[f"heat_strip_current.{number}" if len(strips) > 1 else "heat_strip_current"] = (watts / rated, 0.08)
    if strips:
        found["heat_strip_feed_current"] = (sum(strips) / rated + blower[0], 0.12)
    found["capacitor_herm_voltage"] = (_HERM_RISE * _LINE_V, 0.08)
    found["capacitor_fan_voltage"] = (_FAN_RISE * _LINE_V, 0.08)
    found["line_voltage"] = (_LINE_V, 0.03)
    found["air_handler_voltage"] = (_LINE_V, 0.03)
    found["control_voltage"] = (26.0, 0.07)
    found["herm_capacitance"] = (herm or 40e-6, 0.10 if herm else 0.35)
    found["fan_capacitance"] = (fan_f or 6e-6, 0.12 if fan_f else 0.35)
    blower_f = plate.blower_capacitor_f
    found["blower_capacitance"] = (blower_f or 8e-6, 0.12 if blower_f else 0.35)
    return found
