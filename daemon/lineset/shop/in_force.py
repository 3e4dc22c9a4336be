"""Putting a change of stations into force: the running broker reads its users anew, and the database is told."""

from __future__ import annotations

import asyncio
import os
import signal

from lineset.shop.broker_nodes import files_version
from lineset.shop.errors import DatabaseError, ShopError, ShopPartError
from lineset.shop.handing_over import elsewhere, hand_over
from lineset.shop.part_state import Running, running
from lineset.shop.shop_config import ShopConfig
from lineset.shop.supervise import tell_database

_WAIT_S = 60.0
_LOOK_S = 0.02


async def broker_in_force(config: ShopConfig) -> dict[str, str]:
    """Let the running broker read its users and certificates anew, and wait until it did; likewise other machines.

    What came of it, a sentence for "broker", for a cluster over several machines also "elsewhere", and in "not_yet_at"
    the hosts that it did not reach. Raises ShopPartError when a broker did not obey.
    """
    return {"broker": await _broker(config), **await _elsewhere(config)}


async def put_in_force(config: ShopConfig) -> dict[str, str]:
    """The same, and a sentence for "database". Raises ShopPartError when a broker did not obey."""
    return {**await broker_in_force(config), "database": await _database(config)}


async def _elsewhere(config: ShopConfig) -> dict[str, str]:
    nodes = elsewhere(config)
    if not nodes:
        return {}
    if not config.broker.hand_over:
        return {"elsewhere": "copy broker/users.conf to the other machines, where it is read within seconds"}
    problems = await hand_over(config, nodes)
    missed = [node for node in nodes if problems[node.name]]
    reached = ", ".join(node.host for node in nodes if node not in missed)
    told = {"elsewhere": f"handed over to {reached}, where it is read within seconds"} if reached else {}
    if missed:
        why = "; ".join(f"{node.host} ({problems[node.name]})" for node in missed)
        told["not_yet_at"] = f"{why}; lineset shop run tries again every minute"
    return told


async def _broker(config: ShopConfig) -> str:
    if config.broker.kind == "none":
        return "yours: give it the same users and passwords, or take them away"
    if not config.broker.embedded:
        return "yours: let it read its files again, for example with systemctl reload mosquitto"
    version = files_version(config)
    found = _runner(config)
    if found is None:
        return "it does not run here; the change is in force when it does"
    os.kill(found.pid, signal.SIGHUP)
    try:
        async with asyncio.timeout(_WAIT_S):
            while (found := _runner(config)) and found.version != version:
                await asyncio.sleep(_LOOK_S)
    except TimeoutError as error:
        raise ShopPartError(
            "broker", "the change is written, but the broker did not take it", "See the log of lineset shop run"
        ) from error
    return "in force now"


def _runner(config: ShopConfig) -> Running | None:
    for each in running(config.folder).values():
        if any(part.kind == "broker" for part in each.parts):
            return each
    return None


async def _database(config: ShopConfig) -> str:
    try:
        await tell_database(config)
    except DatabaseError as error:
        return f"not reached, it is told when the shop runs ({error})"
    except ShopError as error:
        return str(error)
    return "told"
