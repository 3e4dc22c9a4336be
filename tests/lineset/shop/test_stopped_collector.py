"""Two collectors, of which one is stopped for longer than the others wait for it, and then goes on."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
import pytest
from shop_blocks import sent, write_journal
from shop_broker import PlainBroker, plain_broker, send_until_sealed
from shop_record import assert_whole

from lineset.contract.transfer import ReceiptMessage
from lineset.shop.database import connected
from lineset.shop.sharing import owner_of
from lineset.shop.shop_config import ShopConfig

WAIT_S = 60.0
NAMES = ("k0", "k1")
STATIONS = [f"van-{n}" for n in range(6)]

# A collector that stops itself, as SIGSTOP from elsewhere would, at its third transaction.
_PROCESS = """
import asyncio, os, signal, sys
from lineset.shop import collector, sharing, storing
from lineset.shop.shop_config import load_shop
sharing.LIVE_S = collector.LIVE_S = 2.5  # one that a busy machine holds up is not taken for a stopped one
collector.HEARTBEAT_S, collector.BATCH_BYTES = 0.2, 4000
storing.IDLE_S = 0.5
folder, name, where = sys.argv[1:]
write, told, calls = storing.write, storing.Store._told, 0

def stop():
    global calls
    calls += 1
    if calls == 3:
        os.kill(os.getpid(), signal.SIGSTOP)

async def in_transaction(*args):
    done = await write(*args)
    stop()
    return done

def after_commit(*args):
    stop()
    return told(*args)

if where == "in_transaction":
    storing.write = in_transaction
elif where == "after_commit":
    storing.Store._told = after_commit
asyncio.run(collector.run_collector(load_shop(folder), name, asyncio.Event()))
"""


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[PlainBroker]:
    async with plain_broker(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
async def auditor(shop_config: ShopConfig) -> AsyncIterator[Any]:
    async with connected(shop_config.database("auditor")) as connection:
        yield connection


@pytest.fixture
def stack() -> Iterator[contextlib.ExitStack]:
    with contextlib.ExitStack() as stack:
        yield stack


@pytest.fixture
async def stack_of() -> AsyncIterator[contextlib.AsyncExitStack]:
    async with contextlib.AsyncExitStack() as stack:
        yield stack


@contextlib.asynccontextmanager
async def receipts(port: int) -> AsyncIterator[list[ReceiptMessage]]:
    """What collectors say from now on, and not what the broker had kept."""
    heard: list[ReceiptMessage] = []

    async def hear(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            if not message.retain:
                heard.append(msgspec.json.decode(message.payload, type=ReceiptMessage))

    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("lineset/v1/north/+/receipt/+", 1)
        hearing = asyncio.create_task(hear(client))
        try:
            yield heard
        finally:
            hearing.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await hearing


def _end(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.kill()


async def live(auditor: Any, enough: Callable[[set[str]], bool]) -> None:
    """Wait until those that said within the last second that they live are so."""
    query = "SELECT name FROM lineset.collector WHERE heard_at > now() - interval '1 second'"
    async with asyncio.timeout(WAIT_S):
        while not enough({row["name"] for row in await auditor.fetch(query)}):
            await asyncio.sleep(0.05)


@pytest.mark.parametrize("where", ["in_transaction", "after_commit"])
async def test_a_collector_that_was_stopped_holds_up_nobody_and_says_nothing_old(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path, where: str,
    stack: contextlib.ExitStack, stack_of: contextlib.AsyncExitStack,
) -> None:  # fmt: skip
    config = broker.used_by(shop_config)
    processes = {}
    for name, at in zip(NAMES, ("", where), strict=True):
        processes[name] = await asyncio.create_subprocess_exec(
            sys.executable, "-c", _PROCESS, str(config.folder), name, at
        )
        stack.callback(_end, processes[name])
    await live(auditor, lambda names: names == set(NAMES))
    assert {owner_of(station, NAMES) for station in STATIONS} == set(NAMES)
    visits = [sent(write_journal(tmp_path / "j", station=each, visit=f"v-{each}", block_rows=5)) for each in STATIONS]
    sending = asyncio.create_task(send_until_sealed(broker.port, visits, again_s=0.3))
    pid = processes["k1"].pid
    stopped = await asyncio.wait_for(asyncio.to_thread(os.waitid, os.P_PID, pid, os.WSTOPPED), WAIT_S)
    assert stopped is not None
    await sending  # the other takes all of it
    whole = {row["journal"] for row in await auditor.fetch("SELECT journal FROM lineset.visit")}
    heard = await stack_of.enter_async_context(receipts(broker.port))
    processes["k1"].send_signal(signal.SIGCONT)
    await live(auditor, lambda names: names == set(NAMES))
    later, takers = [], set[str]()
    async with asyncio.timeout(WAIT_S):
        while takers != set(NAMES):  # it has its share again, once both have looked who is there
            round_ = f"w{len(later)}"
            more = [sent(write_journal(tmp_path / "j", station=each, visit=f"{round_}-{each}")) for each in STATIONS]
            await send_until_sealed(broker.port, more, again_s=0.3)
            later += more
            takers = {row["collector"] for row in await auditor.fetch(
                "SELECT DISTINCT b.collector FROM lineset.block b JOIN lineset.visit v ON v.id = b.visit_id "
                "WHERE v.visit LIKE $1", f"{round_}-%")}  # fmt: skip
    for visit in (*visits, *later):
        await assert_whole(auditor, visit)
    assert await auditor.fetchval("SELECT count(*) FROM lineset.set_aside") == 0
    assert [receipt for receipt in heard if not receipt.sealed and receipt.journal in whole] == []
