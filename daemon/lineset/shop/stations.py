"""The shop's stations: who may come, by name and hash of a password, and what the broker is told of them.

`stations.json` in the shop's folder is the list; the broker's files follow from it. A password exists in the clear only
in the join file that `add` and `rotate` give out, and cannot be shown again.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import msgspec

from lineset.contract.topic import TopicError, check_level
from lineset.shop import broker_settings, mosquitto_settings
from lineset.shop.errors import ShopSettingsError, StationError
from lineset.shop.password_hash import bcrypt, mosquitto_hash
from lineset.shop.shop_config import BROKER_ROLES, ShopConfig
from lineset.shop.shop_secrets import new_password, secret
from lineset.station.join_file import FORMAT as JOIN_FORMAT
from lineset.station.join_file import JoinFile
from lineset.stream.address import read_private, write_private
from lineset.stream.errors import SettingsError

STATIONS_FILE = "stations.json"
FORMAT = 1


class StationRow(msgspec.Struct, frozen=True, kw_only=True):
    """One station; times are UTC. `revoked_at` is empty while it may come."""

    added_at: str
    changed_at: str
    bcrypt: str
    pbkdf2: str
    revoked_at: str = ""


class StationList(msgspec.Struct, frozen=True, kw_only=True):
    """The file `stations.json`."""

    format: int = FORMAT
    stations: dict[str, StationRow] = {}

    @property
    def admitted(self) -> dict[str, StationRow]:
        """Those that may come, by name."""
        return {name: row for name, row in sorted(self.stations.items()) if not row.revoked_at}


def read_stations(config: ShopConfig) -> StationList:
    """The list; empty while there is none. Raises ShopSettingsError."""
    path = config.folder / STATIONS_FILE
    if not path.exists():
        return StationList()
    remedy = "Put it back from your backup; without it no station is let in"
    try:
        found = msgspec.json.decode(read_private(path, "list of stations"), type=StationList)
    except SettingsError as error:
        raise ShopSettingsError(path, str(error), remedy) from error
    except msgspec.DecodeError as error:
        raise ShopSettingsError(path, f"it cannot be read ({error})", remedy) from error
    if found.format != FORMAT:
        raise ShopSettingsError(path, f"it has format {found.format}, this program knows {FORMAT}", "Update lineset")
    return found


def add(config: ShopConfig, name: str, *, again: bool = False) -> JoinFile:
    """Let a new station in, or with `again` one that was revoked. Raises StationError, ShopSettingsError, OSError."""
    with _editing(config) as found:
        row = _addable(found, name, again)
        found[name], join = _new(config, name, row.added_at if row else _now())
    return join


def check_new(config: ShopConfig, names: Sequence[str], *, again: bool = False) -> None:
    """Raises what `add` would raise for one of the names, before any of them is added."""
    found = read_stations(config).stations
    for at, name in enumerate(names):
        if name in names[:at]:
            raise StationError(name, "this name is given twice", "Name each station once")
        _addable(found, name, again)


def check_admitted(config: ShopConfig, names: Sequence[str]) -> None:
    """Raises what `rotate` and `revoke` would raise for one of the names, before any of them is changed."""
    found = read_stations(config).stations
    for at, name in enumerate(names):
        if name in names[:at]:
            raise StationError(name, "this name is given twice", "Name each station once")
        _admitted(found, name)


def rotate(config: ShopConfig, name: str) -> JoinFile:
    """Give a station a new password; the old one is refused from then on. Raises StationError and as `add`."""
    with _editing(config) as found:
        row = _admitted(found, name)
        found[name], join = _new(config, name, row.added_at)
    return join


def revoke(config: ShopConfig, name: str) -> None:
    """Let a station in no more. Raises StationError and as `add`."""
    with _editing(config) as found:
        row = _admitted(found, name)
        now = _now()
        found[name] = msgspec.structs.replace(row, revoked_at=now, changed_at=now)


def write_users(config: ShopConfig) -> list[Path]:
    """Write the broker's files of users anew where they differ; those written. Raises ShopSettingsError, OSError."""
    with _lock(config):
        if not (config.folder / STATIONS_FILE).exists() and all(path.exists() for path in users_files(config)):
            return []  # the list is kept on another machine, from which the broker's files came
        return _write_users(config, read_stations(config))


