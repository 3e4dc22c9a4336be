"""Making a shop: its folder with settings, secrets, certificates, the broker's configuration and the database.

Safe to do again: what is there stays as it is and is named; only what is missing is made. The broker's configuration
follows from `shop.toml`; where it differs it is named too, and written anew only when that is asked for.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import msgspec

from lineset.equipment.language import counted
from lineset.shop import certificates
from lineset.shop.broker_settings import node_text
from lineset.shop.database_roles import roles_file
from lineset.shop.database_server import exists, make_database
from lineset.shop.errors import ShopSettingsError
from lineset.shop.mosquitto_settings import CONFIGURATION, mosquitto_text
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import (
    BOARD_PORT,
    BROKER_PORT,
    DATABASE_NAME,
    DATABASE_PORT,
    METRICS_PORT,
    ROUTE_PORT,
    SHOP_FILE,
    WEBSOCKET_PORT,
    BoardSettings,
    BrokerSettings,
    DatabaseSettings,
    MetricsSettings,
    NodeSettings,
    ShopConfig,
    ShopPart,
    check,
    database_parts,
    load_shop,
)
from lineset.shop.shop_secrets import database_passwords, make_secrets, secret, usernames
from lineset.shop.stations import write_users
from lineset.stream.address import write_private
from lineset.stream.broker import free_ports

_LOCAL_HOSTS = frozenset({"localhost", "127.0.0.1", "::1"})
ROLES_FILE = "roles.sql"
_OURS = frozenset({"secrets", "certificates", "broker", "database", "run", "stations.json", "roles.sql"})


class Wish(msgspec.Struct, frozen=True, kw_only=True):
    """What `lineset shop init` was asked for; empty: the usual. A port of 0 chooses free ones and writes them down."""

    name: str = "shop"
    nodes: Literal[1, 3] = 1
    hosts: tuple[str, ...] = ()  # one for all nodes, or one for each
    port: int = BROKER_PORT
    urls: tuple[str, ...] = ()
    database_url: str = ""
    certificate: Path | None = None
    key: Path | None = None
    ca: Path | None = None
    mosquitto: bool = False
    rewrite: bool = False


class Outcome(msgspec.Struct, kw_only=True):
    """What was made, what was there, what differs from what shop.toml says, and what is left to do by a person.

    `not_applied` are words of the wish that shop.toml, which was there, says otherwise.
    """

    folder: str
    made: list[str] = []
    there: list[str] = []
    differs: list[str] = []
    not_applied: list[str] = []
    to_do: list[str] = []


def settings_of(wish: Wish) -> ShopConfig:
    """The settings of a new shop. Raises ShopSettingsError."""
    database_port, board_port, metrics_port = DATABASE_PORT, BOARD_PORT, METRICS_PORT
    free = iter([] if wish.port else free_ports(2 + 3 * wish.nodes))
    if not wish.port:
        database_port, board_port, metrics_port = next(free), next(free), 0
    if wish.urls:
        kind: Literal["mosquitto", "none"] = "mosquitto" if wish.mosquitto else "none"
        broker = BrokerSettings(
            embedded=False, kind=kind, urls=wish.urls, node=_nodes(wish, free) if wish.mosquitto else ()
        )
    else:
        local = set(wish.hosts) <= _LOCAL_HOSTS and bool(wish.hosts)
        nodes = _nodes(wish, free)
        broker = BrokerSettings(
            kind="mosquitto" if wish.mosquitto else "nats",
            listen="127.0.0.1" if local else "0.0.0.0",
            node=nodes,
            here=(nodes[0].name,) if len(wish.hosts) > 1 else (),
            certificate=str(wish.certificate.resolve()) if wish.certificate else "",
            key=str(wish.key.resolve()) if wish.key else "",
        )
    if wish.database_url:
        database_parts(wish.database_url)
    return ShopConfig(
        shop=ShopPart(name=wish.name),
        broker=broker,
        database_settings=DatabaseSettings(embedded=not wish.database_url, url=wish.database_url, port=database_port),
        board=BoardSettings(port=board_port),
        metrics=MetricsSettings(port=metrics_port),
    )


def _nodes(wish: Wish, free: Iterator[int]) -> tuple[NodeSettings, ...]:
    hosts = wish.hosts or (socket.gethostname(),)
    if len(hosts) not in (1, wish.nodes):
        problem = f"{len(hosts)} hosts for {counted(wish.nodes, 'node')}"
        raise ShopSettingsError("--host", problem, "Name one host for all nodes, or one for each")
    nodes = []
    for at in range(wish.nodes):
        # nodes on machines of their own use the same ports; on one machine each has the next
        step = at if len(hosts) == 1 else 0
        ports = [base + step if wish.port else next(free) for base in (wish.port, WEBSOCKET_PORT, ROUTE_PORT)]
        host = hosts[at] if len(hosts) > 1 else hosts[0]
        nodes.append(
            NodeSettings(name=f"n{at + 1}", host=host, port=ports[0], websocket_port=ports[1], route_port=ports[2])
        )
    return tuple(nodes)


def set_up_folder(folder: Path, wish: Wish) -> Outcome:
    """Make everything that is only files. Raises ShopSettingsError, ShopPartError, ShopProgramError, OSError."""
    _check_files(wish)
    _check_folder(folder)
    new = not (folder / SHOP_FILE).exists()
    settings = settings_of(wish) if new else load_shop(folder)
    if new:
        check(settings, f"{folder / SHOP_FILE}, not written")
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    # as root the embedded database runs as another user, who has to pass through this folder, and sees nothing in it
    folder.chmod(0o711 if _is_root() else 0o700)
    outcome = Outcome(folder=str(folder))
    if new:
        _write(folder / SHOP_FILE, settings_text(settings), outcome, folder)
    else:
        outcome.there.append(SHOP_FILE)
        outcome.not_applied += _said_otherwise(wish, settings)
    config = load_shop(folder)
    made = make_secrets(folder, usernames())
    _note(outcome, "secrets", [path.name for path in made])
    _make_certificates(config, wish, outcome)
    _make_broker(config, wish, outcome)
    _make_database(config, outcome)
    return outcome


def _said_otherwise(wish: Wish, there: ShopConfig) -> list[str]:
    """What was asked for and shop.toml, which stays as it is, says otherwise; the usual counts as not asked for."""
    usual, nodes = Wish(), there.broker.node
    hosts = tuple(node.host for node in nodes)
    pairs = (
        ("--name", wish.name, usual.name, there.name),
        ("--nodes", wish.nodes, usual.nodes, len(nodes)),
        ("--host", wish.hosts, usual.hosts, hosts[: len(wish.hosts)]),
        ("--port", wish.port or usual.port, usual.port, nodes[0].port if nodes else 0),
        ("--url", wish.urls, usual.urls, there.broker.urls),
        ("--database-url", wish.database_url, usual.database_url, there.database_settings.url),
    )
    return [
        f"{option} {_words(asked)} (shop.toml says {_words(says) or 'none'})"
        for option, asked, default, says in pairs
        if asked not in (default, says)
    ]


def _words(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)


def _check_folder(folder: Path) -> None:
    """A shop has a folder of its own, whose mode we set: one with other things in it is refused."""
    if not folder.is_dir() or (folder / SHOP_FILE).exists():
        return
    if strange := sorted(path.name for path in folder.iterdir() if path.name not in _OURS):
        raise ShopSettingsError(
            folder, f"other things are in this folder, such as {strange[0]}", "Name a new or an empty one for the shop"
        )


def _check_files(wish: Wish) -> None:
    if bool(wish.certificate) != bool(wish.key):
        raise ShopSettingsError("--certificate, --key", "one is given without the other", "Give both, or neither")
    if wish.certificate and wish.key:
        certificates.check_pair(wish.certificate, wish.key)
    if wish.ca:
        certificates.valid_until(wish.ca)


def _make_certificates(config: ShopConfig, wish: Wish, outcome: Outcome) -> None:
    folder = config.certificates
    folder.mkdir(mode=0o700, exist_ok=True)
    broker = config.broker
    made = []
    if broker.node and (
        not broker.certificate or len(broker.node) > 1
    ):  # the nodes of a cluster know each other by ours
        if certificates.make_authority(folder, config.shop.name):
            made += ["authority.pem", "authority.key"]
        for node in broker.node:
            path = folder / f"{node.name}.pem"
            right = path.exists() and certificates.names_host(path, node.host)
            if path.exists() and not right and not wish.rewrite:
                outcome.differs.append(str(path.relative_to(config.folder)))
            elif not right:
                certificates.make_node(folder, node.name, node.host)
                made += [f"{node.name}.pem", f"{node.name}.key"]
    if not config.ca_file.exists():
        if wish.ca:
            shutil.copyfile(wish.ca, config.ca_file)
            made.append("ca.pem")
        elif broker.node and not broker.certificate:
            shutil.copyfile(folder / "authority.pem", config.ca_file)
            made.append("ca.pem")
    if made or any(folder.iterdir()):
        _note(outcome, "certificates", made)


def _make_broker(config: ShopConfig, wish: Wish, outcome: Outcome) -> None:
    broker = config.broker
    if broker.kind == "none":
        outcome.to_do.append(
            "give your broker the users in secrets/broker-*.toml and of each join file, with the rights in README.md"
        )
        return
    folder = config.broker_folder
    folder.mkdir(mode=0o700, exist_ok=True)
    for path, text in broker_texts(config):
        if not path.exists():
            _write(path, text, outcome, config.folder)
        elif path.read_text() == text:
            outcome.there.append(str(path.relative_to(config.folder)))
        elif wish.rewrite:
            _write(path, text, outcome, config.folder)
        else:
            outcome.differs.append(str(path.relative_to(config.folder)))
    for path in write_users(config):
        outcome.made.append(str(path.relative_to(config.folder)))
    if broker.kind == "mosquitto":
        store = folder / "store"
        store.mkdir(mode=0o700, exist_ok=True)
        if not broker.embedded:
            outcome.to_do.append(
                f"let your mosquitto run with {folder / CONFIGURATION}, and reload it when stations change"
            )


def broker_texts(config: ShopConfig) -> list[tuple[Path, str]]:
    """The broker's configuration files with the text that follows from the settings. Raises ShopSettingsError."""
    if config.broker.kind == "mosquitto":
        return [(config.broker_folder / CONFIGURATION, mosquitto_text(config, _our_name()))]
    login = secret(config, "broker-cluster")
    return [(config.broker_folder / f"{node.name}.conf", node_text(config, node, login)) for node in config.broker.node]


