"""The shop's settings: `shop.toml` in the shop's folder, and the secrets that lie beside it.

`load_shop(folder)` gives everything that the parts of the shop need: where the brokers and the database are, and who
each part is to them. No password is in `shop.toml`, nor in any repr.
"""

from __future__ import annotations

import ssl
from dataclasses import dataclass, field
from ipaddress import ip_network
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote, urlsplit

import msgspec

from lineset.contract.topic import ROOT, TopicError, Topics, check_level
from lineset.equipment.language import Language
from lineset.shop.broker_reach import host_problem, url_problem
from lineset.shop.errors import NoShopError, ShopSettingsError
from lineset.stream.address import BrokerAddress, read_credentials
from lineset.stream.errors import SettingsError

SHOP_FILE = "shop.toml"
BROKER_PORT, WEBSOCKET_PORT, ROUTE_PORT = 8883, 8893, 8903  # of the first node; the next ones have the next
DATABASE_PORT, BOARD_PORT, METRICS_PORT = 5442, 8940, 9464
DATABASE_NAME = "lineset"
LOOPBACK = "127.0.0.1"

BrokerRole = Literal["collector", "board", "dashboard"]
BROKER_ROLES: tuple[BrokerRole, ...] = ("collector", "board", "dashboard")
DatabaseRole = Literal["owner", "collector", "board", "auditor"]
DATABASE_ROLES: tuple[DatabaseRole, ...] = ("owner", "collector", "board", "auditor")


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pass


class ShopPart(_Part, frozen=True, kw_only=True):
    """Who the shop is: `name` is a level of all its topics, `language` that of its day sheet."""

    name: str
    language: Language = "en"


class NodeSettings(_Part, frozen=True, kw_only=True):
    """One embedded broker node: where stations reach it, and the port by which the nodes of a cluster meet."""

    name: str
    host: str
    port: int = BROKER_PORT  # MQTT over TLS
    websocket_port: int = WEBSOCKET_PORT  # MQTT over a WebSocket over TLS, path /mqtt
    route_port: int = ROUTE_PORT


class BrokerSettings(_Part, frozen=True, kw_only=True):
    """The broker: embedded nodes (nats-server from the wheel), or any MQTT broker at `urls`.

    `listen` is the address that embedded nodes listen on. `here` names the nodes that this machine runs; empty means
    all. `kind` says whose configuration files the shop writes: nats, mosquitto, or none. `certificate` and `key` are
    PEM files of the shop's own for all nodes; empty: made by the shop's own authority. `hand_over` is a command that
    brings a file of the shop's folder, `{path}`, to the same place on another node's machine, `{host}`.
    """

    embedded: bool = True
    kind: Literal["nats", "mosquitto", "none"] = "nats"
    listen: str = "0.0.0.0"
    node: tuple[NodeSettings, ...] = ()
    here: tuple[str, ...] = ()
    urls: tuple[str, ...] = ()
    allowed_origins: tuple[str, ...] = ()  # web pages that may open the WebSocket, such as "https://board.lan"
    certificate: str = ""
    key: str = ""
    hand_over: tuple[str, ...] = ()

    @property
    def nodes_here(self) -> tuple[NodeSettings, ...]:
        """The embedded nodes that this machine runs."""
        return tuple(node for node in self.node if not self.here or node.name in self.here) if self.embedded else ()


class DatabaseSettings(_Part, frozen=True, kw_only=True):
    """PostgreSQL: embedded (from the wheel, on loopback, data in FOLDER/database), or at `url`.

    `url` is postgresql://HOST:PORT/NAME without a password. Beyond loopback TLS is always used; `ca` is the PEM file of
    the authority to trust, empty for the system's.
    """

    embedded: bool = True
    port: int = DATABASE_PORT
    url: str = ""
    ca: str = ""


class CollectorSettings(_Part, frozen=True, kw_only=True):
    """How many collectors `lineset shop run` starts."""

    count: int = 1


