"""The text of the local broker's configuration: who may say and hear what. Pure: no file, no process."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from lineset.contract.command import FORCING
from lineset.contract.topic import ROOT, Topics
from lineset.stream.address import Role

# Only these of our users' connections are let in: not the broker's own protocol.
_CONNECTIONS = ["MQTT", "MQTT_WS"]
# What an MQTT subscription of QoS 1 needs inside nats-server.
_SUBSCRIPTIONS = "$MQTT.sub.>"


@dataclass(frozen=True, slots=True)
class BrokerPlan:
    """All that the configuration depends on. `credentials` holds user name and password of each role."""

    topics: Topics
    store: Path
    mqtt_port: int
    websocket_port: int
    credentials: Mapping[Role, tuple[str, str]]
    allowed_origins: tuple[str, ...] = ()


def subject(topic: str) -> str:
    """The broker's own name for an MQTT topic of [a-z0-9_-] levels."""
    return topic.replace("/", ".")


def permissions(role: Role, topics: Topics) -> dict[str, object]:
    """What a role may do. All may hear what is said below the root: on a local broker that is this station alone.

    `command` (dashboards, buttons, scripts) may ask for anything but what forces; `technician` may force too.
    """
    root = subject(ROOT)
    hear: dict[str, object] = {"allow": [root, f"{root}.>", _SUBSCRIPTIONS]}
    if role == "station":
        return {"publish": {"allow": [f"{root}.>"]}, "subscribe": hear}
    if role in ("command", "technician"):
        may: dict[str, object] = {"allow": [f"{subject(topics.base)}.command.>"]}
        if role == "command":
            may["deny"] = [subject(topics.command(verb)) for verb in FORCING]
        return {"publish": may, "subscribe": hear}
    return {"publish": {"deny": [">"]}, "subscribe": hear}


def configuration(plan: BrokerPlan) -> str:
    """The whole configuration: JSON, which nats-server reads as it reads its own syntax."""
    own = (f"http://127.0.0.1:{plan.websocket_port}", f"http://localhost:{plan.websocket_port}")
    users = [
        {
            "user": username,
            "password": password,
            "permissions": permissions(role, plan.topics),
            "allowed_connection_types": _CONNECTIONS,
        }
        for role, (username, password) in plan.credentials.items()
    ]
    content = {
        "server_name": f"{plan.topics.shop}-{plan.topics.station_id}",  # MQTT state is kept under it
        "listen": "127.0.0.1:-1",  # its own protocol has to listen somewhere; nobody is let in there
        "logtime": False,
        "jetstream": {"store_dir": str(plan.store), "sync_interval": "always"},
        "mqtt": {"listen": f"127.0.0.1:{plan.mqtt_port}"},
        "websocket": {
            "listen": f"127.0.0.1:{plan.websocket_port}",
            "no_tls": True,
            # A list, not `same_origin`: a name that a foreign page owns can be pointed at 127.0.0.1,
            # and then its Origin equals the Host it asks for.
            "allowed_origins": [*own, *plan.allowed_origins],
        },
        "authorization": {"users": users},
    }
    return json.dumps(content, indent=2)
