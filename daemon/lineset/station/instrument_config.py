"""The instruments of a station's configuration: what the drivers need, and the calibration of each channel."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import msgspec

from lineset.contract.entry import Calibration
from lineset_drivers import profile as profiles
from lineset_drivers.errors import LinkError
from lineset_drivers.instrument import BUILT_IN, InstrumentSpec
from lineset_drivers.link import LinkAddress, parse_link
from lineset_drivers.profile import Profile
from lineset_drivers.toml_text import Table

ID = r"[a-z0-9_-]{1,32}"
_DATE = r"\d{4}-\d{2}-\d{2}"
_RADIO = ("gatt", "bthome")
_SECRET = re.compile(r"key|password|secret|token|pin$", re.IGNORECASE)


class InstrumentConfig(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument: what the drivers need, and its calibration by channel."""

    spec: InstrumentSpec
    calibration: dict[str, Calibration] = {}
    roams: bool = False  # it goes from wire to wire, and is placed by what it reads


def read_instruments(root: Table, folder: Path | None, relay_key: str = "") -> tuple[list[InstrumentConfig], set[str]]:
    """The instruments that can be used, and the ids of all that are named. Problems go to `root.problems`."""
    found: list[InstrumentConfig] = []
    ids: set[str] = set()
    on_link: dict[str, list[InstrumentConfig]] = {}
    for table in root.tables("instrument"):
        id_ = table.text("id", regex=ID, example='"gauges"')
        if id_ and id_ in ids:
            table.problem("id", f"two instruments are called {id_!r}", "Give each its own id")
        ids.add(id_)
        item, address = _instrument(table, id_, folder, relay_key)
        if item is None or address is None:
            continue
        neighbours = on_link.setdefault(address.key, [])
        if address.scheme not in ("ble", "relay", "entered"):
            for other in neighbours:
                _check_neighbours(table, item.spec, other.spec)
        neighbours.append(item)
        found.append(item)
    return found, ids


def _instrument(
    table: Table, id_: str, folder: Path | None, relay_key: str
) -> tuple[InstrumentConfig | None, LinkAddress | None]:
    name = table.text("profile", example='"pressure-transducer-2ch"')
    link = table.text("link", example='"serial:///dev/ttyUSB0"')
    unit = table.integer("unit", None, least=1, most=247)
    serial = table.text("serial", "")
    roams = table.boolean("roams", False)
    profile = _profile(table, name, folder) if name else None
    options = _options(table.table("options"), profile)
    calibration = _calibrations(table.table("calibration"))
    table.finish()
    address = None
    if link:
        try:
            address = parse_link(link)
        except LinkError as error:
            table.problem("link", error.problem, error.remedy)
    if profile is None:
        return None, None
    known = {channel.name for channel in profile.channels}
    for channel in calibration:
        if channel not in known:
            table.problem("calibration", f"{id_} has no channel {channel!r}", f"It has {', '.join(sorted(known))}")
    if unit is not None and profile.protocol != "modbus":
        table.problem("unit", f"the profile {profile.name} is not of a Modbus unit", "Remove this key")
    if address is None:
        return None, None
    if why := _misfit(profile, address):
        table.problem("link", *why)
        return None, None
    if address.scheme == "relay":
        if not relay_key:
            table.problem(
                "link",
                "it comes through a relay, and no key is configured",
                'Copy the relay\'s key file here, and write [relay] key_file = "relay.key"',
            )
        options = {**options, "relay_key": relay_key}
    spec = InstrumentSpec(id=id_, profile=profile, link=link, unit=unit, serial=serial, options=options)
    return InstrumentConfig(spec=spec, calibration=calibration, roams=roams), address


def _profile(table: Table, name: str, folder: Path | None) -> Profile | None:
    if folder is not None and "/" in name:
        name = str(folder / name)  # as other paths here, it counts from the configuration's own folders
    problems = profiles.check(name, folder)
    for problem in problems:
        if problem.line:
            table.problems.append(problem)  # it names the profile's own file and line
        else:
            table.problem("profile", f"{name!r}: {problem.problem}", problem.remedy)
    return None if problems else profiles.load(name, folder)


