"""A system's description as a person writes it, from its record and back: to amend it, and to keep it for next year.

Figures are in the units of a nameplate, each named in its key, as in a station's configuration.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lineset.equipment.errors import SystemDescriptionError
from lineset.equipment.nameplate import _CFM_M3_S, _INWC_PA, _MOTORS, _POUND_KG, BLANK, KEYS, NUMBERS, YEARS, Nameplate
from lineset.equipment.system import SYSTEM_KEYS, SystemRecord, system_record
from lineset_drivers.errors import ProfileError
from lineset_drivers.toml_text import Table, parse

_FIXED = ("id", "nameplate")


def described(record: SystemRecord) -> dict[str, Any]:
    """The description from which `system_record` makes this record again. What was not given is left out."""
    found: dict[str, Any] = {"id": record.id, "refrigerant": record.refrigerant}
    usual = SystemRecord(id=record.id, refrigerant=record.refrigerant)
    for key in SYSTEM_KEYS:
        if key not in (*found, "nameplate") and getattr(record, key) != getattr(usual, key):
            found[key] = getattr(record, key)
    plate = _plate(record.nameplate)
    if plate:
        found["nameplate"] = plate
    return found


def _plate(plate: Nameplate) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, (field, factor, _low, _high) in NUMBERS.items():
        if getattr(plate, field) != getattr(BLANK, field):
            found[key] = _tidy(getattr(plate, field) / factor)
    for key in (*YEARS, *_MOTORS):
        if getattr(plate, key):
            found[key] = getattr(plate, key)
    if plate.heat_strip_w:
        found["heat_strip_kw"] = [_tidy(watts / 1e3) for watts in plate.heat_strip_w]
    if plate.blower_table:
        found["blower_table"] = [[_tidy(at / _INWC_PA), _tidy(flow / _CFM_M3_S)] for at, flow in plate.blower_table]
    sheet = plate.compressor_map
    if sheet is not None:
        rows: dict[str, Any] = {"temperature": "degF" if sheet.fahrenheit else "degC"}
        if sheet.power_w:
            rows["power_w"] = list(sheet.power_w)
        if sheet.mass_flow_kg_s:
            rows["mass_flow_lb_h"] = [_tidy(each * 3600 / _POUND_KG) for each in sheet.mass_flow_kg_s]
        if sheet.current_a:
            rows["current_a"] = list(sheet.current_a)
        if sheet.superheat_k is not None:
            rows["superheat_f"] = _tidy(sheet.superheat_k * 1.8)
        if sheet.return_gas_cel is not None:
            rows["return_gas_f"] = _tidy(sheet.return_gas_cel * 1.8 + 32.0)
        found["compressor_map"] = rows
    return found


def _tidy(value: float) -> float:
    return float(f"{value:.10g}")


def amended(record: SystemRecord, given: Mapping[str, Any]) -> tuple[SystemRecord, tuple[str, ...]]:
    """The record with what is given now, and the keys that were given. None takes a key back.

    Keys of the nameplate may stand under `nameplate` or beside the others. Raises SystemDescriptionError.
    """
    if not given:
        raise SystemDescriptionError("system: nothing was given; write KEY=VALUE, such as compressor_rla_a=13.5")
    own = {key: value for key, value in given.items() if key in SYSTEM_KEYS and key != "nameplate"}
    under = given.get("nameplate", {})
    if not isinstance(under, Mapping):
        raise SystemDescriptionError(f"system: nameplate is a table of ratings, not {under!r}")
    plate = {key: value for key, value in given.items() if key not in SYSTEM_KEYS} | dict(under)
    if own.get("id", record.id) != record.id:
        raise SystemDescriptionError(f"system: the id {record.id} stays for the visit; open another system instead")
    for key in ("refrigerant",):
        if key in own and not own[key]:
            raise SystemDescriptionError(f"system: {key} cannot be taken back; write what the nameplate says")
    for key in plate:
        if key not in KEYS:
            known = ", ".join((*[each for each in SYSTEM_KEYS if each not in _FIXED], *KEYS))
            raise SystemDescriptionError(f"system: the key {key!r} is not known; use {known}")
    whole = described(record)
    merged = _merged(whole, own)
    merged["nameplate"] = _merged(whole.get("nameplate", {}), plate)
    return system_record(merged), tuple(sorted((*own, *plate)))


def _merged(before: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in {**before, **given}.items() if value is not None}


def completed(first: SystemRecord, remembered: SystemRecord) -> SystemRecord:
    """A record with what is remembered of it where it says nothing itself. Raises SystemDescriptionError."""
    said, kept = described(first), described(remembered)
    plate = {**kept.get("nameplate", {}), **said.get("nameplate", {})}
    return system_record({**kept, **said, "nameplate": plate})


# ------------------------------------------------------------------------------------------------------- as a file


def system_text(record: SystemRecord, date: str, visit: str = "") -> str:
    """A system's description as a TOML file, to be read and put right by a person. `date` is an ISO date."""
    whole = described(record)
    plate = whole.pop("nameplate", {})
    sheet = plate.pop("compressor_map", None)
    of = f" in visit {visit}" if visit else ""
    lines = [f"# What is known of this system, as of {date}{of}. It may be put right by hand.", f'noted = "{date}"']
    lines += [f"{key} = {_toml(value)}" for key, value in whole.items()]
    if plate or sheet:
        lines += ["", "[nameplate]", *[f"{key} = {_toml(value)}" for key, value in plate.items()]]
    if sheet:
        lines += ["", "[nameplate.compressor_map]", *[f"{key} = {_toml(value)}" for key, value in sheet.items()]]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)