def _make_database(config: ShopConfig, outcome: Outcome) -> None:
    if config.database_settings.embedded:
        data = config.folder / "database"
        if exists(data):
            outcome.there.append("database")
        else:
            make_database(data, secret(config, "database-admin")[1])
            outcome.made.append("database")
        return
    path = config.folder / ROLES_FILE
    name = database_parts(config.database_settings.url)[2]
    if path.exists():
        outcome.there.append(ROLES_FILE)
    else:
        _write(path, roles_file(database_passwords(config), name), outcome, config.folder)


def _write(path: Path, text: str, outcome: Outcome, folder: Path) -> None:
    write_private(path, text.encode())
    outcome.made.append(str(path.relative_to(folder)))


def _note(outcome: Outcome, folder: str, made: list[str]) -> None:
    if made:
        outcome.made += [f"{folder}/{name}" for name in made]
    else:
        outcome.there.append(folder)


def _is_root() -> bool:
    return sys.platform != "win32" and os.geteuid() == 0


def _our_name() -> str:
    import getpass

    with contextlib.suppress(KeyError, OSError):
        return getpass.getuser()
    return "root" if _is_root() else "mosquitto"


__all__ = ["DATABASE_NAME", "Outcome", "Wish", "broker_texts", "set_up_folder", "settings_of"]
