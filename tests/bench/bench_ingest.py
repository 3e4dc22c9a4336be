"""The daemon against a plain asyncio loop, in one run: CPU, memory, latency from bytes to message, highest rate.

Feeds a Modbus TCP server and a line stream over TCP into `lineset run` (all readings published: `live.all`, and at
the default conflated rate) and into a plain loop (pymodbus + aiomqtt) that publishes each reading and does nothing
else: no journal, no derived values, no settling. Prints ratios; asserts nothing.

    python tests/bench/bench_ingest.py [--rate 200] [--seconds 20] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import statistics
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from lineset.contract import entry
from lineset.contract.topic import Topics
from lineset.journal.reader import JournalReader
from lineset.stream.address import BrokerAddress, read_broker_file
from lineset.stream.ask import ask
from lineset.stream.broker import LocalBroker
from lineset.stream.link import connect, disconnect

STREAM_PROFILE = """
[profile]
name = "bench-stream"
title = "A stream of one voltage"
protocol = "lines"
source = "invented for measuring speed"
stale_after_s = 5.0
[lines]
terminator = "\\n"
pattern = '(?P<v>[-+0-9.]+) V'
[[channel]]
name = "v"
title = "Volts"
quantity = "voltage"
unit = "V"
group = "v"
resolution = 0.001
source = "invented"
"""

MODBUS_PROFILE = """
[profile]
name = "bench-modbus"
title = "{count} pressures"
protocol = "modbus"
source = "invented for measuring speed"
poll_s = {poll}
stale_after_s = 5.0
[link]
framing = "tcp"
unit = 1
"""
MODBUS_CHANNEL = """
[[channel]]
name = "p{n}"
title = "Pressure {n}"
quantity = "pressure_gauge"
unit = "kPa"
function = "input"
address = {n}
type = "uint16"
scale = 0.1
resolution = 0.1
source = "invented"
"""


class Feed:
    """A line stream and a Modbus TCP server; each sent value is unique, so that its message can be found again."""

    def __init__(self, lines_per_s: float) -> None:
        self.lines_per_s = lines_per_s
        self.sent_at: dict[int, float] = {}
        self.count = 0
        self.running = True
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        self.lines = await asyncio.start_server(self._stream, "127.0.0.1", 0)
        self.modbus = await asyncio.start_server(self._modbus, "127.0.0.1", 0)

    @property
    def ports(self) -> tuple[int, int]:
        return self.lines.sockets[0].getsockname()[1], self.modbus.sockets[0].getsockname()[1]

    async def _stream(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        step = max(1.0 / self.lines_per_s, 0.002)
        each = max(1, round(self.lines_per_s * step))
        try:
            while self.running:
                now = time.perf_counter()
                text = []
                for _ in range(each):
                    self.count += 1
                    self.sent_at[self.count] = now
                    text.append(f"{self.count / 1000:.3f} V\n")
                writer.write("".join(text).encode())
                await writer.drain()
                due += each / self.lines_per_s
                await asyncio.sleep(max(0.0, due - loop.time()))
        except ConnectionError:
            pass
        finally:
            writer.close()

    async def _modbus(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        turn = 0
        try:
            while True:
                head = await reader.readexactly(12)
                transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", head)
                turn = (turn + 1) % 1000
                registers = struct.pack(f">{count}H", *(5000 + (address + n + turn) % 50 for n in range(count)))
                body = struct.pack(">BBB", unit, function, len(registers)) + registers
                writer.write(struct.pack(">HHH", transaction, 0, len(body)) + body)
                await writer.drain()
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()


class Result(dict[str, float]):
    pass


def _tree_cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _rss_mib(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


async def measure(
    pid: int,
    feed: Feed,
    address: BrokerAddress,
    topic: str,
    number: Callable[[bytes], int],
    seconds: float,
    polled: float,
) -> Result:
    """CPU and memory of `pid`, and latency of the stream's messages, over so many seconds."""
    latencies: list[float] = []
    client = await connect(address, f"bench-{time.time_ns()}")
    await client.subscribe(topic)
    heard = 0

    async def listen() -> None:
        nonlocal heard
        async for message in client.messages:
            heard += 1
            sent = feed.sent_at.get(number(message.payload))  # type: ignore[arg-type]
            if sent is not None:
                latencies.append(time.perf_counter() - sent)

    listening = asyncio.create_task(listen())
    await asyncio.sleep(2.0)  # what only happens at the start is not measured
    latencies.clear()
    cpu, count, begun = _tree_cpu_s(pid), feed.count, time.perf_counter()
    await asyncio.sleep(seconds)
    took = time.perf_counter() - begun
    readings = (feed.count - count) + polled * took
    result = Result(
        readings_s=readings / took,
        cpu_s_per_10k=(_tree_cpu_s(pid) - cpu) / readings * 1e4,
        rss_mib=_rss_mib(pid),
        messages_s=len(latencies) / took,
    )
    if latencies:
        ordered = sorted(latencies)
        result["p50_ms"] = statistics.median(ordered) * 1e3
        result["p99_ms"] = ordered[int(len(ordered) * 0.99)] * 1e3
    listening.cancel()
    await disconnect(client)
    return result


