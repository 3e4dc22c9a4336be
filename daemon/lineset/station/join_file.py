"""The join file: all that a station needs to reach its shop, in one file that only its owner may read.

TOML: `format = 1`, `shop`, `station`, `urls` of the shop's broker nodes, `username`, `password`, and `ca`, the PEM text
of the authority that vouches for the nodes (empty: the authorities that this computer trusts anyway).
"""

from __future__ import annotations

import json
import ssl
import tomllib
from pathlib import Path

import msgspec

from lineset.contract.topic import TopicError, Topics
from lineset.stream.address import BrokerAddress, Tls, read_private
from lineset.stream.errors import SettingsError

FORMAT = 1
NAME = "uplink.toml"  # of the file in the station's data folder
_EXAMPLE = "mqtts://HOST:8883"


class JoinFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a shop gives to one station. The password never shows in its repr."""

    format: int
    shop: str
    station: str
    urls: tuple[str, ...]
    username: str
    password: str
    ca: str = ""

    def __repr__(self) -> str:
        return f"JoinFile(shop={self.shop!r}, station={self.station!r}, urls={self.urls!r})"

    def addresses(self, source: str = "join file") -> tuple[BrokerAddress, ...]:
        """The shop's broker nodes. Raises SettingsError, also for a password that would travel unencrypted."""
        found = []
        for url in self.urls:
            plain = BrokerAddress.from_url(url)
            if plain.tls is None and not plain.on_loopback:
                raise SettingsError(
                    f"{source}: {url} is not encrypted, and the password would travel readable; the shop's broker must "
                    f"offer TLS 1.2 or newer: write {_EXAMPLE}"
                )
            tls = None if plain.tls is None else Tls(ca=self.ca, ca_source=source)
            found.append(BrokerAddress(plain.host, plain.port, self.username, self.password, tls))
        return tuple(found)


def parse_join(text: str, source: str) -> JoinFile:
    """A join file from its text. Raises SettingsError naming what is wrong with it."""
    again = "have the shop make a new one: lineset shop station add NAME"
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{source}: this is no join file ({error}); {again}") from error
    if table.get("format") != FORMAT:
        remedy = "update lineset" if isinstance(table.get("format"), int) else again
        raise SettingsError(
            f"{source}: join files have format = {FORMAT}, this one says {table.get('format')!r}; {remedy}"
        )
    try:
        found = msgspec.convert(table, JoinFile)
    except msgspec.ValidationError as error:
        raise SettingsError(f"{source}: {error}; {again}") from error
    if not found.urls:
        raise SettingsError(f'{source}: urls names no broker; write urls = ["{_EXAMPLE}"]')
    if not found.username or not found.password:
        raise SettingsError(f"{source}: username or password is empty; {again}")
    try:
        Topics(found.shop, found.station)
    except TopicError as error:
        raise SettingsError(f"{source}: {error}") from error
    found.addresses(source)
    if found.ca:
        try:
            ssl.create_default_context(cadata=found.ca)
        except (ssl.SSLError, ValueError) as error:
            raise SettingsError(f"{source}: ca is no PEM certificate ({error}); {again}") from error
    return found


def read_join(path: Path) -> JoinFile:
    """The join file at `path`, whole and checked. Raises SettingsError, also when others can read it."""
    try:
        text = read_private(path, "join file").decode()
    except UnicodeDecodeError as error:
        raise SettingsError(f"join file {path}: it is not UTF-8 text; have the shop make a new one") from error
    return parse_join(text, f"join file {path}")


def join_text(join: JoinFile) -> str:
    """The text of a join file."""
    lines = [
        "# How one lineset station reaches its shop. Whoever has it is that station to the shop: keep it private.",
        f"format = {join.format}",
        *(f"{key} = {json.dumps(getattr(join, key))}" for key in ("shop", "station")),
        f"urls = {json.dumps(list(join.urls))}",
        *(f"{key} = {json.dumps(getattr(join, key))}" for key in ("username", "password")),
    ]
    if join.ca:
        lines.append(f'ca = """\n{join.ca.strip()}\n"""')
    return "\n".join(lines) + "\n"


def check_names(join: JoinFile, shop: str, station: str, source: str) -> None:
    """Raises SettingsError unless the file is for the station that is configured under these names."""
    for what, theirs, ours, key in (("shop", join.shop, shop, "shop"), ("station", join.station, station, "name")):
        if theirs != ours:
            raise SettingsError(
                f"{source}: it is for {what} {theirs!r}, and this station's configuration says {ours!r}; topics must "
                f'agree: write {key} = "{theirs}" under [station], or have the shop make a file for {ours!r}'
            )
