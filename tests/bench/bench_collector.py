"""What the collector stores in a second, beside a raw COPY of the same rows and beside one INSERT a reading.

    python tests/bench/bench_collector.py [--readings 300000] [--seconds 10] [--stations 500] [--json]

Real PostgreSQL from the wheel with its own defaults (each commit is synced). Messages are made beforehand and handed to
the collector as its link to the broker would; all readings are invented. Blocks of 500 rows: nine frames of two values
and one row of derived values in ten rows. The fleet: blocks of 50 frames of one value, as they close every 5 s at ten
readings a second, paced in real time; its figure is the share of one core that the collector took. Catching up: one
station's such blocks as fast as they go, as times real time. Ratios of one run compare; figures of two runs do not.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import pickle
import random
import sys
import tempfile
import time
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import shop_rig
from engine_entries import GAUGES, NS, PIPES, SYSTEM, WALL_NS
from shop_broker import plain_broker

from lineset.contract import entry as e
from lineset.contract.transfer import BlockMessage
from lineset.journal.block import OpenBlock, frame_row, genesis
from lineset.journal.row import Row
from lineset.shop.collector import Collector
from lineset.shop.database import connected
from lineset.shop.rows_of_block import READING_COLUMNS
from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.stream.link import Incoming
from lineset_drivers.frame import Sample

CHUNK = 64


@dataclass(slots=True)
class Fed:
    """Messages of a station in order."""

    topics: list[str]
    payloads: list[bytes]
    readings: int


def station(name: str, blocks: int, rows: int, values: int, derived: bool) -> Fed:
    """An invented visit of so many blocks of so many rows, as its station would send it."""
    import msgspec

    meta = {"station": name, "visit": "bench", "format": "1", "id": name.encode().hex()[:32].ljust(32, "0"),
            "first": "1", "created": "1"}  # fmt: skip
    opened = e.Opened(station=name, visit="bench", wall_ns=WALL_NS, version="0", fingerprint="bench", systems=(SYSTEM,))
    begin: list[e.AnyBody] = [opened, GAUGES, PIPES]
    for instrument, channel, point in (("gauges", "low", "vapor_service_pressure"),
                                       ("gauges", "high", "liquid_service_pressure"),
                                       ("pipes", "t1", "vapor_line_temperature")):  # fmt: skip
        begin.append(e.Placed(instrument=instrument, channel=channel, system="main", point=point))
    head, seq, t, readings = genesis(meta), 0, 0, 0
    fed, chance = Fed([], [], 0), random.Random(name)
    for n in range(1, blocks + 1):
        block, data = OpenBlock(n, head), []
        bodies = list(begin) if n == 1 else []
        for k in range(rows - len(bodies)):
            if derived and k % 10 == 9:
                bodies.append(e.Derived(system="main", values={f"value_{i}": (5.0 + i, 0.25) for i in range(8)}))
                continue
            gauges = k % 2 == 0
            channels = ("low", "high")[:values] if gauges else ("t1", "t2")[:values]
            samples = tuple(Sample(channel, round(100 + chance.gauss(0, 2), 1), "") for channel in channels)
            raw = bytes([1, 3, 4]) + chance.randbytes(5 * values)
            bodies.append(e.Framed(instrument="gauges" if gauges else "pipes", raw=raw, samples=samples))
            readings += values
        for body in bodies:
            seq, t = seq + 1, t + NS // 10
            row = Row(seq, t, e.kind_of(body), e.encode(body))
            framed = frame_row(row)
            block.add_row(row, framed)
            data.append(framed)
        closed = block.close()
        message = BlockMessage(
            journal=meta["id"], n=n, first=closed.first, last=closed.last, rows=closed.rows, gaps=0, t=closed.t,
            previous=head, hash=closed.hash, data=zlib.compress(b"".join(data)), meta=meta if n == 1 else {},
        )  # fmt: skip
        head = closed.hash
        fed.topics.append(f"lineset/v1/north/{name}/visit/bench/block/{n}")
        fed.payloads.append(msgspec.json.encode(message))
    fed.readings = readings
    return fed


def interleaved(stations: Sequence[Fed]) -> Iterator[Incoming]:
    for at in range(max(len(each.topics) for each in stations)):
        for each in stations:
            if at < len(each.topics):
                yield Incoming(each.topics[at], each.payloads[at], False)


class Running:
    """A collector that stores and says nothing: everything of it but the broker."""

    def __init__(self, config: ShopConfig) -> None:
        self.collector = Collector(config, "bench")
        self._task = asyncio.create_task(self.collector._store())

    def check(self) -> None:
        if self._task.done():
            self._task.result()

    async def ready(self) -> None:
        while not self.collector.counts.database_here:
            await asyncio.sleep(0.01)
            self.check()

    async def until(self, blocks: int) -> None:
        while self.collector.counts.blocks < blocks:
            await asyncio.sleep(0.01)
            self.check()
        assert not self.collector.counts.set_aside

    async def end(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        await self.collector.store.close()


async def backend_cpu(running: Running) -> float:
    """CPU seconds of the database process that serves the collector."""
    pid = (await running.collector.store.connection()).get_server_pid()
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def flat_out(config: ShopConfig, stations: Sequence[Fed]) -> dict[str, float]:
    """Everything as fast as it goes."""
    running = Running(config)
    messages, readings = list(interleaved(stations)), sum(each.readings for each in stations)
    await running.ready()
    cpu0, begun, process = await backend_cpu(running), time.perf_counter(), time.process_time()
    for at in range(0, len(messages), CHUNK):
        for incoming in messages[at : at + CHUNK]:
            running.collector.hear(incoming)
        while running.collector.counts.pending > 4 * CHUNK:
            await asyncio.sleep(0.005)
            running.check()
    await running.until(len(messages))
    wall, own = time.perf_counter() - begun, time.process_time() - process
    cpu = await backend_cpu(running) - cpu0
    await running.end()
    return {
        "readings": readings, "blocks": len(messages),
        "bytes_a_reading": sum(len(each.payload) for each in messages) / readings,
        "wall_s": wall, "readings_s": readings / wall,
        "cpu_s": own, "cpu_us_a_reading": own / readings * 1e6, "database_cpu_s": cpu,
        "batches": running.collector.counts.batches,
    }  # fmt: skip


_PUBLISH = """
import asyncio, pickle, sys, aiomqtt
async def main():
    topics, payloads = pickle.load(open(sys.argv[2], "rb"))
    async with aiomqtt.Client("127.0.0.1", int(sys.argv[1]), max_inflight_messages=64, timeout=60) as client:
        client.pending_calls_threshold = 1000
        limit = asyncio.Semaphore(64)
        async def one(topic, payload):
            await client.publish(topic, payload, qos=1, timeout=60)
            limit.release()
        tasks = []
        for each in zip(topics, payloads):
            await limit.acquire()
            tasks.append(asyncio.create_task(one(*each)))
        await asyncio.gather(*tasks)