async def with_daemon(folder: Path, rate: float, seconds: float, everything: bool) -> Result:
    feed = Feed(rate / 2)
    await feed.start()
    lines, modbus = feed.ports
    count = 10
    poll = count / (rate / 2)
    profiles = folder / "profiles"
    profiles.mkdir(parents=True, exist_ok=True)
    (profiles / "bench-stream.toml").write_text(STREAM_PROFILE)
    (profiles / "bench-modbus.toml").write_text(
        MODBUS_PROFILE.format(count=count, poll=poll) + "".join(MODBUS_CHANNEL.format(n=n) for n in range(count))
    )
    points = ("vapor_service_pressure", "liquid_service_pressure", "discharge_pressure", "common_suction_pressure")
    config = folder / "station.toml"
    config.write_text(
        f'[station]\nname = "bench"\nshop = "bench"\ndata = "{folder / "data"}"\nprofiles = "profiles"\n'
        + ("[live]\nall = true\n" if everything else "")
        + '[[system]]\nid = "main"\nrefrigerant = "R-410A"\n'
        + f'[[instrument]]\nid = "stream"\nprofile = "bench-stream"\nlink = "tcp://127.0.0.1:{lines}"\n'
        + f'[[instrument]]\nid = "polled"\nprofile = "bench-modbus"\nlink = "tcp://127.0.0.1:{modbus}"\n'
        + '[[placement]]\ninstrument = "stream"\nchannel = "v"\npoint = "line_voltage"\n'
        + "".join(
            f'[[placement]]\ninstrument = "polled"\nchannel = "p{n}"\npoint = "{point}"\n'
            for n, point in enumerate(points)
        )
    )
    began = time.perf_counter()
    with open(folder / "station.log", "wb") as log:
        child = await asyncio.create_subprocess_exec(
            str(Path(sys.executable).with_name("lineset")), "run", "--config", str(config), "--at", str(folder / "run"),
            stdout=log, stderr=log,
        )  # fmt: skip
    try:
        while not (folder / "run" / "broker.json").exists():
            await asyncio.sleep(0.01)
        broker = read_broker_file(folder / "run")
        reply = await ask(broker.address("technician"), broker.topics, "visit-open", {"visit": "bench", "systems": []})
        assert reply.ok, reply
        topics: Topics = broker.topics
        first_client = await connect(broker.address("watch"), "bench-first")
        await first_client.subscribe(topics.reading("bench", "main", "line_voltage"))
        async for _ in first_client.messages:
            break
        first_s = time.perf_counter() - began
        await disconnect(first_client)
        result = await measure(
            child.pid,
            feed,
            broker.address("watch"),
            topics.reading("bench", "main", "line_voltage"),
            lambda payload: round(json.loads(payload)["v"] * 1000),
            seconds,
            rate / 2,
        )
        result["first_reading_s"] = first_s
        return result
    finally:
        feed.running = False
        child.terminate()
        await child.wait()


async def plain_loop(broker: dict[str, object], lines: int, modbus: int, poll: float, count: int) -> None:
    """The baseline: what one writes in an afternoon. No journal, no units, no derived values, no settling."""
    import aiomqtt
    from pymodbus.client import AsyncModbusTcpClient

    async with aiomqtt.Client(
        str(broker["host"]), int(str(broker["port"])), username=str(broker["user"]), password=str(broker["password"])
    ) as client:

        async def stream() -> None:
            reader, _ = await asyncio.open_connection("127.0.0.1", lines)
            while line := await reader.readline():
                value = float(line.split()[0])
                await client.publish("lineset/v1/bench/bench/v", json.dumps({"t": time.time(), "v": value, "u": "V"}))

        async def polled() -> None:
            instrument = AsyncModbusTcpClient("127.0.0.1", port=modbus)
            await instrument.connect()
            loop = asyncio.get_running_loop()
            due = loop.time()
            while True:
                answer = await instrument.read_input_registers(0, count=count, device_id=1)
                for n, register in enumerate(answer.registers):
                    await client.publish(
                        f"lineset/v1/bench/bench/p{n}", json.dumps({"t": time.time(), "v": register * 100, "u": "Pa"})
                    )
                due += poll
                await asyncio.sleep(max(0.0, due - loop.time()))

        await asyncio.gather(stream(), polled())


