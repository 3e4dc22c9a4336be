"""The text of the embedded nodes' configuration: nats-server as a shop's MQTT broker, single or a cluster of three.

Pure: no file, no process. Paths are relative to the broker's folder, in which the nodes run, so that the shop's folder
can be moved or copied as it is.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping

from lineset.contract.topic import Topics
from lineset.shop.rights import Rights, part_rights, station_rights
from lineset.shop.shop_config import BROKER_ROLES, BrokerRole, NodeSettings, ShopConfig
from lineset.shop.shop_secrets import broker_user

USERS_FILE = "users.conf"
HEAD = "# Written by lineset from shop.toml and stations.json; lineset shop init --rewrite writes it anew."

MAX_PAYLOAD = 1 << 20  # a block's part is below 700 kB; what is bigger is no message of ours
MAX_CONNECTIONS = 20_000  # of one node: ten thousand stations while another node's come over
MAX_FILE_STORE = 4 << 30  # retained messages and what sessions wait for: far less
MAX_MEMORY_STORE = 256 << 20
MAX_ACK_PENDING = 4_096  # messages on their way to one subscriber without its acknowledgement
_CONNECTIONS = ["MQTT", "MQTT_WS"]  # nobody is let in by the broker's own protocol
_DELIVERY = "$MQTT.sub.>"  # what a subscription of QoS 1 needs inside nats-server


def node_text(config: ShopConfig, node: NodeSettings, cluster_login: tuple[str, str]) -> str:
    """The configuration of one node; a shop of three nodes makes each a member of the cluster."""
    broker = config.broker
    clustered = len(broker.node) > 1
    content: dict[str, object] = {
        "server_name": node.name,
        "listen": "127.0.0.1:-1",  # its own protocol has to listen somewhere; nobody is let in there
        "logtime": False,
        "max_payload": MAX_PAYLOAD,
        "max_connections": MAX_CONNECTIONS,
        "write_deadline": "10s",
        "jetstream": {
            # a single node's store is of no use in a cluster: what it keeps is retained states, which come again
            "store_dir": f"store/{'cluster' if clustered else 'single'}-{node.name}",
            "sync_interval": "always",
            "max_file_store": MAX_FILE_STORE,
            "max_memory_store": MAX_MEMORY_STORE,
        },
        "mqtt": {
            "listen": f"{_host(broker.listen)}:{node.port}",
            "tls": _tls(config, node),
            "max_ack_pending": MAX_ACK_PENDING,
            "ack_wait": "30s",
            **({"stream_replicas": len(broker.node)} if clustered else {}),
        },
        "websocket": {
            "listen": f"{_host(broker.listen)}:{node.websocket_port}",
            "tls": _tls(config, node),
            "allowed_origins": list(origins(config)),
        },
    }
    if clustered:
        user, password = cluster_login
        content["cluster"] = {
            "name": f"lineset-{config.shop.name}",
            "listen": f"{_host(broker.listen)}:{node.route_port}",
            "no_advertise": True,
            "authorization": {"user": user, "password": password, "timeout": 5},
            "tls": {
                "cert_file": f"../certificates/{node.name}.pem",
                "key_file": f"../certificates/{node.name}.key",
                "ca_file": "../certificates/authority.pem",
                "verify": True,
                "min_version": "1.2",
                "timeout": 5,
            },
            "routes": [
                f"tls://{user}:{password}@{_host(other.host)}:{other.route_port}"
                for other in broker.node
                if other is not node
            ],
        }
    lines = [HEAD, *(f"{key}: {json.dumps(value, indent=2)}" for key, value in content.items())]
    return "\n".join([*lines, f"authorization {{\n  timeout: 5\n  include {USERS_FILE}\n}}"]) + "\n"


def users_text(
    config: ShopConfig, part_hashes: Mapping[BrokerRole, str], station_hashes: Iterable[tuple[str, str]]
) -> str:
    """Who is let in and what each may do: the parts of the shop by role, the stations by name, each with its hash."""
    rows = [_user(broker_user(role), part_hashes[role], part_rights(role, config.base)) for role in BROKER_ROLES]
    for name, hashed in station_hashes:
        rows.append(_user(name, hashed, station_rights(Topics(config.shop.name, name))))
    return "\n".join([HEAD, "users: [", *(f"  {row}" for row in rows), "]"]) + "\n"


def origins(config: ShopConfig) -> tuple[str, ...]:
    """Web pages that may open the WebSocket: the nodes' own, the board's, and those that shop.toml names.

    A list, not `same_origin`: a name that a foreign page owns can be pointed at this machine.
    """
    found = []
    for node in config.broker.node:
        found.append(f"https://{_host(node.host)}:{node.websocket_port}")
        if config.board.network:
            found.append(f"https://{_host(node.host)}:{config.board.port}")
    found += [f"http://{host}:{config.board.port}" for host in ("127.0.0.1", "localhost")]
    return tuple(dict.fromkeys((*found, *config.broker.allowed_origins)))


def _user(name: str, hashed: str, rights: Rights) -> str:
    publish = {"allow": _subjects(rights.say)} if rights.say else {"deny": [">"]}
    hear: dict[str, object] = {"allow": [*_subjects(rights.hear), _DELIVERY]}
    if rights.never_hear:
        hear["deny"] = _subjects(rights.never_hear)
    return json.dumps(
        {
            "user": name,
            "password": hashed,
            "permissions": {"publish": publish, "subscribe": hear},
            "allowed_connection_types": _CONNECTIONS,
        }
    )


def _subjects(filters: Iterable[str]) -> list[str]:
    """nats-server's names for MQTT filters; `x/#` there means `x` too, and needs both."""
    found = []
    for each in filters:
        subject = each.replace("/", ".").replace("+", "*")
        if subject.endswith(".#"):
            found += [subject[:-2], f"{subject[:-1]}>"]
        else:
            found.append(subject)
    return found


def _tls(config: ShopConfig, node: NodeSettings) -> dict[str, object]:
    certificate, key = config.node_certificate(node)
    return {"cert_file": certificate, "key_file": key, "min_version": "1.2", "timeout": 5}


def _host(host: str) -> str:
    return f"[{host}]" if ":" in host else host
