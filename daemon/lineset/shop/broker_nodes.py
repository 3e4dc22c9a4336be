"""How the embedded broker is run: nats-server nodes from the wheel, or a mosquitto where the shop chose that."""

from __future__ import annotations

import re
import shutil
import signal
from collections.abc import Iterable
from pathlib import Path

from lineset.shop.child import ChildPlan
from lineset.shop.errors import ShopError, ShopPortError, ShopProgramError
from lineset.shop.mosquitto_settings import CONFIGURATION
from lineset.shop.shop_config import NodeSettings, ShopConfig
from lineset.shop.stations import users_files
from lineset.stream.broker import READY, find_program
from lineset.stream.errors import BrokerMissing

RELOADED = {"nats": "Reloaded server configuration", "mosquitto": "Reloading config"}
NOT_RELOADED = "Failed to reload"
_STOP_S = 10.0


def files_version(config: ShopConfig) -> str:
    """Which version lies there of the files that a running broker can read anew: its users and its certificates.

    Both are only ever replaced as a whole, so size and time of writing tell. Empty for a broker that we do not run.
    """
    if not config.broker.embedded:
        return ""
    paths = list(users_files(config))
    for node in config.broker.nodes_here:
        paths += [config.broker_folder / name for name in config.node_certificate(node)]
    return version_of(paths)


def version_of(paths: Iterable[Path]) -> str:
    """What tells whether one of these files was replaced."""
    seen = []
    for path in paths:
        try:
            info = path.stat()
        except FileNotFoundError:
            seen.append("-")
        else:
            seen.append(f"{info.st_ino}.{info.st_size}.{info.st_mtime_ns}")
    return " ".join(seen)


def node_plans(config: ShopConfig) -> tuple[ChildPlan, ...]:
    """One plan for each broker process of this machine. Raises ShopProgramError."""
    if config.broker.kind == "mosquitto":
        return tuple(_mosquitto(config, node) for node in config.broker.nodes_here)
    return tuple(_nats(config, node) for node in config.broker.nodes_here)


def _nats(config: ShopConfig, node: NodeSettings) -> ChildPlan:
    try:
        program = find_program()
    except BrokerMissing as error:
        raise ShopProgramError("nats-server", str(error), "Or use a broker of your own: [broker] urls") from error
    return ChildPlan(
        name=f"broker {node.name}",
        command=(str(program), "-c", f"{node.name}.conf"),
        ready=READY,
        stop=signal.SIGTERM,
        stop_s=_STOP_S,
        folder=str(config.broker_folder),
        loud=("[ERR]", "[FTL]", "[WRN]"),
        no_space=("no space left on device",),  # it stores nothing from then on, however much room there is
        why=lambda said: _why(node, config.broker_folder, said),
    )


def _mosquitto(config: ShopConfig, node: NodeSettings) -> ChildPlan:
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        raise ShopProgramError(
            "mosquitto",
            "this program is not on this machine",
            'Install it, or write embedded = false and the urls of where it runs, or kind = "nats"',
        )
    return ChildPlan(
        name=f"broker {node.name}",
        command=(program, "-c", str(config.broker_folder / CONFIGURATION)),
        ready=" running",
        stop_s=_STOP_S,
        folder=str(config.broker_folder),
        loud=("Error", "Warning"),
        why=lambda said: _why(node, config.broker_folder, said),
    )


def _busy(node: NodeSettings, said: str) -> str:
    """The port that was taken already, from the line that says so; where it names none, those that it may be."""
    lines = [line for line in said.split(" | ") if "address already in use" in line.lower()]
    named = {int(port) for line in lines for port in re.findall(r"[:\]](\d{1,5})\b", line)}
    ours = (node.port, node.websocket_port, node.route_port)
    found = [port for port in ours if port in named]
    return " or ".join(map(str, found or ours))


def _why(node: NodeSettings, folder: Path, said: str) -> ShopError | None:
    if "address already in use" in said.lower():
        ports = _busy(node, said)
        return ShopPortError(
            f"broker {node.name}, port {ports}",
            "another program listens there",
            f"End it, or set another port in shop.toml and run lineset shop init --rewrite. It said: {said[-300:]}",
        )
    if "no such file" in said.lower():
        return ShopError(
            folder,
            f"a file of the broker is missing; it said: {said[-300:]}",
            "lineset shop init makes what is missing",
        )
    return None
