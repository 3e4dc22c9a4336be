"""The station's configuration: one TOML file, checked whole, every problem with key, line and remedy."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal

import msgspec

from lineset.assess.rules import RulesError, read_rules
from lineset.contract.entry import InstallationTerm
from lineset.contract.topic import RESERVED_SYSTEMS
from lineset.equipment.description import system_of
from lineset.equipment.language import LANGUAGES
from lineset.equipment.points import PointError, point
from lineset.equipment.system import SystemRecord
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import curve
from lineset.station.installation_config import read_installation
from lineset.station.instrument_config import ID, InstrumentConfig, read_instruments, without_secrets
from lineset.station.metrics_config import MetricsConfig, read_metrics
from lineset.stream.address import BrokerAddress, read_private
from lineset.stream.errors import SettingsError
from lineset.visit.cues import LEVELS
from lineset.visit.tasks import WorklistError, read_worklist
from lineset_drivers.errors import DriverError, ProfileError
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.relay_server import read_key
from lineset_drivers.toml_text import Table, parse


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

    @property
    def files(self) -> dict[str, str]:
        """Credentials and TLS files by what `BrokerAddress.from_url` calls them."""
        given = {
            "credentials_file": self.credentials,
            "ca_file": self.ca,
            "certificate_file": self.certificate,
            "key_file": self.key,
        }
        return {name: str(path) for name, path in given.items() if path}

    def address(self) -> BrokerAddress:
        """Where the other broker is and who we are to it; reads the credentials file. Raises SettingsError."""
        return BrokerAddress.from_url(self.url, **self.files)


class BoardConfig(msgspec.Struct, frozen=True, kw_only=True):
    """The technician's page: on loopback, or, when `network` is set, for phones on the local network too, over TLS.

    Without a certificate the station makes one of its own.
    """

    enabled: bool = True
    port: int | None = None  # 0: any free one; None: the usual one, or a free one when that is taken
    network: bool = False
    certificate: Path | None = None
    key: Path | None = None


class CuesConfig(msgspec.Struct, frozen=True, kw_only=True):
    """How much is said (quiet, normal, chatty), and whether this machine speaks it where it has a voice."""

    level: str = "normal"
    speak: bool = True


class PlacementConfig(msgspec.Struct, frozen=True, kw_only=True):
    """Where a channel sits from the start of a visit."""

    instrument: str
    channel: str
    point: str
    system: str = ""


class Config(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a station is told. `rate_hz` of live values is None for all of them; `speed` is for demos.

    `text` is the file as it goes on record: without the keys of instruments.
    """

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
    installation: dict[str, tuple[InstallationTerm, ...]] = {}
    rules: str = ""  # text of the shop's rules; empty: the shipped ones
    worklist: str = ""  # text of the shop's own rows over the shipped worklist
    board: BoardConfig = BoardConfig()
    language: str = "en"  # of cues, worklist and report
    technician: str = ""  # name or number of who works with this station
    cues: CuesConfig = CuesConfig()
    metrics: MetricsConfig = MetricsConfig()
    uplink: Path | None = None  # the shop's join file where it is not `uplink.toml` in the data folder


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
    if problems:  # no TOML: what else is missing follows from that
        raise ConfigError(problems)
    station = root.table("station")
    data = station.text("data", "")
    config_profiles = station.text("profiles", "")
    folder_of_profiles = base / Path(config_profiles).expanduser() if config_profiles else None
    if folder_of_profiles is not None and not folder_of_profiles.is_dir():
        station.problem("profiles", f"there is no folder {folder_of_profiles}", "Make it, or put the path right")
    name = station.text("name", "station", regex=ID, example='"van-1"')
    shop = station.text("shop", "shop", regex=ID, example='"shop"')
    units = station.text("units", "customary", one_of=("customary", "si"))
    language = station.text("language", "en", one_of=LANGUAGES)
    cues = root.table("cues")
    level = cues.text("level", "normal", one_of=tuple(LEVELS))
    speak = cues.boolean("speak", True)
    cues.finish()
    technician = station.text("technician", "", regex=r"[^\x00-\x1f]{0,80}", example='"T-17"')
    rules = _rules(station, base)
    worklist = _worklist(station, base)
    speed = station.number("speed", 1.0, above=0.0, most=200.0)
    station.finish()
    live = root.table("live")
    rate: float | None = None
    if not live.boolean("all", False):
        rate = live.number("rate_hz", 2.0, above=0.0, most=100.0)
    live.finish()
    broker = _broker(root.table("broker"), base)
    board = _board(root.table("board"), base)
    metrics = read_metrics(root.table("metrics"), base)
    uplink = root.table("uplink")
    join_file = uplink.text("file", "", example='"van-1.join"')
    uplink.finish()
    found, ids = read_instruments(root, folder_of_profiles, _relay_key(root.table("relay"), base))
    instruments = tuple(found)
    systems = tuple(_systems(root))
    placements = tuple(_placements(root, instruments, ids, systems))
    installation = read_installation(root.table("installation"))
    root.finish()
    if problems:
        raise ConfigError(sorted(problems, key=lambda problem: (problem.file != str(file), problem.line)))
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
        installation=installation,
        text=without_secrets(text, instruments),
        file=str(file),
        rules=rules,
        worklist=worklist,
        board=board,
        language=language,
        technician=technician,
        cues=CuesConfig(level=level, speak=speak),
        metrics=metrics,
        uplink=base / Path(join_file).expanduser() if join_file else None,
    )


