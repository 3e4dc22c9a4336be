"""Users and certificates of the broker for the other machines of a cluster, brought there by a command of the owner's.

Which one that is stands in `[broker] hand_over`, for example rsync over ssh: lineset opens no way of its own between
the machines. The machine that keeps the list of stations hands over; the others read what came within seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable

import structlog

from lineset.shop.broker_nodes import version_of
from lineset.shop.shop_config import NodeSettings, ShopConfig
from lineset.shop.stations import STATIONS_FILE, users_files

_COMMAND_S = 20.0  # for one file; a machine that does not answer in that time is tried again
_LOOK_S = 2.0
RETRY_S = 60.0

log = structlog.get_logger(__name__)


def elsewhere(config: ShopConfig) -> tuple[NodeSettings, ...]:
    """The embedded nodes that other machines run."""
    return tuple(node for node in config.broker.node if node not in config.broker.nodes_here)


async def hand_over(config: ShopConfig, nodes: Iterable[NodeSettings]) -> dict[str, str]:
    """Bring each node what it needs; by the node's name what went wrong, empty where nothing did."""
    nodes = tuple(nodes)
    problems = await asyncio.gather(*(_one(config, node) for node in nodes))
    return {node.name: problem for node, problem in zip(nodes, problems, strict=True)}


async def keep_others(config: ShopConfig) -> None:
    """Hand over at the start, whenever something changed, and again where it did not arrive, until cancelled."""
    handed: dict[str, str] = {}
    while config.broker.hand_over:
        try:
            whole = await _catch_up(config, handed)
        except OSError as error:
            log.error("the broker's files cannot be read", error=str(error))
            whole = False
        await asyncio.sleep(_LOOK_S if whole else RETRY_S)


async def _catch_up(config: ShopConfig, handed: dict[str, str]) -> bool:
    """Hand over to all nodes that have another version than lies here; whether all have it now."""
    if not (config.folder / STATIONS_FILE).exists():
        return True  # the list is kept on another machine, which hands over to this one
    newest = {node: _version(config, node) for node in elsewhere(config)}
    late = [node for node, version in newest.items() if handed.get(node.name) != version]
    outcome = await hand_over(config, late)
    for node in late:
        if problem := outcome[node.name]:
            log.error("a broker node has not the newest users", node=node.name, host=node.host, why=problem)
        else:
            handed[node.name] = newest[node]
            log.info("a broker node was given the newest users and certificates", node=node.name, host=node.host)
    return not any(outcome.values())


def _paths(config: ShopConfig, node: NodeSettings) -> tuple[str, ...]:
    """What a node reads anew while it runs, relative to the shop's folder."""
    found = [path.relative_to(config.folder).as_posix() for path in users_files(config)]
    if not config.broker.certificate:
        found += [f"certificates/{node.name}.{ending}" for ending in ("key", "pem")]
    return tuple(path for path in found if (config.folder / path).exists())


def _version(config: ShopConfig, node: NodeSettings) -> str:
    return version_of(config.folder / path for path in _paths(config, node))


async def _one(config: ShopConfig, node: NodeSettings) -> str:
    for path in _paths(config, node):
        words = [word.replace("{path}", path).replace("{host}", node.host) for word in config.broker.hand_over]
        if problem := await _run(config, words):
            return f"{path}: {problem}"
    return ""


async def _run(config: ShopConfig, words: list[str]) -> str:
    """Run it in the shop's folder, without a shell; what went wrong."""
    try:
        process = await asyncio.create_subprocess_exec(
            *words,
            cwd=config.folder,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
    except OSError as error:
        return f"{words[0]} cannot be run ({error.strerror})"
    try:
        async with asyncio.timeout(_COMMAND_S):
            said, _ = await process.communicate()
    except TimeoutError:
        return f"{words[0]} did not end in {_COMMAND_S:.0f} s"
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    if process.returncode:
        last = said.decode(errors="replace").strip().rpartition("\n")[2]
        return f"{words[0]} ended with {process.returncode}: {last[-200:]}"
    return ""
