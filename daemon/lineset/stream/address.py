"""Where a broker is and how to be let in: from a URL, TLS files and a credentials file, or from `broker.json`.

Secrets live in files that only their owner can read; a file that others can read is refused with what to do.
"""

from __future__ import annotations

import hashlib
import os
import ssl
import stat
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit

import msgspec

from lineset.contract.topic import Topics
from lineset.stream.errors import SettingsError

Role = Literal["station", "watch", "command", "technician"]
ROLES: tuple[Role, ...] = ("station", "watch", "command", "technician")
BROKER_FILE = "broker.json"
MQTT_PORT, MQTTS_PORT = 1883, 8883  # IANA: mqtt, secure-mqtt
_LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True, slots=True)
class Tls:
    """Files of an encrypted connection: the authority to trust (empty: the system's), and our own certificate.

    `ca` is the authority as PEM text instead of a file; `ca_source` says where that came from.
    """

    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    ca: str = field(default="", repr=False)
    ca_source: str = ""


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """One broker, and who we are to it. The password never shows in its repr."""

    host: str
    port: int
    username: str = ""
    password: str = field(default="", repr=False)
    tls: Tls | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    @property
    def on_loopback(self) -> bool:
        """Whether the broker is on this very machine."""
        return self.host in _LOOPBACK

    @property
    def in_the_clear(self) -> bool:
        """Whether a password would travel unencrypted beyond this machine."""
        return bool(self.password) and self.tls is None and not self.on_loopback

    @property
    def own_identifier(self) -> str:
        """A client identifier that stays the same and that nobody can name who does not know the password.

        A broker ends the older of two connections of one identifier, whoever has the newer: with one that can be
        guessed, a station that is let in could keep another one out.
        """
        who = f"{self.username}\0{self.password}".encode()
        return f"lineset-{hashlib.sha256(who).hexdigest()[:24]}"

    @classmethod
    def from_url(
        cls,
        url: str,
        *,
        credentials_file: str | Path | None = None,
        ca_file: str | Path = "",
        certificate_file: str | Path = "",
        key_file: str | Path = "",
    ) -> BrokerAddress:
        """The address for "mqtt://host:1883" or "mqtts://host:8883". Raises SettingsError."""
        try:
            parts = urlsplit(url)
            host, port = parts.hostname or "", parts.port
        except ValueError as error:
            raise SettingsError(f"broker URL {url!r}: {error}; write mqtt://HOST:PORT or mqtts://HOST:PORT") from error
        if parts.username is not None or parts.password is not None:
            shown = f"{parts.scheme}://...@{host}"
            raise SettingsError(f"broker URL {shown}: put user name and password into a credentials file, not the URL")
        if parts.scheme not in ("mqtt", "mqtts") or not host or parts.path not in ("", "/") or parts.query:
            raise SettingsError(f"broker URL {url!r}: write mqtt://HOST:PORT or mqtts://HOST:PORT")
        secure = parts.scheme == "mqtts"
        if not secure and (ca_file or certificate_file or key_file):
            raise SettingsError(f"broker URL {url!r}: TLS files are set, but mqtt:// is not encrypted; write mqtts://")
        if bool(certificate_file) != bool(key_file):
            raise SettingsError(f"broker {url}: a client certificate needs its key file, and the other way round")
        tls = Tls(str(ca_file), str(certificate_file), str(key_file)) if secure else None
        username, password = read_credentials(credentials_file) if credentials_file else ("", "")
        return cls(host, port or (MQTTS_PORT if secure else MQTT_PORT), username, password, tls)

    def tls_context(self) -> ssl.SSLContext | None:
        """What checks the broker's certificate and name; None without TLS. Raises SettingsError naming the file."""
        if self.tls is None:
            return None
        try:
            context = ssl.create_default_context(cafile=self.tls.ca_file or None, cadata=self.tls.ca or None)
        except (OSError, ssl.SSLError, ValueError) as error:
            where = self.tls.ca_source or f"CA file {self.tls.ca_file}"
            raise SettingsError(f"{where}: {error}; give a PEM file of the authority") from error
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.tls.certificate_file:
            try:
                context.load_cert_chain(self.tls.certificate_file, self.tls.key_file)
            except (OSError, ssl.SSLError) as error:
                files = f"{self.tls.certificate_file}, {self.tls.key_file}"
                raise SettingsError(f"client certificate {files}: {error}; give matching PEM files") from error
        return context