def _rules(station: Table, base: Path) -> str:
    return _shops_text(station, base, "rules", read_rules)


def _worklist(station: Table, base: Path) -> str:
    return _shops_text(station, base, "worklist", read_worklist)


def _shops_text(station: Table, base: Path, key: str, check: Callable[[str, str], object]) -> str:
    """The text of a file that the shop wrote; what is wrong with it goes to the table's problems."""
    given = station.text(key, "")
    if not given:
        return ""
    file = base / Path(given).expanduser()
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        station.problem(key, f"cannot read {file} ({error})", "Put the path right, or save it as UTF-8")
        return ""
    try:
        check(text, str(file))
    except (RulesError, WorklistError) as error:
        station.problems.extend(error.problems)
    return text


def _broker(table: Table, base: Path) -> BrokerConfig:
    def path(key: str) -> Path | None:
        given = table.text(key, "")
        return base / Path(given).expanduser() if given else None

    url = table.text("url", "")
    if url and not re.match(r"mqtts?://[^/\s@]+", url):
        table.problem("url", f"{url!r} is no broker's address", "Write mqtt://host:1883 or mqtts://host:8883")
    elif url.startswith("mqtt://") and not re.match(r"mqtt://(localhost|127\.0\.0\.1|\[::1\])(:|/|$)", url):
        remedy = "Write mqtts://host:8883; without TLS only a broker of this machine is used"
        table.problem("url", "beyond this machine all that is said would travel readable", remedy)
    found = BrokerConfig(
        url=url,
        credentials=path("credentials"),
        ca=path("ca"),
        certificate=path("certificate"),
        key=path("key"),
        origins=table.items("origins", (str,), ()),
    )
    table.finish()
    if not url:
        for key in ("credentials", "ca", "certificate", "key"):
            if path(key):
                table.problem(key, "this is for another broker than the local one", "Add its url, or remove this key")
    return found


def _board(table: Table, base: Path) -> BoardConfig:
    certificate, key = table.text("certificate", ""), table.text("key", "")
    if bool(certificate) != bool(key):
        table.problem("certificate", "a certificate needs its key, and the other way round", "Give both, or neither")
    found = BoardConfig(
        enabled=table.boolean("enabled", True),
        port=table.integer("port", None, least=0, most=65535),
        network=table.boolean("network", False),
        certificate=base / Path(certificate).expanduser() if certificate else None,
        key=base / Path(key).expanduser() if key else None,
    )
    table.finish()
    return found


