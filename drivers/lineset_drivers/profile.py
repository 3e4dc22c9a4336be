"""A profile: the TOML file that describes an instrument model. Enough to support an instrument without code."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from .channel import Accuracy, Channel, Register, read_channel, read_register
from .errors import ProfileError
from .toml_text import Table, near, parse

__all__ = ["Accuracy", "Channel", "Identity", "LinkDefaults", "Profile", "check", "load", "names", "read"]

PROTOCOLS = ("modbus", "scpi", "lines", "gatt", "bthome", "entered")
"""The protocols built in; third parties add more through the entry-point group `lineset.protocols`."""
PLUGIN_GROUP = "lineset.protocols"
CHECKSUMS = ("none", "xor8-hex", "sum8-hex", "crc16-hex")
STREAMS = ("lines", "bthome")


class LinkDefaults(msgspec.Struct, frozen=True):
    """How to open the link, unless the station's configuration says otherwise. `timeout_s` is in real seconds."""

    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    unit: int = 1  # Modbus unit
    timeout_s: float = 0.4
    framing: str = ""  # Modbus: rtu | tcp; empty: rtu on a serial port, tcp on tcp://


class Identity(msgspec.Struct, frozen=True):
    """The question that tells the model, the pattern its answer must match, and where the serial number stands.

    Modbus asks `register` (and `serial_register`), SCPI `query`; in both the whole answer as text must match
    `match`, whose group `serial` is the serial number if it has one.
    """

    match: str = ""
    register: Register | None = None
    serial_register: Register | None = None
    query: str = ""


class Settings(msgspec.Struct, frozen=True):
    """What a protocol needs to know beyond the channels; only the keys of the profile's own protocol are set."""

    # modbus
    max_gap: int = 0  # registers that may be read in vain to save a request; many instruments refuse to
    max_registers: int = 125
    # scpi and lines
    terminator: str = "\n"
    # scpi
    errors: str = "text"  # text | esr | syst-err: how the instrument answers a query that it does not know
    setup: tuple[str, ...] = ()  # commands sent once after opening
    function_query: str = ""  # asked first in each poll; tells which function the meter is switched to
    # lines
    pattern: str = ""
    delimiter: str = ""
    checksum: str = "none"
    max_length: int = 200
    units: Mapping[str, str] = {}  # the instrument's own words for units -> unit symbols
    held_column: int | None = None  # where a mark stands while the display is on hold (a pattern calls it "held")
    poll: str = ""  # sent to ask for a line; empty: the instrument sends by itself
    # gatt, bthome
    name_match: str = ""  # regular expression for the advertised name
    battery: bool = False  # the instrument tells its battery level
    encrypted: bool = False  # bthome: a bind key is needed


