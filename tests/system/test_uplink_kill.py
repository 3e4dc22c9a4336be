"""kill -9 of `lineset run`, of the shop's broker and of its collector while a visit travels: all arrives, once."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
from pathlib import Path

import pytest
from shop_by_hand import collecting, in_the_file, rows_by_hand
from station_process import StationProcess
from station_rig import OVER, RegisterImage, gauges_image, instrument, listening, plug, station_text, visit_journal

from lineset.contract.topic import Topics
from lineset.journal.verify import verify
from lineset.stream.broker import LocalBroker

pytestmark = pytest.mark.system

KILLS = 2


def restless(image: RegisterImage) -> None:
    image.inputs[0] = 1180 + 200 * (image.answered // 300 % 2)


async def test_killed_at_random_moments_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(10**6)
    print(f"seed {seed}")
    chance = random.Random(seed)
    image = gauges_image()
    image.before = restless
    bus = plug(tmp_path / "bus", image)
    gauges = instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
    station = StationProcess(tmp_path, station_text(tmp_path / "data", gauges, speed=60))
    async with LocalBroker(tmp_path / "shop", Topics("north", "van-3"), runtime=tmp_path / "shop-run") as shop:
        address = shop.address()
        join = tmp_path / "data" / "uplink.toml"
        join.parent.mkdir(mode=0o700)
        join.write_text(
            f'format = 1\nshop = "north"\nstation = "van-3"\nurls = ["{address}"]\nusername = "station"\n'
            f'password = "{address.password}"\n'
        )
        join.chmod(0o600)
        await station.start()
        try:
            async with collecting(shop.address) as collector, listening(station.address, name="outside") as ear:
                assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
                stored = collector.visit("v1")
                for kill in range(KILLS):
                    enough = len(stored.data) + chance.randrange(1, 12)
                    await collector.until(lambda enough=enough: len(stored.data) >= enough)
                    if kill % 2:
                        os.kill(shop.pid, signal.SIGKILL)  # it comes again by itself
                    await station.end(signal.SIGKILL)
                    await station.start()
                assert (await ear.command("force-close", OVER))["ok"]
                await collector.until(lambda: stored.seal)
                # that the shop has it, and that retained topics were taken back, is remembered durably
                async with listening(shop.address) as late:
                    receipts = lambda: late.on("receipt/v1")  # noqa: E731
                    await late.until_kept("receipt/v1", lambda: receipts() and receipts()[-1].json["sealed"])
                    await _until_cleared(tmp_path / "data" / "outbox")
        finally:
            await station.end(signal.SIGKILL)
            bus.unplug()
    path = visit_journal(tmp_path / "data", "v1")
    assert verify(path).ok
    rows = rows_by_hand(stored.framed)
    assert [seq for seq, *_ in rows] == list(range(1, len(rows) + 1))
    assert rows == in_the_file(path)
    print(f"{len(stored.data)} blocks, {len(stored.arrived) - len(stored.data)} of them came again")


async def _until_cleared(outbox: Path) -> None:
    async with asyncio.timeout(60):
        while "shop_final" not in json.loads(outbox.read_bytes().partition(b"\n")[2])["through"]:
            await asyncio.sleep(0.05)