class BoardSettings(_Part, frozen=True, kw_only=True):
    """The shop's board: on loopback, or on all addresses when `network` is set, then with TLS.

    Behind a proxy that logs people in (OpenID Connect or other), `identity_header` names the header in which it tells
    who asks; it is believed only from the addresses or networks in `proxies`, and refused from all others. Who is in
    `notes_for` may also read what people wrote, and reports.
    """

    port: int = BOARD_PORT
    network: bool = False
    certificate: str = ""
    key: str = ""
    identity_header: str = ""
    proxies: tuple[str, ...] = ()
    notes_for: tuple[str, ...] = ()


class RetentionSettings(_Part, frozen=True, kw_only=True):
    """For how many whole months the record is kept, and the rows of its readings (0: as long as the record)."""

    months: int = 84
    reading_months: int = 0


class MetricsSettings(_Part, frozen=True, kw_only=True):
    """Where counts are scraped, on loopback: collector k serves at `port` + k, from 0; a port of 0 serves none."""

    port: int = METRICS_PORT


@dataclass(frozen=True, slots=True)
class DatabaseAddress:
    """Where the database is, and who we are to it. The password never shows in its repr."""

    host: str
    port: int
    name: str
    user: str
    password: str = field(repr=False)
    tls: bool = False
    ca: str = ""
    embedded: bool = False  # the shop's own server, which `lineset shop run` starts

    def __str__(self) -> str:
        return f"postgresql://{self.user}@{self.host}:{self.port}/{self.name}"

    def connect_args(self) -> dict[str, Any]:
        """Keyword arguments of `asyncpg.connect` and `asyncpg.create_pool`. Raises ShopSettingsError for a wrong CA."""
        return {
            "host": self.host,
            "port": self.port,
            "database": self.name,
            "user": self.user,
            "password": self.password,
            "ssl": self._tls_context() or False,
        }

    def _tls_context(self) -> ssl.SSLContext | None:
        if not self.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=self.ca or None)
        except (OSError, ssl.SSLError) as error:
            raise ShopSettingsError(
                self.ca, f"it cannot be used as the database's authority ({error})", "Give a PEM file, or leave it out"
            ) from error
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        return context