class Profile(msgspec.Struct, frozen=True):
    """An instrument model. `poll_s` and `stale_after_s` are in visit seconds; `sha256` is of the text."""

    name: str
    title: str
    protocol: str
    source: str
    channels: tuple[Channel, ...]
    stale_after_s: float
    poll_s: float | None
    link: LinkDefaults
    settings: Settings
    identity: Identity | None
    text: str
    sha256: str
    file: str
    extra: Mapping[str, Any] = {}  # the tables of a third party's protocol, as they stand

    def channel(self, name: str) -> Channel:
        """The channel called `name`. Raises KeyError, with a near name, when there is none."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        known = [channel.name for channel in self.channels]
        raise KeyError(f"profile {self.name} has no channel {name!r}. {near(name, known)}It has {', '.join(known)}")


def _plugins() -> list[str]:
    from importlib.metadata import entry_points  # slow to import, and only third parties' protocols need it

    return sorted(entry.name for entry in entry_points(group=PLUGIN_GROUP))


def _regex(table: Table, key: str, default: Any = "") -> str:
    text = str(table.text(key, default))
    try:
        re.compile(text)
    except re.error as error:
        table.problem(key, f"not a regular expression: {error}", "Correct the pattern")
        return ""
    return text


def _read_settings(root: Table, protocol: str) -> Settings:
    table = root.table(protocol) if protocol in PROTOCOLS else None
    if table is None:
        return Settings()
    settings = Settings()
    if protocol == "modbus":
        settings = Settings(
            max_gap=table.integer("max_gap", 0, least=0, most=124),
            max_registers=table.integer("max_registers", 125, least=1, most=125),
        )
    elif protocol == "scpi":
        settings = Settings(
            terminator=table.text("terminator", "\n", one_of=("\n", "\r\n", "\r")),
            errors=table.text("errors", "text", one_of=("text", "esr", "syst-err")),
            setup=table.items("setup", (str,), (), example='["*CLS"]'),
            function_query=table.text("function_query", "", regex=r"(\S.*\?)?", example='"CONF?"'),
        )
    elif protocol == "lines":
        words = table.table("units")
        settings = Settings(
            terminator=table.text("terminator", "\r\n", regex=r"(?s).{1,4}", example='"\\r\\n"'),
            pattern=_regex(table, "pattern"),
            delimiter=table.text("delimiter", ""),
            checksum=table.text("checksum", "none", one_of=CHECKSUMS),
            max_length=table.integer("max_length", 200, least=1, most=65536),
            units={key: words.text(key) for key in words},
            held_column=table.integer("held_column", None, least=0),
            poll=table.text("poll", ""),
        )
        if bool(settings.pattern or "pattern" in table) == bool(settings.delimiter):
            table.problem(
                "", "a line is taken apart by a pattern or by a delimiter", 'Add pattern = "..." or delimiter = ","'
            )
    elif protocol in ("gatt", "bthome"):
        settings = Settings(
            name_match=_regex(table, "name_match"),
            battery=table.boolean("battery", False),
            encrypted=protocol == "bthome" and table.boolean("encrypted", False),
        )
    table.finish()
    return settings


def _read_identity(root: Table, protocol: str) -> Identity | None:
    if "identity" not in root:
        return None
    table = root.table("identity")
    match = _regex(table, "match", "")
    identity: Identity | None = None
    if protocol == "modbus":
        register = read_register(table)
        serial = None
        if "serial" in table:
            nested = table.table("serial")
            serial = read_register(nested)
            nested.finish()
        identity = Identity(match, register, serial)
    elif protocol == "scpi":
        identity = Identity(match, query=table.text("query", "*IDN?"))
    elif protocol == "gatt":
        identity = Identity(match)
    else:
        table.rest()
        table.problem("", f"the protocol {protocol} has no identity probe", "Remove [identity]")
    table.finish()
    return identity


def _read_link(root: Table) -> LinkDefaults:
    table = root.table("link")
    link = LinkDefaults(
        baud=table.integer("baud", 9600, least=50, most=4_000_000),
        bytesize=table.integer("bytesize", 8, least=5, most=8),
        parity=table.text("parity", "N", one_of=("N", "E", "O", "M", "S")),
        stopbits=table.number("stopbits", 1.0, least=1, most=2),
        unit=table.integer("unit", 1, least=0, most=255),
        timeout_s=table.number("timeout_s", 0.4, above=0, most=60),
        framing=table.text("framing", "", one_of=("rtu", "tcp")),
    )
    table.finish()
    return link


def _read_channels(root: Table, protocol: str, settings: Settings) -> tuple[Channel, ...]:
    pattern = re.compile(settings.pattern) if settings.pattern else None
    channels: dict[str, Channel] = {}
    tables = root.tables("channel")
    for table in tables:
        channel = read_channel(table, protocol, pattern)
        if isinstance(channel.where, Register) and channel.where.type == "ascii":
            table.problem("type", "a channel cannot be text", "Use a type of number; ascii is for [identity]")
        if channel.name in channels:
            table.problem("name", f"two channels are called {channel.name!r}", "Give each its own name")
        channels[channel.name] = channel
    if not tables and "channel" not in root:
        root.problem("", "there is no channel", "Describe at least one under [[channel]]")
    return tuple(channels.values())


def read(text: str, file: str | Path = "profile") -> tuple[Profile, list[ProfileError]]:
    """The profile that `text` describes and all its problems; usable only when there are none."""
    root = parse(text, str(file))
    if root.problems:
        return _assemble(root, text, str(file)), root.problems[:1]
    profile = _assemble(root, text, str(file))
    root.problems.sort(key=lambda problem: problem.line)
    return profile, root.problems


def _assemble(root: Table, text: str, file: str) -> Profile:
    head = root.table("profile")
    if "profile" not in root:
        root.problem("", "there is no [profile] table", 'Begin with [profile], name = "..." and protocol = "..."')
    name = head.text("name", regex=r"[a-z0-9][a-z0-9-]*", example='"pressure-transducer-2ch"')
    if name and file.endswith(".toml") and Path(file).stem != name:
        head.problem("name", f"the name {name!r} differs from the file's", f'Write name = "{Path(file).stem}"')
    protocol = head.text("protocol", example='"modbus"')
    if protocol not in PROTOCOLS and "protocol" in head:
        known = [*PROTOCOLS, *_plugins()]
        if protocol not in known:
            remedy = f"{near(protocol, known)}Use one of {', '.join(known)}"
            head.problem("protocol", f"the protocol {protocol!r} is not known", remedy)
    poll_s = head.number("poll_s", None, above=0, example="0.5")
    settings = _read_settings(root, protocol)
    if protocol in ("modbus", "scpi") and poll_s is None and not root.problems:
        head.problem("poll_s", "this protocol is polled, and there is no pace", "Add poll_s = 1.0 (seconds)")
    if protocol in STREAMS and poll_s is not None and not settings.poll:
        head.problem("poll_s", "this instrument sends by itself", "Remove poll_s")
    stale_default = max(5.0, 5 * poll_s) if poll_s else 10.0
    profile = Profile(
        name=name,
        title=head.text("title", name),
        protocol=protocol,
        source=head.text("source", example='"the maker\'s manual, table of registers"'),
        channels=_read_channels(root, protocol, settings),
        stale_after_s=head.number("stale_after_s", stale_default, above=0),
        poll_s=poll_s,
        link=_read_link(root),
        settings=settings,
        identity=_read_identity(root, protocol),
        text=text,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        file=file,
        extra=root.rest() if protocol not in PROTOCOLS else {},
    )
    head.finish()
    root.finish()
    return profile


def _built_in(name: str) -> str | None:
    found = resources.files("lineset_drivers") / "profiles" / f"{name}.toml"
    return found.read_text(encoding="utf-8") if found.is_file() else None


def names(folder: str | Path | None = None) -> tuple[str, ...]:
    """The profiles that `load` finds by name, sorted: built in, and in `folder` where one is given."""
    found = {
        entry.name.removesuffix(".toml")
        for entry in (resources.files("lineset_drivers") / "profiles").iterdir()
        if entry.name.endswith(".toml")
    }
    if folder is not None and Path(folder).is_dir():
        found |= {path.stem for path in Path(folder).glob("*.toml")}
    return tuple(sorted(found))


def _find(name_or_path: str | Path, folder: str | Path | None) -> tuple[str, str]:
    """(text, file) of a profile by name or path. Raises ProfileError."""
    name = str(name_or_path)
    if isinstance(name_or_path, Path) or "/" in name or name.endswith(".toml"):
        path = Path(name_or_path)
    else:
        own = Path(folder) / f"{name}.toml" if folder is not None else None
        if own is None or not own.is_file():
            text = _built_in(name)
            if text is not None:
                return text, f"{name}.toml"
            known = names(folder)
            remedy = f"{near(name, known)}Known profiles: {', '.join(known)}; or give the path of a .toml file"
            raise ProfileError("there is no such profile", remedy=remedy, file=name)
        path = own
    try:
        return path.read_text(encoding="utf-8"), str(path)
    except UnicodeDecodeError as error:
        raise ProfileError(f"this is no UTF-8 text: {error.reason}", remedy="Save it as UTF-8", file=path) from error
    except OSError as error:
        what = (error.strerror or str(error)).lower()
        raise ProfileError(f"cannot be read: {what}", remedy="Check the path and the permissions", file=path) from error


def load(name_or_path: str | Path, folder: str | Path | None = None) -> Profile:
    """The profile of this name (from `folder` first, then built in) or in this file.

    Raises the first ProfileError, naming file, key, line and remedy, and how many more there are.
    """
    text, file = _find(name_or_path, folder)
    profile, problems = read(text, file)
    if problems:
        first, more = problems[0], len(problems) - 1
        if not more:
            raise first
        remedy = f"{first.remedy} ({more} more problem{'s' if more > 1 else ''} in this file)"
        raise ProfileError(first.problem, remedy=remedy, file=first.file, key=first.key, line=first.line)
    return profile


def check(name_or_path: str | Path, folder: str | Path | None = None) -> list[ProfileError]:
    """All problems of a profile, by line; empty when it can be used. A file that cannot be read is one problem."""
    try:
        text, file = _find(name_or_path, folder)
    except ProfileError as error:
        return [error]
    return read(text, file)[1]


def check_all(folder: str | Path | None = None) -> Iterable[ProfileError]:
    """All problems of all profiles that `names` gives."""
    for name in names(folder):
        yield from check(name, folder)
