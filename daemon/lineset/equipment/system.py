"""The system served, as a config or a command describes it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import msgspec

from lineset.equipment.errors import SystemDescriptionError as SystemDescriptionError
from lineset.equipment.nameplate import BLANK, Nameplate, nameplate

METERING_DEVICES = ("txv", "eev", "fixed_orifice", "capillary")
KINDS = ("split_ac", "split_heat_pump", "package_ac", "package_heat_pump")
CAPACITY_CONTROLS = ("single", "two_stage", "inverter")
CHARGE_STAGES = ("high", "low")
NO_NAME = "main"
"""The id of a system that nobody gave one: two of that id need not be the same equipment"""
_ID = re.compile(r"[a-z0-9_-]{1,32}")
SYSTEM_KEYS = (
    "id",
    "refrigerant",
    "metering_device",
    "line_frequency_hz",
    "altitude_m",
    "title",
    "kind",
    "capacity_control",
    "charge_stage",
    "nameplate",
)


class SystemRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The system served, as far as the engine needs it."""

    id: str
    refrigerant: str
    metering_device: str = ""
    line_frequency_hz: float = 60.0
    altitude_m: float = 0.0
    title: str = ""
    kind: str = ""  # of KINDS; "" is: not given
    capacity_control: str = ""  # of CAPACITY_CONTROLS; "" is: not given
    charge_stage: str = ""  # of CHARGE_STAGES: in which stage the maker has its charge judged; "" is: in full stage
    nameplate: Nameplate = BLANK


def system_record(described: Mapping[str, Any]) -> SystemRecord:
    """The record of a system from its description ({id, refrigerant, metering_device, ...}).

    Raises SystemDescriptionError with key and remedy. Whether the refrigerant is known, who has the curves says.
    """
    unknown = [key for key in described if key not in SYSTEM_KEYS]
    if unknown:
        raise SystemDescriptionError(f"system: the key {unknown[0]!r} is not known; use {', '.join(SYSTEM_KEYS)}")
    for key in ("id", "refrigerant"):
        if not isinstance(described.get(key), str) or not described[key]:
            raise SystemDescriptionError(f"system: {key!r} is missing; write it as a text")
    if not _ID.fullmatch(described["id"]):
        raise SystemDescriptionError(f"system: the id {described['id']!r} must be 1 to 32 of a-z, 0-9, _ and -")
    device = described.get("metering_device", "")
    if device and device not in METERING_DEVICES:
        raise SystemDescriptionError(
            f"system: the metering device {device!r} is not known; use {', '.join(METERING_DEVICES)}"
        )
    for key, known in (("kind", KINDS), ("capacity_control", CAPACITY_CONTROLS), ("charge_stage", CHARGE_STAGES)):
        if described.get(key, "") not in ("", *known):
            raise SystemDescriptionError(f"system: {key} {described[key]!r} is not known; use {', '.join(known)}")
    if described.get("charge_stage") and described.get("capacity_control") != "two_stage":
        raise SystemDescriptionError(
            "system: charge_stage is of a two-stage system; look at capacity_control, or leave charge_stage out"
        )
    frequency = _number(described, "line_frequency_hz", 60.0)
    if frequency not in (50.0, 60.0):
        raise SystemDescriptionError(f"system: line_frequency_hz is 50 or 60, not {frequency:g}")
    altitude = _number(described, "altitude_m", 0.0)
    if not -400.0 <= altitude <= 5000.0:
        raise SystemDescriptionError(f"system: altitude_m {altitude:g} is outside -400 to 5000")
    return SystemRecord(
        id=described["id"],
        refrigerant=described["refrigerant"],
        metering_device=device,
        line_frequency_hz=frequency,
        altitude_m=altitude,
        title=str(described.get("title", "")),
        kind=described.get("kind", ""),
        capacity_control=described.get("capacity_control", ""),
        charge_stage=described.get("charge_stage", ""),
        nameplate=nameplate(described.get("nameplate", {})),
    )


def _number(described: Mapping[str, Any], key: str, usual: float) -> float:
    value = described.get(key, usual)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SystemDescriptionError(f"system: {key} is a number, not {value!r}")
    return float(value)