def read_private(path: Path, what: str) -> bytes:
    """Contents of a file that holds secrets. Raises SettingsError when others can read it."""
    try:
        with path.open("rb") as file:
            info = os.fstat(file.fileno())
            if sys.platform != "win32":
                if stat.S_IMODE(info.st_mode) & 0o077:
                    raise SettingsError(f"{what} {path}: others can read or change it; run: chmod 600 {path}")
                if info.st_uid not in (os.geteuid(), 0):
                    raise SettingsError(f"{what} {path}: it belongs to another user; make your own copy")
            return file.read()
    except OSError as error:
        raise SettingsError(f"{what} {path}: {error.strerror}; check the path and its rights") from error


def write_private(path: Path, data: bytes) -> None:
    """Write a file that only its owner can read, at once whole, also through a power cut; its folder must exist.

    Raises OSError; then the file is as it was, and nothing lies beside it.
    """
    scratch = path.with_name(f".{path.name}.{os.getpid()}")
    scratch.unlink(missing_ok=True)
    descriptor = os.open(scratch, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(descriptor)  # or the name may be there after a power cut, and the content not
        scratch.replace(path)
    except BaseException:
        scratch.unlink(missing_ok=True)
        raise


def read_credentials(path: str | Path) -> tuple[str, str]:
    """User name and password from a TOML file with the keys `username` and `password`. Raises SettingsError."""
    path = Path(path)
    try:
        table = tomllib.loads(read_private(path, "credentials file").decode())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f'credentials file {path}: {error}; write username = "..." and password = "..."') from error
    username, password = table.get("username"), table.get("password")
    if not isinstance(username, str) or not isinstance(password, str):
        raise SettingsError(f'credentials file {path}: write username = "..." and password = "..."')
    return username, password


class BrokerFile(msgspec.Struct, frozen=True, kw_only=True):
    """`broker.json`: how other programs of the same user reach the station's broker. New passwords at each start.

    Of another broker than the local one it holds no secrets, only the paths of the files that do.
    """

    url: str
    websocket: str = ""
    shop: str
    station: str
    pid: int
    credentials: dict[str, dict[str, str]] = {}  # role -> {"username": ..., "password": ...}
    settings: dict[str, str] = {}  # of another broker than the local one: its credentials and TLS files

    def address(self, role: Role) -> BrokerAddress:
        """The address with the credentials of `role`. Raises SettingsError."""
        if not self.credentials:
            return BrokerAddress.from_url(self.url, **self.settings)
        who = self.credentials[role]
        parts = urlsplit(self.url)
        return BrokerAddress(parts.hostname or "", parts.port or MQTT_PORT, who["username"], who["password"])

    @property
    def topics(self) -> Topics:
        """The topics of the station that started this broker."""
        return Topics(self.shop, self.station)


def runtime_folder() -> Path:
    """Where the running daemon leaves `broker.json` unless told otherwise."""
    import warnings

    from platformdirs import user_runtime_path

    with warnings.catch_warnings():
        # a login without a runtime folder of its own gets one below /tmp; that is no news for a technician
        warnings.simplefilter("ignore")
        return user_runtime_path("lineset")


def read_broker_file(folder: str | Path | None = None) -> BrokerFile:
    """What a running station left for its neighbours. Raises SettingsError when none runs here."""
    path = Path(folder) / BROKER_FILE if folder else runtime_folder() / BROKER_FILE
    if not path.exists():
        raise SettingsError(f"no station runs here: {path} does not exist; start one with: lineset run")
    try:
        return msgspec.json.decode(read_private(path, "broker file"), type=BrokerFile)
    except msgspec.DecodeError as error:
        raise SettingsError(f"broker file {path}: {error}; restart the station, it writes a new one") from error


def leave_broker_file(folder: Path, content: BrokerFile) -> None:
    """Write `broker.json`, indented for people; makes the folder. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)  # one that is there stays as it is
    value: dict[str, Any] = msgspec.to_builtins(content)
    write_private(folder / BROKER_FILE, msgspec.json.format(msgspec.json.encode(value), indent=2) + b"\n")


def take_broker_file_away(folder: Path, url: str, topics: Topics) -> None:
    """Remove `broker.json`, unless another station has put its own there meanwhile."""
    try:
        found = read_broker_file(folder)
    except SettingsError:
        return
    if (found.url, found.topics) == (url, topics):
        (folder / BROKER_FILE).unlink(missing_ok=True)
