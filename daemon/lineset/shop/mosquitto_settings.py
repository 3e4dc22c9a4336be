"""The text of a mosquitto broker's files for a shop: configuration, password file and access list. Pure.

No WebSocket listener: mosquitto lets any web page use one. The boards carry their own WebSocket to the broker.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from lineset.contract.topic import Topics
from lineset.shop.rights import Rights, part_rights, station_rights
from lineset.shop.shop_config import BROKER_ROLES, BrokerRole, ShopConfig
from lineset.shop.shop_secrets import broker_user

CONFIGURATION, PASSWORDS, ACCESS = "mosquitto.conf", "mosquitto.passwords", "mosquitto.access"
HEAD = "# Written by lineset from shop.toml and stations.json; lineset shop init --rewrite writes it anew."
MAX_PAYLOAD = 1 << 20  # a block's part is below 700 kB; what is bigger is no message of ours


def mosquitto_text(config: ShopConfig, system_user: str) -> str:
    """The configuration. `system_user` is who mosquitto becomes when it is started as root; it must read the files."""
    folder = config.broker_folder
    node = config.broker.node[0]
    certificate, key = (str((folder / path).resolve()) for path in config.node_certificate(node))
    return "\n".join(
        [
            HEAD,
            f"user {system_user}",
            "log_dest stderr",
            "log_type error",
            "log_type warning",
            "log_type notice",
            "log_type information",
            "",
            f"listener {node.port} {config.broker.listen}",
            f"certfile {certificate}",
            f"keyfile {key}",
            "# TLS 1.2 and newer is what it takes when no version is named",
            "allow_anonymous false",
            f"password_file {_path(folder, PASSWORDS)}",
            f"acl_file {_path(folder, ACCESS)}",
            "",
            f"max_packet_size {MAX_PAYLOAD}",
            "max_inflight_messages 200",
            "max_queued_messages 10000",
            "persistence true",
            f"persistence_location {_path(folder, 'store')}/",
            "# without these two a kill loses what is retained",
            "autosave_on_changes true",
            "autosave_interval 1",
            "",
        ]
    )


def passwords_text(part_hashes: Mapping[BrokerRole, str], station_hashes: Iterable[tuple[str, str]]) -> str:
    """The password file."""
    rows = [f"{broker_user(role)}:{part_hashes[role]}" for role in BROKER_ROLES]
    rows += [f"{name}:{hashed}" for name, hashed in station_hashes]
    return "\n".join(rows) + "\n"


def access_text(config: ShopConfig, stations: Iterable[str]) -> str:
    """The access list: a block for each user; what is not named is denied."""
    lines = [HEAD]
    for role in BROKER_ROLES:
        lines += _block(broker_user(role), part_rights(role, config.base))
    for name in stations:
        lines += _block(name, station_rights(Topics(config.shop.name, name)))
    return "\n".join(lines) + "\n"


def _block(user: str, rights: Rights) -> list[str]:
    return [
        f"user {user}",
        *(f"topic deny {each}" for each in rights.never_hear),
        *(f"topic write {each}" for each in rights.say),
        *(f"topic read {each}" for each in rights.hear),
    ]


def _path(folder: Path, name: str) -> str:
    return str(folder / name)