def users_files(config: ShopConfig) -> tuple[Path, ...]:
    """The broker's files that hold users; none for a broker that is configured elsewhere."""
    names = {
        "nats": (broker_settings.USERS_FILE,),
        "mosquitto": (mosquitto_settings.PASSWORDS, mosquitto_settings.ACCESS),
        "none": (),
    }[config.broker.kind]
    return tuple(config.broker_folder / name for name in names)


# ------------------------------------------------------------------------------------------------------------- inside


def check_name(name: str) -> None:
    """Raises StationError unless a new station may be called so."""
    remedy = "Choose such a name, for example van-7"
    try:
        check_level(name, "station")
    except TopicError as error:
        raise StationError(name, str(error), remedy) from error
    if name.startswith("-"):  # every verb would take it for an option, and its join file too
        raise StationError(name, "a station's name begins with a letter, a digit or an underscore", remedy)


def _addable(found: dict[str, StationRow], name: str, again: bool) -> StationRow | None:
    row = found.get(name)
    if row is None:
        check_name(name)
    if row and not row.revoked_at:
        raise StationError(
            name,
            "a station of this name is there already",
            f"Choose another name, or give it a new password: lineset shop station rotate {name}",
        )
    if row and not again:
        raise StationError(
            name,
            f"this station was revoked at {row.revoked_at}; its record goes on if it comes back",
            f"To let it in again: lineset shop station add {name} --again",
        )
    return row


def _admitted(found: dict[str, StationRow], name: str) -> StationRow:
    row = found.get(name)
    if row is None:
        raise StationError(name, "there is no station of this name", "lineset shop station list shows them")
    if row.revoked_at:
        raise StationError(
            name, f"it was revoked at {row.revoked_at}", f"To let it in again: lineset shop station add {name} --again"
        )
    return row


def _new(config: ShopConfig, name: str, added_at: str) -> tuple[StationRow, JoinFile]:
    password = new_password()
    row = StationRow(added_at=added_at, changed_at=_now(), bcrypt=bcrypt(password), pbkdf2=mosquitto_hash(password))
    join = JoinFile(
        format=JOIN_FORMAT,
        shop=config.shop.name,
        station=name,
        urls=config.station_urls,
        username=name,
        password=password,
        ca=config.ca_file.read_text() if config.ca_file.exists() else "",
    )
    return row, join


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


@contextlib.contextmanager
def _lock(config: ShopConfig) -> Iterator[None]:
    """One process at a time changes the list and what follows from it."""
    descriptor = os.open(config.folder / f".{STATIONS_FILE}.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _editing(config: ShopConfig) -> Iterator[dict[str, StationRow]]:
    """The list to be changed; written, and the broker's files with it, when the block ends without an error."""
    with _lock(config):
        found = dict(read_stations(config).stations)
        yield found
        changed = StationList(stations=dict(sorted(found.items())))
        text = msgspec.json.format(msgspec.json.encode(changed), indent=1)
        write_private(config.folder / STATIONS_FILE, text + b"\n")
        _write_users(config, changed)


def _write_users(config: ShopConfig, found: StationList) -> list[Path]:
    admitted = found.admitted
    if config.broker.kind == "nats":
        hashes = {role: _part_hash(config, role, bcrypt, 16) for role in BROKER_ROLES}
        rows = ((name, row.bcrypt) for name, row in admitted.items())
        texts = [broker_settings.users_text(config, hashes, rows)]
    elif config.broker.kind == "mosquitto":
        hashes = {role: _part_hash(config, role, mosquitto_hash, 12) for role in BROKER_ROLES}
        rows = ((name, row.pbkdf2) for name, row in admitted.items())
        texts = [
            mosquitto_settings.passwords_text(hashes, rows),
            mosquitto_settings.access_text(config, admitted),
        ]
    else:
        return []
    written = []
    for path, text in zip(users_files(config), texts, strict=True):
        if not path.exists() or path.read_text() != text:
            write_private(path, text.encode())
            written.append(path)
    return written


def _part_hash(config: ShopConfig, role: str, hashed: Callable[[str, bytes], str], size: int) -> str:
    """Of a part of the shop; the salt follows from the password, so that the file changes only when that does."""
    password = secret(config, f"broker-{role}")[1]
    return hashed(password, hashlib.sha256(f"lineset {role} {password}".encode()).digest()[:size])
