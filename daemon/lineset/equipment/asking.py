"""What a check still needs of a system's description, as a sentence that says how to give it. Pure.

Only the refrigerant and the metering device are asked before the first number; everything else here, when it is
needed. The figures in the examples are invented.
"""

from __future__ import annotations

WANTED: dict[str, tuple[str, str]] = {
    "metering_device": ("which metering device it has", "txv"),
    "capacity_control": ("whether it has one stage, two, or an inverter", "single"),
    "kind": ("what kind of system it is", "split_ac"),
    "capacity_tons": ("its tons", "3"),
    "herm_capacitor_uf": ("the HERM capacitor's marking", "45"),
    "fan_capacitor_uf": ("the FAN capacitor's marking", "5"),
    "blower_capacitor_uf": ("the blower capacitor's marking", "10"),
    "compressor_rla_a": ("the compressor's RLA", "13.5"),
    "outdoor_fan_fla_a": ("the outdoor fan's FLA", "1.1"),
    "blower_fla_a": ("the blower's FLA", "4.3"),
    "heat_strip_kw": ("the kW of each heat strip", "5,5"),
    "subcooling_target_f": ("the nameplate's subcooling", "10"),
    "superheat_target_f": ("the nameplate's superheat", "12"),
    "duct_area_ft2": ("the duct's area", "1.8"),
}
"""Key of a description -> what it is, in words, and an example of its value"""


def needs(key: str) -> str:
    """ "needs the compressor's RLA: lineset visit amend compressor_rla_a=13.5". Raises KeyError for an unasked key."""
    words, example = WANTED[key]
    return f"needs {words}: lineset visit amend {key}={example}"