class ShopConfig(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything in `shop.toml`, and the folder that it lies in."""

    shop: ShopPart
    broker: BrokerSettings = BrokerSettings()
    database_settings: DatabaseSettings = msgspec.field(name="database", default=DatabaseSettings())
    collector: CollectorSettings = CollectorSettings()
    board: BoardSettings = BoardSettings()
    retention: RetentionSettings = RetentionSettings()
    metrics: MetricsSettings = MetricsSettings()
    folder: Path = Path()

    @property
    def name(self) -> str:
        """The shop's name, a level of its topics."""
        return self.shop.name

    @property
    def base(self) -> str:
        """What the topics of all stations of this shop begin with, without a slash at the end."""
        return f"{ROOT}/{self.shop.name}"

    @property
    def certificates(self) -> Path:
        """Folder of the authority's and the servers' certificates."""
        return self.folder / "certificates"

    @property
    def ca_file(self) -> Path:
        """The authority that stations and our own parts trust for the broker; not there: the system's authorities."""
        return self.certificates / "ca.pem"

    def topics(self, station: str) -> Topics:
        """The topics of one station. Raises TopicError for a name that cannot stand in a topic."""
        return Topics(self.shop.name, station)

    def secret(self, name: str) -> Path:
        """Path of a credentials file, such as "broker-collector"."""
        return self.folder / "secrets" / f"{name}.toml"

    @property
    def broker_folder(self) -> Path:
        """Folder of the broker's configuration and of what it keeps."""
        return self.folder / "broker"

    def node_certificate(self, node: NodeSettings) -> tuple[str, str]:
        """Certificate and key of a node: the shop's own, or its authority's, then relative to the broker's folder."""
        if self.broker.certificate:
            return self.broker.certificate, self.broker.key
        return f"../certificates/{node.name}.pem", f"../certificates/{node.name}.key"

    @property
    def station_urls(self) -> tuple[str, ...]:
        """The broker's addresses as stations use them."""
        if self.broker.embedded:
            return tuple(f"mqtts://{_bracketed(node.host)}:{node.port}" for node in self.broker.node)
        return self.broker.urls

    def broker_addresses(self, role: BrokerRole) -> tuple[BrokerAddress, ...]:
        """Where `role` reaches the broker, nodes of this machine first. Raises ShopSettingsError.

        A part goes to the first that answers, and round to the next when that one is lost.
        """
        here = self.broker.nodes_here
        if self.broker.embedded:
            # a certificate of the shop's own names the host, and hardly the loopback address
            near = [
                f"mqtts://{_bracketed(node.host if self.broker.certificate else LOOPBACK)}:{node.port}" for node in here
            ]
            far = [f"mqtts://{_bracketed(node.host)}:{node.port}" for node in self.broker.node if node not in here]
            urls: tuple[str, ...] = (*near, *far)
        else:
            urls = self.broker.urls
        ca = self.ca_file if self.ca_file.exists() else ""
        try:
            return tuple(
                BrokerAddress.from_url(
                    url,
                    credentials_file=self.secret(f"broker-{role}"),
                    ca_file=ca if url.startswith("mqtts") else "",
                )
                for url in urls
            )
        except SettingsError as error:
            raise ShopSettingsError(self.folder, str(error), _PUT_BACK) from error

    def database(self, role: DatabaseRole) -> DatabaseAddress:
        """Where `role` reaches the database. Raises ShopSettingsError."""
        settings = self.database_settings
        try:
            user, password = read_credentials(self.secret(f"database-{role}"))
        except SettingsError as error:
            raise ShopSettingsError(self.folder, str(error), _PUT_BACK) from error
        if settings.embedded:
            return DatabaseAddress(LOOPBACK, settings.port, DATABASE_NAME, user, password, embedded=True)
        host, port, name = database_parts(settings.url)
        return DatabaseAddress(host, port, name, user, password, tls=not _is_loopback(host), ca=settings.ca)


_PUT_BACK = "Put the file back from your backup, or make the shop's secrets anew with: lineset shop init"


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _is_loopback(host: str) -> bool:
    return host in (LOOPBACK, "::1", "localhost")


def database_parts(url: str) -> tuple[str, int, str]:
    """Host, port and name of "postgresql://HOST:PORT/NAME". Raises ShopSettingsError."""
    remedy = "Write postgresql://HOST:PORT/NAME; passwords go into files of the folder secrets"
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port or 5432
    except ValueError as error:
        raise ShopSettingsError("[database] url", f"{error}", remedy) from error
    name = unquote(parts.path.strip("/"))
    if parts.username is not None or parts.password is not None:
        raise ShopSettingsError(f"[database] url {parts.scheme}://...@{host}", "it holds a user or password", remedy)
    if parts.scheme not in ("postgresql", "postgres") or not host or not name or "/" in name or parts.query:
        raise ShopSettingsError(f"[database] url {url!r}", "this is not the address of a database", remedy)
    return host, port, name


def default_folder() -> Path:
    """Where the shop is unless told otherwise."""
    import platformdirs

    return Path(platformdirs.user_data_dir("lineset-shop"))


def load_shop(folder: Path | str | None = None) -> ShopConfig:
    """The shop in `folder` (None: the usual place). Raises NoShopError, ShopSettingsError."""
    place = Path(folder) if folder is not None else default_folder()
    file = place / SHOP_FILE
    try:
        text = file.read_bytes()
    except FileNotFoundError as error:
        raise NoShopError(
            place,
            "there is no shop here",
            f"Make one with: lineset shop init {place}, or name its folder: LINESET_SHOP, --folder, --shop-folder",
        ) from error
    except OSError as error:
        raise ShopSettingsError(
            file, f"it cannot be read ({error.strerror})", "Check the path and its rights"
        ) from error
    try:
        config = msgspec.toml.decode(text, type=ShopConfig)
    except (msgspec.ValidationError, msgspec.DecodeError, UnicodeDecodeError, ValueError) as error:
        remedy = "Correct this line; shop.toml of a new shop tells every key"
        raise ShopSettingsError(file, str(error), remedy) from error
    config = msgspec.structs.replace(config, folder=place.resolve())
    check(config, file)
    return config


def check(config: ShopConfig, file: Path | str) -> None:
    """Raises ShopSettingsError for what contradicts itself or cannot be; `file` says where it stands."""

    def wrong(problem: str, remedy: str) -> ShopSettingsError:
        return ShopSettingsError(file, problem, remedy)

    try:
        check_level(config.shop.name, "[shop] name")
        for node in config.broker.node:
            check_level(node.name, "[[broker.node]] name")
    except TopicError as error:
        raise wrong(str(error), "Choose such a name") from error
    broker = config.broker
    names = [node.name for node in broker.node]
    if len(set(names)) != len(names):
        raise wrong("two [[broker.node]] have one name", "Give each its own")
    if unknown := set(broker.here) - set(names):
        raise wrong(f"[broker] here names {', '.join(sorted(unknown))}, which is no [[broker.node]]", "Correct it")
    if problem := next(filter(None, (host_problem(node.host) for node in broker.node)), ""):
        raise wrong(f"[[broker.node]] {problem}", "Write it without mqtts:// and port, such as shop.lan or 192.0.2.7")
    if problem := next(filter(None, map(url_problem, broker.urls)), ""):
        raise wrong(f"[broker] urls: {problem}", "Write mqtts://HOST:8883")
    if bool(broker.certificate) != bool(broker.key):
        raise wrong("[broker] has a certificate without a key, or a key without", "Name both, or neither")
    if broker.embedded and broker.kind == "none":
        raise wrong("[broker] is embedded, and kind is none", 'Write kind = "nats", or embedded = false')
    if broker.embedded and broker.kind == "mosquitto" and len(names) != 1:
        raise wrong(
            "[broker] kind is mosquitto, which makes no cluster", 'Leave one [[broker.node]], or use kind = "nats"'
        )
    if broker.embedded and len(names) not in (1, 3):
        raise wrong(f"[broker] has {len(names)} nodes", "An embedded broker has one [[broker.node]], or three")
    if broker.hand_over and not all(any(part in word for word in broker.hand_over) for part in ("{path}", "{host}")):
        raise wrong(
            "[broker] hand_over does not say {path} and {host}",
            'Write for example ["rsync", "-aR", "{path}", "{host}:lineset-shop/"]',
        )
    if not broker.embedded and not broker.urls:
        raise wrong("[broker] is not embedded and has no urls", 'Write urls = ["mqtts://HOST:8883"]')
    ports = [config.database_settings.port, config.board.port, config.metrics.port]
    ports += [port for node in broker.node for port in (node.port, node.websocket_port, node.route_port)]
    if bad := [port for port in ports if not 0 <= port <= 65535]:
        raise wrong(f"{bad[0]} is not a port", "Ports go from 1 to 65535")
    if not config.database_settings.embedded:
        database_parts(config.database_settings.url)
    if bool(config.board.identity_header) != bool(config.board.proxies):
        raise wrong(
            "[board] has only one of identity_header and proxies", "Write both: the header, and where it comes from"
        )
    for proxy in config.board.proxies:
        try:
            ip_network(proxy)
        except ValueError as error:
            raise wrong(f"[board] proxies: {error}", 'Write addresses or networks, such as "192.0.2.7"') from error
    if config.collector.count < 1:
        raise wrong("[collector] count is below 1", "Write 1 or more; several share the work")
    if config.retention.months < 1:
        raise wrong("[retention] months is below 1", "Write for how many months the record is kept")
    if not 0 <= config.retention.reading_months <= config.retention.months:
        raise wrong(
            f"[retention] reading_months is not from 0 to {config.retention.months}",
            "Write for how many months readings are kept, no more than the record; 0: as long as it",
        )