asyncio.run(main())
"""


async def through_a_broker(config: ShopConfig, folder: Path, stations: Sequence[Fed]) -> dict[str, float]:
    """As flat out, by nats-server at QoS 1 from another process, receipts said; nobody lets go of anything."""
    messages, readings = list(interleaved(stations)), sum(each.readings for each in stations)
    fed = folder / "fed"
    fed.write_bytes(pickle.dumps(([each.topic for each in messages], [each.payload for each in messages])))
    async with plain_broker(folder / "broker") as broker:
        collector, stop = Collector(broker.used_by(config), "bench"), asyncio.Event()
        task = asyncio.create_task(collector.run(stop))
        await collector.link.connected.wait()
        publisher = await asyncio.create_subprocess_exec(sys.executable, "-c", _PUBLISH, str(broker.port), str(fed))
        while not collector.counts.messages:
            await asyncio.sleep(0.001)
        begun, process = time.perf_counter(), time.process_time()
        while collector.counts.blocks < len(messages):
            await asyncio.sleep(0.01)
        wall, own = time.perf_counter() - begun, time.process_time() - process
        await publisher.wait()
        stop.set()
        await task
        assert not collector.counts.let_go
    return {
        "readings": readings, "wall_s": wall, "readings_s": readings / wall,
        "cpu_us_a_reading": own / readings * 1e6, "batches": collector.counts.batches,
        "receipts": collector.counts.receipts,
    }  # fmt: skip


async def paced(config: ShopConfig, stations: Sequence[Fed], seconds: float) -> dict[str, float]:
    """One block a station every 5 s, evenly spread."""
    running = Running(config)
    messages = list(interleaved(stations))
    await running.ready()
    begun, process, count = time.perf_counter(), time.process_time(), int(len(stations) / 5 * seconds)
    for n, incoming in enumerate(messages[:count]):
        running.collector.hear(incoming)
        if (ahead := begun + n * 5 / len(stations) - time.perf_counter()) > 0:
            await asyncio.sleep(ahead)
    await running.until(count)
    wall, own = time.perf_counter() - begun, time.process_time() - process
    await running.end()
    return {"stations": len(stations), "wall_s": wall, "readings_s": 50 * count / wall, "core_share": own / wall}


async def raw_copy(config: ShopConfig, times: int = 3) -> dict[str, float]:
    """The same readings by one COPY into the same emptied table: what the database alone makes of them."""
    best = float("inf")
    async with connected(config.database("owner"), command_timeout=600) as owner:
        rows = await owner.fetchval("SELECT count(*) FROM lineset.reading")
        size = await owner.fetchval(
            "SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
            "WHERE c.relkind = 'r'"
        )
        chunks: list[bytes] = []

        async def keep(chunk: bytes) -> None:
            chunks.append(chunk)

        await owner.copy_from_query(
            f"SELECT {', '.join(READING_COLUMNS)} FROM lineset.reading", output=keep, format="binary"
        )
        data = memoryview(b"".join(chunks))
        for _ in range(times):
            await owner.execute("TRUNCATE lineset.reading")
            begun = time.perf_counter()
            await owner.copy_to_table(
                "reading", schema_name="lineset", columns=READING_COLUMNS, source=data, format="binary"
            )
            best = min(best, time.perf_counter() - begun)
    return {"readings": rows, "readings_s": rows / best, "bytes_a_reading_on_disk": float(size) / rows}


async def one_insert_each(config: ShopConfig, seconds: float = 3.0) -> dict[str, float]:
    """One message, one row, one commit, by a prepared statement."""
    async with connected(config.database("owner")) as owner:
        rows = await owner.fetch(f"SELECT {', '.join(READING_COLUMNS)} FROM lineset.reading LIMIT 50000")
        await owner.execute("TRUNCATE lineset.reading")
        marks = ", ".join(f"${n}" for n in range(1, len(READING_COLUMNS) + 1))
        insert = await owner.prepare(f"INSERT INTO lineset.reading ({', '.join(READING_COLUMNS)}) VALUES ({marks})")
        begun, done = time.perf_counter(), 0
        for row in rows:
            await insert.fetch(*row)
            done += 1
            if time.perf_counter() - begun > seconds:
                break
        wall = time.perf_counter() - begun
    return {"readings": done, "readings_s": done / wall}


async def measure(arguments: argparse.Namespace, folder: Path, postgres: shop_rig.Postgres) -> dict[str, Any]:
    def shop(name: str) -> ShopConfig:
        return load_shop(shop_rig.make_shop(folder / name, postgres, postgres.new_database()))

    bulk = [station(f"bulk-{n}", max(1, arguments.readings // (20 * 900)), 500, 2, True) for n in range(20)]
    result: dict[str, Any] = {}
    config = shop("bulk")
    result["collector, blocks of 500 rows"] = await flat_out(config, bulk)
    result["the same through a broker"] = await through_a_broker(shop("broker"), folder, bulk)
    result["raw COPY"] = await raw_copy(config)
    result["one INSERT a reading"] = await one_insert_each(config)
    hour = station("hour", 720 * arguments.hours, 50, 1, False)
    caught = await flat_out(shop("hour"), [hour])
    caught["times_real_time"] = hour.readings / 10 / caught["wall_s"]
    result["catching up, blocks of 50"] = caught
    if arguments.seconds:
        blocks = int(arguments.seconds / 5) + 1
        fleet = [station(f"fleet-{n}", blocks, 50, 1, False) for n in range(arguments.stations)]
        result["fleet in real time"] = await paced(shop("fleet"), fleet, arguments.seconds)
    ours = result["collector, blocks of 500 rows"]["readings_s"]
    result["ratios"] = {
        "to raw COPY": ours / result["raw COPY"]["readings_s"],
        "to one INSERT a reading": ours / result["one INSERT a reading"]["readings_s"],
    }
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=300_000)
    parser.add_argument("--seconds", type=float, default=10.0, help="of the fleet in real time; 0: without it")
    parser.add_argument("--stations", type=int, default=500)
    parser.add_argument("--hours", type=int, default=2, help="of one station that catches up")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    shop_rig._FAST = {}  # here each commit is synced, as in service
    with tempfile.TemporaryDirectory(prefix="lineset-bench-") as name:
        Path(name).chmod(0o711)
        postgres = shop_rig.Postgres(Path(name))
        postgres.start()
        try:
            result = asyncio.run(measure(arguments, Path(name), postgres))
        finally:
            postgres.stop()
    if arguments.json:
        print(json.dumps(result, indent=2))
        return
    for what, figures in result.items():
        print(f"{what:32} " + "  ".join(f"{key} {value:,.4g}" for key, value in figures.items()))


if __name__ == "__main__":
    main()
