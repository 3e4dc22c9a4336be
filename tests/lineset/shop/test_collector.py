"""The collector on a real broker and a real PostgreSQL: receipts, sharing, and what is killed under it."""

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
from shop_blocks import changed, sent, write_journal
from shop_broker import PlainBroker, plain_broker, send_until_sealed
from shop_record import assert_whole

from lineset.contract.live import StationMessage
from lineset.contract.live import encode as encode_message
from lineset.contract.transfer import ReceiptMessage
from lineset.journal.seal import StationKey
from lineset.shop import collector as collector_module
from lineset.shop import sharing
from lineset.shop.collector import Collector
from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig
from lineset.stream.link import Incoming

WAIT_S = 60.0
LIVE_S = 3.0  # a collector that a busy machine holds up for so long would be taken for a dead one


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[PlainBroker]:
    async with plain_broker(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
async def auditor(shop_config: ShopConfig) -> AsyncIterator[Any]:
    async with connected(shop_config.database("auditor")) as connection:
        yield connection


@contextlib.asynccontextmanager
async def collecting(config: ShopConfig, name: str = "k0") -> AsyncIterator[Collector]:
    collector, stop = Collector(config, name), asyncio.Event()
    task = asyncio.create_task(collector.run(stop))
    try:
        connected_ = asyncio.create_task(collector.link.connected.wait())
        await asyncio.wait([task, connected_], return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            task.result()
        yield collector
    finally:
        stop.set()
        await asyncio.wait_for(task, WAIT_S)


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(WAIT_S):
        while not true():
            await asyncio.sleep(0.02)


async def test_only_names_of_the_contract_are_taken_in(shop_config: ShopConfig) -> None:
    collector = Collector(shop_config, "k0")
    for station, visit in (("van 1", "v"), ("v\u00e4n", "v"), ("van-1", "x" * 3000), ("van-1", ""), ("VAN", "v")):
        collector.hear(Incoming(f"lineset/v1/north/{station}/visit/{visit}/block/1", b"{}", False))
    assert (collector.counts.misnamed, collector.counts.messages, collector.counts.pending) == (5, 0, 0)
    for number in ("1", "-1", "1e3", "9" * 30, "\u0661"):
        collector.hear(Incoming(f"lineset/v1/north/van-1/visit/v/block/{number}", b"{}", False))
    assert [each.n for each in collector._pending] == [1, 0, 0, 0, 0]
    too_much = b"x" * (collector_module.MAX_PENDING + 1)
    collector.hear(Incoming("lineset/v1/north/van-1/visit/v/block/1", too_much, False))
    assert (collector.counts.let_go, collector.counts.pending) == (1, 5)
    for _ in range(collector_module.MAX_PENDING // collector_module.BESIDES + 1):  # empty ones fill the memory too
        collector.hear(Incoming("lineset/v1/north/van-1/visit/v/block/1", b"", False))
    assert collector.counts.let_go > 1


@pytest.mark.parametrize("kind", ["nats", "mosquitto"])
async def test_visits_arrive_whole_and_are_receipted(
    shop_config: ShopConfig, auditor: Any, tmp_path: Path, kind: str
) -> None:
    async with plain_broker(tmp_path / kind, kind) as broker, collecting(broker.used_by(shop_config)) as collector:
        visits = [sent(write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}"), part=2000) for n in range(3)]
        receipts = await send_until_sealed(broker.port, visits)
        for visit in visits:
            await assert_whole(auditor, visit)
            receipt = receipts[f"{visit.station}/{visit.visit}"]
            row = await auditor.fetchrow("SELECT journal, head FROM lineset.visit WHERE visit = $1", visit.visit)
            assert (receipt.journal, receipt.head, receipt.problem) == (row["journal"], row["head"].hex(), "")
        counts = collector.counts
        assert counts.blocks == sum(len(visit.payloads) for visit in visits)
        assert (counts.sealed, counts.foreign, counts.set_aside) == (3, 0, {})
        assert counts.readings == await auditor.fetchval("SELECT count(*) FROM lineset.reading")
    # a receipt is retained: whoever comes later hears it
    assert counts.receipts >= 3


async def test_a_station_that_asks_again_is_answered(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    config = broker.used_by(shop_config)
    async with collecting(config):
        await send_until_sealed(broker.port, [visit])
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:  # the broker has forgotten
        await client.publish("lineset/v1/north/van-1/receipt/visit-1", b"", qos=1, retain=True)
    async with collecting(config) as collector:
        receipts = await send_until_sealed(broker.port, [visit])
        assert receipts["van-1/visit-1"].blocks == len(visit.payloads)
        assert collector.counts.blocks == 0
        assert collector.counts.again > 0
    await assert_whole(auditor, visit)


async def test_a_collector_that_comes_back_tells_open_visits_how_they_stand(
    broker: PlainBroker, shop_config: ShopConfig, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    topic = "lineset/v1/north/van-1/receipt/visit-1"
    config = broker.used_by(shop_config)
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        async with collecting(config) as collector:
            n, payload = visit.all[0]
            await client.publish(f"lineset/v1/north/van-1/visit/visit-1/block/{n}", payload, qos=1)
            await until(lambda: collector.counts.receipts >= 1)
        await client.publish(topic, b"", qos=1, retain=True)  # the broker has forgotten
        await client.subscribe(topic, 1)
        async with collecting(config):  # the station says nothing, waiting for an answer as it is
            async with asyncio.timeout(WAIT_S):
                message = await anext(aiter(client.messages))
    assert isinstance(message.payload, bytes)
    receipt = msgspec.json.decode(message.payload, type=ReceiptMessage)
    assert (receipt.blocks, receipt.sealed, receipt.problem) == (1, False, "")


async def test_the_station_message_pins_the_key(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    mine, thief = StationKey.generate(tmp_path / "a"), StationKey.generate(tmp_path / "b")
    forged = sent(write_journal(tmp_path / "j", key=thief, visit="v1"))
    true = sent(write_journal(tmp_path / "j", key=mine, visit="v2"))
    async with collecting(broker.used_by(shop_config)) as collector:
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            message = StationMessage(t=1.0, online=True, public_key=mine.public.hex())
            await client.publish("lineset/v1/north/van-1/station", encode_message(message), qos=1, retain=True)
            async with asyncio.timeout(WAIT_S):
                while await auditor.fetchval("SELECT public_key FROM lineset.station") != mine.public:
                    await asyncio.sleep(0.02)
            for n, payload in forged.all:
                await client.publish(f"lineset/v1/north/van-1/visit/v1/block/{n}", payload, qos=1)
            await until(lambda: collector.counts.set_aside == {"key": 1})
            message = StationMessage(t=1.0, online=True, public_key=thief.public.hex())
            await client.publish("lineset/v1/north/van-1/station", encode_message(message), qos=1, retain=True)
            await until(lambda: collector.counts.strange_keys == 1)
        await send_until_sealed(broker.port, [true])
        await assert_whole(auditor, true)
        await assert_whole(auditor, forged, sealed=False)


async def test_what_an_older_program_put_aside_is_taken_after_an_update(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lineset.shop import block_message

    visit = sent(write_journal(tmp_path / "j"))
    newer = [changed(payload, format=2) for _, payload in visit.all]
    config = broker.used_by(shop_config)
    async with collecting(config) as collector, aiomqtt.Client("127.0.0.1", broker.port) as client:
        for n, payload in enumerate(newer, start=1):
            await client.publish(f"lineset/v1/north/van-1/visit/visit-1/block/{n}", payload, qos=1)
        await until(lambda: collector.counts.set_aside == {"newer": len(newer)})
        await until(lambda: collector.counts.receipts > 0)
    async with collecting(config) as collector:  # the same program: nothing changes
        await until(lambda: collector.counts.batches > 0 and collector.counts.pending == 0)
        assert (collector.counts.set_aside, collector.counts.blocks) == ({}, 0)
    assert {row["times"] for row in await auditor.fetch("SELECT times FROM lineset.set_aside")} == {1}
    monkeypatch.setattr(block_message, "FORMAT", 2)
    async with collecting(config) as collector:
        await until(lambda: collector.counts.sealed == 1)
        await assert_whole(auditor, visit)
        assert await auditor.fetchval("SELECT count(*) FROM lineset.set_aside WHERE taken_at IS NULL") == 0


async def test_broker_and_postgres_killed(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(collector_module, "BATCH_BYTES", 4000)  # many small transactions, and death between them
    visits = [sent(write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}", block_rows=5)) for n in range(4)]
    async with collecting(broker.used_by(shop_config)) as collector:
        sending = asyncio.create_task(send_until_sealed(broker.port, visits))
        await until(lambda: collector.counts.blocks > 3)
        before = collector.store._connection
        # kill -9 of a server process: PostgreSQL ends all others, recovers from its log and comes back
        pid = await auditor.fetchval("SELECT pg_backend_pid()")
        os.kill(pid, signal.SIGKILL)
        await until(lambda: collector.store._connection is not before)
        await broker.kill()
        await broker.up()
        await sending
        async with connected(shop_config.database("auditor")) as connection:
            for visit in visits:
                await assert_whole(connection, visit)


async def test_a_full_disk_of_the_database_is_waited_out(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    async with connected(shop_config.database("owner")) as owner:
        await owner.execute(
            "CREATE FUNCTION lineset.no_room() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "RAISE EXCEPTION 'could not extend file: No space left on device' USING ERRCODE = 'disk_full'; END $$;"
            "CREATE TRIGGER no_room BEFORE INSERT ON lineset.block EXECUTE FUNCTION lineset.no_room()"
        )
        async with collecting(broker.used_by(shop_config)) as collector:
            sending = asyncio.create_task(send_until_sealed(broker.port, [visit]))
            await until(lambda: collector.counts.database_away >= 2)
            assert (collector.counts.receipts, collector.counts.database_here) == (0, False)
            await owner.execute("DROP TRIGGER no_room ON lineset.block")
            await sending
            assert collector.counts.database_here
    await assert_whole(auditor, visit)


_PROCESS = """
import asyncio, os, signal, sys
from lineset.shop import collector, sharing, storing
from lineset.shop.shop_config import load_shop
sharing.LIVE_S, collector.HEARTBEAT_S, collector.BATCH_BYTES = float(sys.argv[5]), 0.2, 4000
folder, name, where, count = sys.argv[1], sys.argv[2], sys.argv[3], float(sys.argv[4])
write, told, calls = storing.write, storing.Store._told, 0

def die():
    global calls
    calls += 1
    if calls == count:
        os.kill(os.getpid(), signal.SIGKILL)

async def in_transaction(*args):
    done = await write(*args)
    die()
    return done

def after_commit(*args):
    die()
    return told(*args)

if where == "in_transaction":
    storing.write = in_transaction
elif where == "after_commit":
    storing.Store._told = after_commit
elif where == "at_any_moment":  # so many seconds after it has begun to store
    import threading
    def begin(*args):
        if not calls:
            threading.Timer(count, os.kill, (os.getpid(), signal.SIGKILL)).start()
        die()
        return write(*args)
    storing.write = begin
asyncio.run(collector.run_collector(load_shop(folder), name, asyncio.Event()))
"""


def _end(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.kill()


@pytest.fixture
def stack() -> Iterator[contextlib.ExitStack]:
    with contextlib.ExitStack() as stack:
        yield stack


@pytest.mark.parametrize("where", ["in_transaction", "after_commit"])
async def test_one_of_two_collectors_is_killed(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path, where: str,
    monkeypatch: pytest.MonkeyPatch, stack: contextlib.ExitStack,
) -> None:  # fmt: skip
    monkeypatch.setattr(sharing, "LIVE_S", LIVE_S)
    monkeypatch.setattr(collector_module, "HEARTBEAT_S", 0.2)
    config = broker.used_by(shop_config)
    dying = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _PROCESS, str(config.folder), "k1", where, "3", str(LIVE_S)
    )
    stack.callback(_end, dying)
    async with collecting(config, "k0") as collector:
        await until(lambda: collector.share.names == ("k0", "k1"))
        visits = [
            sent(write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}", block_rows=5)) for n in range(6)
        ]
        assert {collector.share.mine(visit.station) for visit in visits} == {True, False}
        await send_until_sealed(broker.port, visits, again_s=0.3)
        assert await asyncio.wait_for(dying.wait(), WAIT_S) == -signal.SIGKILL
        assert collector.share.names == ("k0",)
        for visit in visits:
            await assert_whole(auditor, visit)
        takers = await auditor.fetch("SELECT DISTINCT collector FROM lineset.block")
        assert {row["collector"] for row in takers} == {"k0", "k1"}


async def test_the_only_collector_is_killed_again_and_again(
    broker: PlainBroker, shop_config: ShopConfig, auditor: Any, tmp_path: Path, stack: contextlib.ExitStack
) -> None:
    config = broker.used_by(shop_config)
    journals = [write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}", block_rows=2) for n in range(8)]
    visits = [sent(each) for each in journals]
    sending = asyncio.create_task(send_until_sealed(broker.port, visits, again_s=0.3))
    for seconds in ("0.011", "0.037", "0.093"):
        dying = await asyncio.create_subprocess_exec(
            sys.executable, "-c", _PROCESS, str(config.folder), "k0", "at_any_moment", seconds, str(LIVE_S)
        )
        stack.callback(_end, dying)
        assert await asyncio.wait_for(dying.wait(), WAIT_S) == -signal.SIGKILL
    async with collecting(config):
        await sending
    for visit in visits:
        await assert_whole(auditor, visit)
