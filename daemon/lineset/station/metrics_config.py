"""The configuration of what a program tells of itself to those who watch over it: `[metrics]`."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec

from lineset.stream.address import read_private
from lineset.stream.errors import SettingsError
from lineset_drivers.toml_text import Table

STATION_PORT = 9463
_TOKEN = re.compile(r"[\x21-\x7e]{16,512}")
_HOST = re.compile(r"[a-z0-9]([a-z0-9.-]{0,252})")


class MetricsConfig(msgspec.Struct, frozen=True, kw_only=True):
    """Where the counts of a running program can be read: on loopback, or, with TLS and a token, beyond it.

    `token` is a file with the word that a reader must bear; `hosts` are names under which readers ask for this
    machine besides its addresses.
    """

    enabled: bool = False
    port: int = STATION_PORT  # 0: any free one
    network: bool = False
    hosts: tuple[str, ...] = ()
    token: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


def read_metrics(table: Table, base: Path, port: int = STATION_PORT) -> MetricsConfig:
    """The table `[metrics]`; relative paths count from `base`. Problems go to the table's list."""

    def path(key: str) -> Path | None:
        given = table.text(key, "")
        return base / Path(given).expanduser() if given else None

    found = MetricsConfig(
        enabled=table.boolean("enabled", False),
        port=table.integer("port", port, least=0, most=65535),
        network=table.boolean("network", False),
        hosts=table.items("hosts", (str,), ()),
        token=path("token"),
        certificate=path("certificate"),
        key=path("key"),
    )
    table.finish()
    for host in found.hosts:
        if not _HOST.fullmatch(host):
            table.problem("hosts", f"{host!r} is no host's name", 'Write it small and without port: "van-1.lan"')
    if bool(found.certificate) != bool(found.key):
        table.problem("certificate", "a certificate needs its key, and the other way round", "Give both, or neither")
    if found.network and (found.token is None or found.certificate is None):
        remedy = "Give token, certificate and key, or let a scraper on this machine read them"
        table.problem("network", "beyond this machine metrics are served with TLS and a token only", remedy)
    if found.token is not None:
        try:
            read_token(found.token)
        except SettingsError as error:
            table.problem("token", str(error), "Make one that only you can read: openssl rand -hex 24 > FILE")
    return found


def read_token(file: Path) -> str:
    """The word that a reader must bear. Raises SettingsError."""
    text = read_private(file, "token file").decode("ascii", errors="replace").strip()
    if not _TOKEN.fullmatch(text):
        raise SettingsError(f"token file {file}: write 16 to 512 characters without spaces")
    return text
