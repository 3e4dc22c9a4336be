"""The station's configuration: one TOML file, checked whole, every problem with key, line and remedy."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import msgspec

from lineset.contract.entry import Calibration
from lineset.equipment.points import PointError, point
from lineset.equipment.system import SystemDescriptionError, SystemRecord, system_record
from lineset_drivers import profile as profiles
from lineset_drivers.errors import LinkError, ProfileError
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.link import parse_link
from lineset_drivers.toml_text import Table, parse

_NAME = r"[a-z0-9_-]{1,32}"
_DATE = r"\d{4}-\d{2}-\d{2}"


class ConfigError(Exception):
    """A configuration that cannot be used; `problems` holds every one of them."""

    def __init__(self, problems: list[ProfileError]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class BrokerConfig(msgspec.Struct, frozen=True, kw_only=True):
    """Another broker than the local one. `url` mqtt:// or mqtts://; credentials in a file of its own."""

    url: str = ""
    credentials: Path | None = None
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    origins: tuple[str, ...] = ()  # pages allowed to open the local broker's WebSocket, besides its own


class PlacementConfig(msgspec.Struct, frozen=True, kw_only=True):
    """Where a channel sits from the start of a visit."""

    instrument: str
    channel: str
    point: str
    system: str = ""


class InstrumentConfig(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument: what the drivers need, and its calibration by channel."""

    spec: InstrumentSpec
    calibration: dict[str, Calibration] = {}


class Config(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a station is told. `rate_hz` of live values is None for all of them; `speed` is for demos."""

    name: str
    shop: str
    data: Path
    units: Literal["customary", "si"]
    rate_hz: float | None
    speed: float
    broker: BrokerConfig
    profiles: Path | None
    instruments: tuple[InstrumentConfig, ...]
    placements: tuple[PlacementConfig, ...]
    systems: tuple[SystemRecord, ...]
    text: str
    file: str


def default_folder() -> Path:
    """Where a station keeps its data unless told otherwise."""
    import platformdirs

    return Path(platformdirs.user_data_dir("lineset"))


def load(file: Path) -> Config:
    """Read and check a configuration file. Raises ConfigError with every problem found."""
    try:
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(
            [ProfileError(f"cannot read it ({error.strerror})", remedy="Check the path and its permissions", file=file)]
        ) from error
    except UnicodeDecodeError as error:
        raise ConfigError([ProfileError("it is not UTF-8 text", remedy="Save it as UTF-8", file=file)]) from error
    return read(text, file)


def read(text: str, file: str | Path = "config", folder: Path | None = None) -> Config:
    """A configuration from its text; relative paths in it count from its own folder. Raises ConfigError."""
    base = folder or Path(file).resolve().parent
    root = parse(text, str(file))
    problems = root.problems
    station = root.table("station")
    data = station.text("data", "")
    config_profiles = station.text("profiles", "")
    folder_of_profiles = base / config_profiles if config_profiles else None
    name = station.text("name", "station", regex=_NAME, example='"van-1"')
    shop = station.text("shop", "shop", regex=_NAME, example='"shop"')
    units = station.text("units", "customary", one_of=("customary", "si"))
    speed = station.number("speed", 1.0, above=0.0, most=200.0)
    station.finish()
    live = root.table("live")
    rate: float | None = None
    if not live.boolean("all", False):
        rate = live.number("rate_hz", 2.0, above=0.0, most=100.0)
    live.finish()
    broker = _broker(root.table("broker"), base)
    instruments = tuple(_instruments(root, folder_of_profiles))
    systems = tuple(_systems(root))
    placements = tuple(_placements(root, instruments, systems))
    root.finish()
    if problems:
        raise ConfigError(problems)
    return Config(
        name=name,
        shop=shop,
        data=(base / Path(data).expanduser()) if data else default_folder(),
        units=units,
        rate_hz=rate,
        speed=speed,
        broker=broker,
        profiles=folder_of_profiles,
        instruments=instruments,
        placements=placements,
        systems=systems,
        text=text,
        file=str(file),
    )


def _broker(table: Table, base: Path) -> BrokerConfig:
    def path(key: str) -> Path | None:
        given = table.text(key, "")
        return base / Path(given).expanduser() if given else None

    url = table.text("url", "")
    if url and not re.match(r"mqtts?://[^/\s@]+", url):
        table.problem("url", f"{url!r} is no broker's address", "Write mqtt://host:1883 or mqtts://host:8883")
    found = BrokerConfig(
        url=url,
        credentials=path("credentials"),
        ca=path("ca"),
        certificate=path("certificate"),
        key=path("key"),
        origins=table.items("origins", (str,), ()),
    )
    table.finish()
    return found


def _instruments(root: Table, folder: Path | None) -> Iterator[InstrumentConfig]:
    seen: set[str] = set()
    for table in root.tables("instrument"):
        id_ = table.text("id", regex=_NAME, example='"gauges"')
        if id_ in seen:
            table.problem("id", f"two instruments are called {id_!r}", "Give each its own id")
        seen.add(id_)
        name = table.text("profile", example='"pressure-transducer-2ch"')
        link = table.text("link", example='"serial:///dev/ttyUSB0"')
        unit = table.integer("unit", None, least=1, most=247)
        serial = table.text("serial", "")
        options = _options(table.table("options"))
        calibration = _calibrations(table.table("calibration"))
        try:
            address = parse_link(link) if link else None
        except LinkError as error:
            table.problem("link", error.problem, error.remedy)
            address = None
        found = None
        if name:
            given = folder / f"{name}.toml" if folder and (folder / f"{name}.toml").exists() else name
            try:
                found = profiles.load(given, folder)
            except ProfileError as error:
                table.problem("profile", str(error), "Put the profile right")
        table.finish()
        if found is None or address is None:
            continue
        for channel in calibration:
            if channel not in {c.name for c in found.channels}:
                known = ", ".join(c.name for c in found.channels)
                table.problem("calibration", f"{id_} has no channel {channel!r}", f"It has {known}")
        spec = InstrumentSpec(id=id_, profile=found, link=link, unit=unit, serial=serial, options=options)
        yield InstrumentConfig(spec=spec, calibration=calibration)


def _options(table: Table) -> dict[str, Any]:
    return table.rest()


def _calibrations(table: Table) -> dict[str, Calibration]:
    found = {}
    for channel in table:
        row = table.table(channel)
        found[channel] = Calibration(
            gain=row.number("gain", 1.0, above=0.0),
            offset=row.number("offset", 0.0),
            u=row.number("u", 0.0, least=0.0),
            due=row.text("due", "", regex=_DATE, example='"2027-03-01"'),
            source=row.text("source", ""),
        )
        row.finish()
    table.rest()
    return found


def _systems(root: Table) -> Iterator[SystemRecord]:
    for table in root.tables("system"):
        try:
            yield system_record(table.rest())
        except SystemDescriptionError as error:
            table.problem("", str(error), "Put it right")


def _placements(
    root: Table, instruments: tuple[InstrumentConfig, ...], systems: tuple[SystemRecord, ...]
) -> Iterator[PlacementConfig]:
    by_id = {item.spec.id: item.spec for item in instruments}
    for table in root.tables("placement"):
        instrument = table.text("instrument", example='"gauges"')
        channel = table.text("channel", example='"low"')
        where = table.text("point", example='"vapor_service_pressure"')
        system = table.text("system", "")
        table.finish()
        spec = by_id.get(instrument)
        if spec is None:
            if by_id:
                table.problem("instrument", f"no instrument is called {instrument!r}", f"Known: {', '.join(by_id)}")
            continue
        found = next((c for c in spec.profile.channels if c.name == channel), None)
        if found is None:
            known = ", ".join(c.name for c in spec.profile.channels)
            table.problem("channel", f"{instrument} has no channel {channel!r}", f"It has {known}")
            continue
        try:
            place = point(where)
        except PointError as error:
            table.problem("point", str(error), "Use a point of the catalogue")
            continue
        if place.quantity != found.quantity:
            table.problem(
                "point",
                f"{where} takes {place.quantity.replace('_', ' ')}, {instrument}/{channel} measures "
                f"{found.quantity.replace('_', ' ')}",
                "Place a channel of the point's own quantity",
            )
            continue
        if system and systems and system not in {s.id for s in systems}:
            table.problem("system", f"no system is called {system!r}", f"Known: {', '.join(s.id for s in systems)}")
            continue
        yield PlacementConfig(instrument=instrument, channel=channel, point=where, system=system)
