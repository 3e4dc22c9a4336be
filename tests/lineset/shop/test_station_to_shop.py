"""A station and its shop, both real: joined by the shop's own file over TLS, stored in PostgreSQL, rotated, revoked."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from driver_peers import PtyPeer
from shop_rig import admitted, running_broker
from station_rig import (
    OVER,
    RegisterImage,
    gauges_image,
    hearing,
    instrument,
    plug,
    station,
    station_text,
    visit_journal,
)

from lineset.cli import shop_join
from lineset.journal.reader import JournalReader
from lineset.shop import stations
from lineset.shop.collector import Collector
from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig
from lineset.station.join_file import join_text
from lineset.station.uplinking import FINAL
from lineset.stream.address import write_private

WAIT_S = 60.0
HELD = (
    "station", "visit", "block", "reading", "derived", "event", "settled", "placement", "check_verdict", "finding",
    "observation", "photo", "instrument_channel", "waiting_block", "set_aside",
)  # fmt: skip


def restless(image: RegisterImage) -> None:
    image.inputs[0] = 1180 + 200 * (image.answered // 300 % 2)


@asynccontextmanager
async def gauges(folder: Path) -> AsyncIterator[PtyPeer]:
    image = gauges_image()
    image.before = restless
    peer = plug(folder / "bus", image)
    try:
        yield peer
    finally:
        peer.unplug()


@asynccontextmanager
async def collecting(config: ShopConfig) -> AsyncIterator[Collector]:
    collector, stop = Collector(config, "k0"), asyncio.Event()
    task = asyncio.create_task(collector.run(stop))
    try:
        yield collector
    finally:
        stop.set()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.wait_for(task, WAIT_S)


async def until(enough: Callable[[], object]) -> None:
    async with asyncio.timeout(WAIT_S):
        while not enough():
            await asyncio.sleep(0.02)


async def test_a_visit_goes_from_the_instrument_into_the_database(tmp_path: Path, shop_config: ShopConfig) -> None:
    (tmp_path / "van").mkdir()
    async with (
        gauges(tmp_path) as bus,
        running_broker(shop_config) as supervisor,
        contextlib.AsyncExitStack() as stack,
    ):
        await stack.enter_async_context(collecting(shop_config))
        (join,) = await admitted(supervisor, "van-3")
        given = tmp_path / "van-3.join"
        write_private(given, join_text(join).encode())
        body = instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
        data = tmp_path / "van" / "data"
        async with (
            station(tmp_path / "van", station_text(data, body, speed=60)) as running,
            hearing(running) as hand,
        ):
            shop_join.join(given, tmp_path / "van" / "station.toml")
            assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
            await until(lambda: running.uplinking.counts.receipts > 1)
            assert running.uplinking.uplink is not None
            assert "mqtts://" in running.uplinking.uplink.status.sentence
            await hand.settled("v1", "at_rest", "vapor_service_pressure")

            # the credentials are changed while it runs: the old ones end, the new file goes on
            write_private(given, join_text(stations.rotate(shop_config, "van-3")).encode())
            await supervisor.reload()
            await until(lambda: running.uplinking.sentence.startswith("The shop's broker refuses this station"))
            shop_join.join(given, tmp_path / "van" / "station.toml")
            await until(lambda: running.uplinking.sentence == "The shop receives the record.")

            assert (await hand.command("force-close", OVER))["ok"]
            journal = visit_journal(data, "v1")
            with JournalReader(journal) as reader:
                identity, seal, blocks = reader.identity, reader.seal(), reader.blocks()
            await until(lambda: running.outbox.through(FINAL, identity))
            assert running.uplinking.problem == ""

            # the shop goes back to a backup from before the visit, and its van gives the visit again
            await stack.aclose()
            async with connected(shop_config.database("owner")) as database:
                await database.execute(f"TRUNCATE {', '.join(f'lineset.{table}' for table in HELD)}")
            await stack.enter_async_context(collecting(shop_config))
            reply = await hand.command("resend", {"all": True})
            assert reply["data"]["again"] == ["v1"]
            await until(lambda: running.uplinking.counts.visits_finished >= 2)

            # a station that the shop revoked is told, and keeps its record
            stations.revoke(shop_config, "van-3")
            await supervisor.reload()
            await until(lambda: running.uplinking.sentence.startswith("The shop's broker refuses this station"))
            assert "waits here" in running.uplinking.sentence
    assert seal is not None
    async with connected(shop_config.database("auditor")) as database:
        row = await database.fetchrow("SELECT id, journal, blocks, through, head FROM lineset.visit WHERE visit = 'v1'")
        assert row is not None
        assert (row["journal"], row["blocks"], row["through"], row["head"]) == (
            identity, seal.blocks, seal.last, seal.head,
        )  # fmt: skip
        hashes = await database.fetch("SELECT hash FROM lineset.block WHERE visit_id = $1 ORDER BY n", row["id"])
        assert [each["hash"] for each in hashes] == [block.hash for block in blocks]
