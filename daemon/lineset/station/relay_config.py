"""The configuration of a relay: where it listens, its key and spool, and instruments as a station's."""

from __future__ import annotations

from pathlib import Path

import msgspec

from lineset.station.config import ConfigError
from lineset.station.instrument_config import ID, InstrumentConfig, read_instruments
from lineset.stream.address import read_private
from lineset.stream.errors import SettingsError
from lineset_drivers.errors import DriverError, ProfileError
from lineset_drivers.link import RELAY_PORT
from lineset_drivers.relay_server import read_key
from lineset_drivers.toml_text import Table, parse


class RelayConfig(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a relay is told. `host` empty: every address of the machine."""

    name: str
    host: str
    port: int
    key: bytes
    spool: Path
    instruments: tuple[InstrumentConfig, ...]
    speed: float = 1.0  # for demos


def load_relay(file: Path) -> RelayConfig:
    """Read and check a relay's configuration. Raises ConfigError with every problem found."""
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise ConfigError([ProfileError(f"cannot read it ({why})", remedy="Check the path", file=file)]) from error
    base = file.resolve().parent
    root = parse(text, str(file))
    if root.problems:
        raise ConfigError(root.problems)
    table = root.table("relay")
    name = table.text("name", regex=ID, example='"attic"')
    host, port = _listen(table)
    key = _key(table, base)
    spool = base / Path(table.text("spool", "relay.spool")).expanduser()
    profiles = table.text("profiles", "")
    speed = table.number("speed", 1.0, above=0.0, most=200.0)
    table.finish()
    found, _ = read_instruments(root, base / Path(profiles).expanduser() if profiles else None)
    root.finish()
    if not found and not root.problems:
        root.problem("instrument", "there is none", "Add [[instrument]] as in a station's configuration")
    if root.problems:
        raise ConfigError(sorted(root.problems, key=lambda problem: problem.line))
    return RelayConfig(name=name, host=host, port=port, key=key, spool=spool, instruments=tuple(found), speed=speed)


def _listen(table: Table) -> tuple[str, int]:
    text = table.text("listen", str(RELAY_PORT), example='"8931"')
    host, _, port = text.rpartition(":")
    if not port.isdigit() or int(port) > 65535:
        table.problem("listen", f"{text!r} is no port", 'Write "8931", or "192.0.2.7:8931" for one address only')
        return "", 0
    return host.strip("[]"), int(port)


def _key(table: Table, base: Path) -> bytes:
    given = table.text("key_file", example='"relay.key"')
    if not given:
        return b""
    file = base / Path(given).expanduser()
    try:
        return read_key(read_private(file, "relay key").decode("ascii", errors="replace"), str(file))
    except (SettingsError, DriverError) as error:
        table.problem("key_file", str(error), "Make one with: lineset relay --new-key relay.key")
        return b""