class SystemFileError(SystemDescriptionError):
    """A system's file that cannot be used; `problems` holds every one of them, with key, line and remedy."""

    def __init__(self, problems: list[ProfileError]) -> None:
        self.problems = problems
        super().__init__("; ".join(str(problem) for problem in problems))


def read_system(text: str, file: str) -> tuple[SystemRecord, str]:
    """A system and the date of its description from a file's text. Raises SystemFileError."""
    root = parse(text, file)
    found = None
    noted = ""
    if not root.problems:
        noted = root.text("noted", "")
        found = system_of(root)
    if found is None or root.problems:
        raise SystemFileError(root.problems)
    return found, noted


def system_of(table: Table) -> SystemRecord | None:
    """The system that a table describes. Problems go to the table, each with key, line and remedy; then None."""
    before = len(table.problems)
    plate = table.table("nameplate")
    under = plate.rest()
    whole = {key: value for key, value in table.rest().items() if key != "nameplate"}
    for key in ("id", "refrigerant"):
        if key not in whole:
            table.problem(key, "this key is missing", f'Add it, for example: {key} = "{_EXAMPLES[key]}"')
    for where, given, minimal in (
        (table, whole, {"id": "a", "refrigerant": "b"}),
        (plate, {key: {"nameplate": {key: value}} for key, value in under.items()}, {"id": "a", "refrigerant": "b"}),
    ):
        for key, value in given.items():
            try:
                system_record({**minimal, **(value if where is plate else {key: value})})
            except SystemDescriptionError as error:
                problem, _, remedy = str(error).removeprefix("system: ").partition("; ")
                where.problem(key, problem, remedy[:1].upper() + remedy[1:] or "Put it right")
    if len(table.problems) > before:
        return None
    try:
        return system_record({**whole, "nameplate": under})
    except SystemDescriptionError as error:  # each key is right, and they do not go together
        problem, _, remedy = str(error).removeprefix("system: ").partition("; ")
        plate.problem("", problem, remedy[:1].upper() + remedy[1:] or "Put it right")
        return None


_EXAMPLES = {"id": "upstairs", "refrigerant": "R-410A"}
