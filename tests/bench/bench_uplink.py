"""How fast a station catches up: hours of a recorded visit sent to a shop's broker and receipted.

    python tests/bench/bench_uplink.py [--hours 4] [--rate 10]

A journal of invented readings (5 s a block) is sent by `Uplink` through nats-server on loopback (a sync at each
message, as a shop's single node does) to a collector that only answers; beside it the same messages are published by
aiomqtt alone, one acknowledgement awaited after the other, and 32 on their way. Both ends share this machine's cores.
"""

from __future__ import annotations

import argparse
import asyncio
import base64
import contextlib
import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import aiomqtt

from lineset.contract.live import StationMessage
from lineset.contract.topic import Topics
from lineset.journal.block import BlockRule
from lineset.journal.file import JournalFile
from lineset.journal.outbox import Outbox
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.stream import block_message
from lineset.stream.address import BrokerAddress
from lineset.stream.broker import LocalBroker
from lineset.stream.uplink import Uplink

TOPICS = Topics("north", "van-3")
BODY = (
    b'{"kind":"frame","instrument":"gauges","raw":"AQQCBI4%08d","samples":[{"channel":"low","v":8.136%04d,"u":"Pa"},'
    b'{"channel":"high","v":25.6%04d,"u":"Pa"}]}'
)


def make(folder: Path, hours: float, rate: float) -> Path:
    path = folder / "v1.journal"
    key = StationKey.load_or_generate(folder / "station.key")
    rows = int(hours * 3600 * rate)
    with JournalFile.create(path, meta={"station": "van-3", "visit": "v1"}, rule=BlockRule()) as journal:
        for start in range(1, rows + 1, 5000):
            journal.append(
                [
                    Row(seq, int(seq / rate * 1e9), "frame", BODY % (seq, seq % 9973, seq % 9967))
                    for seq in range(start, min(start + 5000, rows + 1))
                ]
            )
        journal.put_seal(key, journal.last_t())
    return path


def client_of(address: BrokerAddress) -> aiomqtt.Client:
    client = aiomqtt.Client(
        address.host, address.port, username=address.username, password=address.password, max_inflight_messages=32
    )
    client.pending_calls_threshold = 100
    return client


async def collector(address: BrokerAddress, ready: asyncio.Event) -> None:
    """Answers some hundred times a second at most, as one that stores in batches."""
    async with client_of(address) as client:
        await client.subscribe(f"{TOPICS.base}/visit/+/block/+", 1)
        ready.set()
        newest: dict[str, object] = {}
        news = asyncio.Event()

        async def answer() -> None:
            while True:
                await news.wait()
                news.clear()
                await client.publish(TOPICS.receipt("v1"), json.dumps(newest), qos=1, retain=True)
                await asyncio.sleep(0.1)

        task = asyncio.create_task(answer())
        try:
            async for message in client.messages:
                said = json.loads(message.payload)
                newest = {
                    "t": 0.0, "journal": said["journal"], "blocks": said["n"], "through": said["last"],
                    "head": base64.b64decode(said["hash"]).hex(), "sealed": "seal" in said,
                }  # fmt: skip
                news.set()
        finally:
            task.cancel()


async def sent(path: Path, folder: Path, address: BrokerAddress) -> tuple[float, float]:
    ready = asyncio.Event()
    task = asyncio.create_task(collector(address, ready))
    await ready.wait()
    up = Uplink(address, TOPICS, Outbox(folder / "outbox"), online=lambda: StationMessage(t=0.0, online=True))
    up.add("v1", path, 1)
    began, cpu = time.perf_counter(), time.process_time()
    running = asyncio.create_task(up.run())
    while up.visits_waiting:
        await asyncio.sleep(0.01)
    took = time.perf_counter() - began, time.process_time() - cpu
    for each in (running, task):
        each.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await each
    return took


async def plainly(path: Path, blocks: int, address: BrokerAddress, window: int) -> float:
    async with client_of(address) as client:
        found = block_message.look(path, 1).blocks[:blocks]
        payloads = [block_message.payloads(path, block.n, block.hash)[0] for block in found]
        began = time.perf_counter()
        gate = asyncio.Semaphore(window)

        async def one(payload: bytes) -> None:
            async with gate:
                await client.publish("lineset/v1/north/van-3/visit/v2/block/1", payload, qos=1)

        await asyncio.gather(*(one(payload) for payload in payloads))
        return time.perf_counter() - began


async def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    arguments.add_argument("--hours", type=float, default=4.0)
    arguments.add_argument("--rate", type=float, default=10.0, help="rows a second")
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = make(folder, given.hours, given.rate)
        visit_s = given.hours * 3600
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        async with LocalBroker(folder / "broker", TOPICS, runtime=folder / "run") as broker:
            took, cpu = await sent(path, folder, broker.address())
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
            standing = block_message.look(path, 1)
            blocks = min(len(standing.blocks), 500)
            one, many = [await plainly(path, blocks, broker.address(), window) for window in (1, 32)]
    count = len(standing.blocks)
    print(
        f"{given.hours:g} h at {given.rate:g} rows/s: {count} blocks in {took:.1f} s, {visit_s / took:,.0f} x real time"
    )
    print(f"  {count / took:,.0f} blocks/s; CPU of station and collector together {1e3 * cpu / count:.2f} ms a block; "
          f"memory {memory / 1024:+.0f} MiB")  # fmt: skip
    print(f"  aiomqtt alone: {blocks / one:,.0f} blocks/s one by one, {blocks / many:,.0f} with 32 on their way")


if __name__ == "__main__":
    sys.exit(asyncio.run(main()))