def _misfit(profile: Profile, address: LinkAddress) -> tuple[str, str] | None:
    """Problem and remedy where the profile's protocol does not go over this kind of link."""
    protocol = profile.protocol
    if address.scheme == "relay" and protocol != "entered":
        return None  # how it is read is the relay's own matter
    if protocol not in BUILT_IN:
        return None
    if protocol in _RADIO:
        fits, example = address.scheme == "ble", "ble://AA:BB:CC:DD:EE:FF"
    elif protocol == "entered":
        fits, example = address.scheme == "entered", "entered:"
    else:
        fits, example = address.scheme not in ("ble", "entered"), "serial:///dev/ttyUSB0"
    if fits:
        return None
    return f"the profile {profile.name} is not read over {address.scheme}", f'Write it like: link = "{example}"'


def _check_neighbours(table: Table, spec: InstrumentSpec, other: InstrumentSpec) -> None:
    if spec.profile.protocol != "modbus" or other.profile.protocol != "modbus":
        table.problem(
            "link",
            f"{other.id} is on this link already, and only Modbus units share one",
            "Give each its own link",
        )
        return
    number = spec.profile.link.unit if spec.unit is None else spec.unit
    taken = other.profile.link.unit if other.unit is None else other.unit
    if number == taken:
        table.problem(
            "unit", f"{other.id} has unit number {number} on this link already", "Give each its own unit number"
        )


def _options(table: Table, profile: Profile | None) -> dict[str, Any]:
    """Settings that stand in place of the profile's [link], and what only one instrument can have."""
    if profile is not None and profile.protocol not in BUILT_IN:
        return table.rest()  # a third party's driver knows its own
    found = {
        "baud": table.integer("baud", None, least=50, most=4_000_000),
        "bytesize": table.integer("bytesize", None, least=5, most=8),
        "parity": table.text("parity", None, one_of=("N", "E", "O", "M", "S")),
        "stopbits": table.number("stopbits", None, least=1, most=2),
        "timeout_s": table.number("timeout_s", None, above=0, most=60),
        "framing": table.text("framing", None, one_of=("rtu", "tcp")),
        "bindkey": table.text("bindkey", None, regex="[0-9A-Fa-f]{32}", example='"32 hex digits"'),
        "adapter": table.text("adapter", None, example='"hci1"'),
    }
    table.finish()
    return {key: value for key, value in found.items() if value is not None}


def without_secrets(text: str, instruments: Sequence[InstrumentConfig]) -> str:
    """A configuration's text for the record, which others get to read: without the keys that instruments are given."""
    for item in instruments:
        for key, value in item.spec.options.items():
            if isinstance(value, str) and value and _SECRET.search(key):
                text = text.replace(value, "left out of the record")
    return text


def _date(table: Table, key: str) -> str:
    text: str = table.text(key, "", regex=_DATE, example='"2027-03-01"')
    if re.fullmatch(_DATE, text):
        try:
            date.fromisoformat(text)
        except ValueError:
            table.problem(key, f"there is no day {text}", "Write year-month-day as in a calendar")
            return ""
    return text


def _calibrations(table: Table) -> dict[str, Calibration]:
    found = {}
    for channel in table:
        row = table.table(channel)
        found[channel] = Calibration(
            gain=row.number("gain", 1.0, above=0.0),
            offset=row.number("offset", 0.0),
            u=row.number("u", 0.0, least=0.0),
            u_gain=row.number("u_gain", 0.0, least=0.0),
            reference=row.text("reference", ""),
            reference_u=row.number("reference_u", 0.0, least=0.0),
            date=_date(row, "date"),
            due=_date(row, "due"),
            source=row.text("source", ""),
        )
        row.finish()
    return found