def _relay_key(table: Table, base: Path) -> str:
    """The text of the key that the station shares with its relays; empty when none is configured."""
    given = table.text("key_file", "")
    table.finish()
    if not given:
        return ""
    file = base / Path(given).expanduser()
    try:
        text = read_private(file, "relay key").decode("ascii", errors="replace")
        read_key(text, str(file))
    except (SettingsError, DriverError) as error:
        table.problem("key_file", str(error), "Copy the relay's key file here, readable for you alone")
        return ""
    return text.strip()


def _systems(root: Table) -> Iterator[SystemRecord]:
    seen: set[str] = set()
    for table in root.tables("system"):
        found = system_of(table)
        id_ = table.text("id", "")
        if id_ in seen:
            table.problem("id", f"two systems are called {id_!r}", "Give each its own id")
            found = None
        seen.add(id_)
        if id_ in RESERVED_SYSTEMS:
            table.problem("id", f"a system cannot be called {id_!r}", "Give it another id")
            found = None
        refrigerant = table.text("refrigerant", "")
        if refrigerant:
            try:
                curve(refrigerant)
            except PhysicsError as error:
                table.problem("refrigerant", str(error), "Write what the nameplate says")
                found = None
        if found is not None:
            yield found


def _placements(
    root: Table, instruments: tuple[InstrumentConfig, ...], ids: set[str], systems: tuple[SystemRecord, ...]
) -> Iterator[PlacementConfig]:
    by_id = {item.spec.id: item.spec for item in instruments}
    # a system with a problem of its own is no reason for a second one here
    system_ids = [table.text("id", "") for table in root.tables("system")]
    channels: set[tuple[str, str]] = set()
    points: set[tuple[str, str]] = set()
    for table in root.tables("placement"):
        instrument = table.text("instrument", example='"gauges"')
        channel = table.text("channel", example='"low"')
        where = table.text("point", example='"vapor_service_pressure"')
        system = table.text("system", "")
        table.finish()
        if instrument and instrument not in ids:
            known = ", ".join(sorted(ids)) or "there is none under [[instrument]]"
            table.problem("instrument", f"no instrument is called {instrument!r}", f"Known: {known}")
        if system and system_ids and system not in system_ids:
            table.problem("system", f"no system is called {system!r}", f"Known: {', '.join(system_ids)}")
        if not system and len(systems) > 1:
            table.problem("system", "there are several systems", f"Say which one: {', '.join(system_ids)}")
        if _fits(table, by_id.get(instrument), channel, where):
            if (instrument, channel) in channels:
                table.problem("channel", f"{instrument}/{channel} is placed already", "Place a channel once")
            if (system, where) in points:
                table.problem("point", f"another channel is placed at {where}", "Place one channel at a point")
            channels.add((instrument, channel))
            points.add((system, where))
            yield PlacementConfig(instrument=instrument, channel=channel, point=where, system=system)


def _fits(table: Table, spec: InstrumentSpec | None, channel: str, where: str) -> bool:
    """Whether the channel and the point are there and of one quantity; tells of each problem."""
    quantity = None
    if where:
        try:
            quantity = point(where).quantity
        except PointError as error:
            table.problem("point", str(error), "Use a point of the catalogue")
    if spec is None:
        return False
    if spec.profile.protocol == "entered":
        table.problem("instrument", f"{spec.id} is read by eye and sits nowhere", "Remove this placement")
        return False
    found = next((c for c in spec.profile.channels if c.name == channel), None)
    if found is None:
        if channel:
            known = ", ".join(c.name for c in spec.profile.channels)
            table.problem("channel", f"{spec.id} has no channel {channel!r}", f"It has {known}")
        return False
    if quantity is not None and quantity != found.quantity:
        table.problem(
            "point",
            f"{where} takes {quantity.replace('_', ' ')}, {spec.id}/{channel} measures "
            f"{found.quantity.replace('_', ' ')}",
            "Place a channel of the point's own quantity",
        )
        return False
    return quantity is not None