async def with_plain_loop(folder: Path, rate: float, seconds: float) -> Result:
    feed = Feed(rate / 2)
    await feed.start()
    lines, modbus = feed.ports
    async with LocalBroker(folder / "broker", Topics("bench", "bench"), runtime=folder / "runtime") as broker:
        address = broker.address("station")
        # its own topics lie outside what the roles may say, so it publishes below the station's root
        asked = {
            "broker": {
                "host": address.host, "port": address.port, "user": address.username, "password": address.password,
            },
            "lines": lines, "modbus": modbus, "poll": 10 / (rate / 2), "count": 10,
        }  # fmt: skip
        child = await asyncio.create_subprocess_exec(
            sys.executable, __file__, "--plain-loop", json.dumps(asked), stderr=asyncio.subprocess.DEVNULL
        )
        try:
            return await measure(
                child.pid,
                feed,
                broker.address("station"),
                "lineset/v1/bench/bench/v",
                lambda payload: round(json.loads(payload)["v"] * 1000),
                seconds,
                rate / 2,
            )
        finally:
            feed.running = False
            child.kill()
            await child.wait()


async def highest(folder: Path, offered: float) -> Result:
    """Offer so many lines a second; how many were journaled, and how many were counted as lost, a second."""
    feed = Feed(offered)
    await feed.start()
    folder.mkdir(parents=True)
    profiles = folder / "profiles"
    profiles.mkdir()
    (profiles / "bench-stream.toml").write_text(STREAM_PROFILE)
    config = folder / "station.toml"
    config.write_text(
        f'[station]\nname = "bench"\nshop = "bench"\ndata = "{folder / "data"}"\nprofiles = "profiles"\n'
        '[[system]]\nid = "main"\nrefrigerant = "R-410A"\n'
        f'[[instrument]]\nid = "stream"\nprofile = "bench-stream"\nlink = "tcp://127.0.0.1:{feed.ports[0]}"\n'
        '[[placement]]\ninstrument = "stream"\nchannel = "v"\npoint = "line_voltage"\n'
    )
    with open(folder / "station.log", "wb") as log:
        child = await asyncio.create_subprocess_exec(
            str(Path(sys.executable).with_name("lineset")), "run", "--config", str(config), "--at", str(folder / "run"),
            stdout=log, stderr=log,
        )  # fmt: skip
    try:
        while not (folder / "run" / "broker.json").exists():
            await asyncio.sleep(0.01)
        broker = read_broker_file(folder / "run")
        await ask(broker.address("technician"), broker.topics, "visit-open", {"visit": "bench", "systems": []})
        begun = time.perf_counter()
        await asyncio.sleep(8)
        await ask(
            broker.address("technician"), broker.topics, "force-close", {"reason": "the bench is done"}, timeout_s=60.0
        )
        took = time.perf_counter() - begun
    finally:
        feed.running = False
        child.terminate()
        await child.wait()
    with JournalReader(folder / "data" / "visits" / "bench.journal") as reader:
        journaled = sum(1 for _ in reader.rows(1, {"frame"}))
        lost = sum(entry.decode(row.body).count for row in reader.rows(1, {"overrun"}))  # type: ignore[union-attr]
    return Result(offered_s=offered, journaled_s=journaled / took, lost_s=lost / took)


def show(name: str, result: Result) -> None:
    print(
        f"{name:44}{result['readings_s']:9.0f}{result['cpu_s_per_10k']:12.2f}{result['rss_mib']:9.0f}"
        f"{result.get('p50_ms', float('nan')):9.2f}{result.get('p99_ms', float('nan')):9.2f}"
        f"{result['messages_s']:10.0f}"
    )


async def bench(asked: argparse.Namespace) -> None:
    results: dict[str, Result] = {}
    with tempfile.TemporaryDirectory(prefix="lineset-bench-") as name:
        folder = Path(name)
        results["a plain loop (pymodbus + aiomqtt)"] = await with_plain_loop(folder / "p", asked.rate, asked.seconds)
        results["lineset run, live.all"] = await with_daemon(folder / "a", asked.rate, asked.seconds, True)
        results["lineset run, 2 Hz a topic"] = await with_daemon(folder / "c", asked.rate, asked.seconds, False)
        offered = [await highest(folder / f"h{lines}", lines) for lines in (4_000, 10_000, 20_000)]
    if asked.json:
        print(json.dumps({"results": results, "offered": offered}, indent=2))
        return
    print(f"{'':44}{'readings/s':>9}{'CPU s/10k':>12}{'MiB':>9}{'p50 ms':>9}{'p99 ms':>9}{'stream/s':>10}")
    for name, result in results.items():
        show(name, result)
    base = results["a plain loop (pymodbus + aiomqtt)"]
    for name, result in list(results.items())[1:]:
        print(f"{name}: {result['cpu_s_per_10k'] / base['cpu_s_per_10k']:.2f} times the plain loop's CPU a reading")
    print(f"start of the process to first reading heard: {results['lineset run, live.all']['first_reading_s']:.2f} s")
    for row in offered:
        print(
            f"one stream offering {row['offered_s']:.0f} lines/s: {row['journaled_s']:.0f}/s journaled, derived and "
            f"settled, {row['lost_s']:.0f}/s counted as lost"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--plain-loop", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.plain_loop:
        given = json.loads(asked.plain_loop)
        asyncio.run(plain_loop(given["broker"], given["lines"], given["modbus"], given["poll"], given["count"]))
        return
    asyncio.run(bench(asked))


if __name__ == "__main__":
    main()
