"""What the journal costs, beside a plain loop that commits each row by itself with the same durability.

    python tests/bench/bench_journal.py [--seconds 20] [--folder DIR]

Prints rows/s in bulk, and at 200 rows/s CPU seconds per 10,000 rows and the time until a row is durable. An idle
event loop at the same rate is measured too and taken off both, so that the figures are the journal's own. Bodies
are 245 bytes; every tenth row is urgent. The folder decides which disk is measured.
"""

from __future__ import annotations

import argparse
import asyncio
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.verify import verify
from lineset.journal.writer import Writer

BODY = bytes(range(245))
RATE = 200
BULK = 200_000


class Plain:
    """One INSERT and COMMIT a row, WAL, synchronous=FULL; no chain, no thread, no limit, no seal."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(path, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("CREATE TABLE rows (seq INTEGER PRIMARY KEY, t INTEGER, kind TEXT, body BLOB)")

    def put(self, seq: int) -> None:
        self._db.execute("INSERT INTO rows VALUES (?, ?, 'frame', ?)", (seq, seq * 5_000_000, BODY))

    def close(self) -> None:
        self._db.close()


async def paced(seconds: float, put: Callable[[int], None]) -> float:
    """Call `put` RATE times a second. Returns CPU seconds per 10,000 calls."""
    loop = asyncio.get_running_loop()
    count = int(seconds * RATE)
    begin, cpu = loop.time(), time.process_time()
    for n in range(1, count + 1):
        put(n)
        await asyncio.sleep(max(0.0, begin + n / RATE - loop.time()))
    return (time.process_time() - cpu) * 10_000 / count


async def ours_paced(folder: Path, seconds: float) -> tuple[float, list[float], list[float]]:
    """CPU, and ms until durable of urgent and of other rows."""
    sent: list[float] = [0.0]
    urgent, gathered = list[float](), list[float]()
    reached = 0

    def on_commit(seq: int) -> None:
        nonlocal reached
        now = time.perf_counter()
        for n in range(reached + 1, seq + 1):
            (gathered if n % 10 else urgent).append((now - sent[n]) * 1e3)
        reached = seq

    writer = Writer(JournalFile.create(folder / "paced.journal"), on_commit=on_commit)

    def put(seq: int) -> None:
        sent.append(time.perf_counter())
        writer.submit((Row(seq, seq * 5_000_000, "frame", BODY),), urgent=seq % 10 == 0)

    cpu = await paced(seconds, put)
    await writer.close()
    return cpu, urgent, gathered


async def ours_bulk(folder: Path) -> tuple[float, float]:
    """Rows/s, and rows verified a second."""
    path = folder / "bulk.journal"
    writer = Writer(JournalFile.create(path), limit_rows=BULK, limit_bytes=BULK * 1000)
    rows = [Row(n, n * 100_000, "frame", BODY) for n in range(1, BULK + 1)]
    begin = time.perf_counter()
    for at in range(0, BULK, 2000):
        writer.submit(rows[at : at + 2000])
        await asyncio.sleep(0)
    await writer.wait_committed(BULK)
    rate = BULK / (time.perf_counter() - begin)
    await writer.close()
    begin = time.perf_counter()
    outcome = verify(path)
    if not outcome.ok or outcome.rows != BULK:
        raise SystemExit(f"the journal does not verify: {outcome.problems[:3]}")
    return rate, BULK / (time.perf_counter() - begin)


def quantiles(values: list[float]) -> str:
    cuts = statistics.quantiles(values, n=100)
    return f"p50 {cuts[49]:.2f}  p99 {cuts[98]:.2f} ms"


async def measure(folder: Path, seconds: float) -> None:
    """Everything in one run, so that the ratios are of one machine at one time."""
    rate, verified = await ours_bulk(folder)
    plain = Plain(folder / "plain.sqlite")
    begin = time.perf_counter()
    for n in range(1, 2001):
        plain.put(n)
    plain_rate = 2000 / (time.perf_counter() - begin)
    plain.close()
    print(f"bulk        journal {rate:10,.0f} rows/s   plain {plain_rate:8,.0f} rows/s   {rate / plain_rate:6.1f} x")
    print(f"verify      {verified:18,.0f} rows/s")

    idle = await paced(seconds, lambda n: None)
    plain, waits = Plain(folder / "plain_paced.sqlite"), list[float]()

    def put(seq: int) -> None:
        start = time.perf_counter()
        plain.put(seq)
        waits.append((time.perf_counter() - start) * 1e3)

    plain_cpu = await paced(seconds, put) - idle
    plain.close()
    cpu, urgent, gathered = await ours_paced(folder, seconds)
    cpu -= idle
    print(f"{RATE} rows/s  CPU s per 10,000 rows: journal {cpu:.2f}, plain {plain_cpu:.2f} ({cpu / plain_cpu:.2f} x),"
          f" idle loop {idle:.2f} taken off both")  # fmt: skip
    print(f"durable     journal urgent {quantiles(urgent)}; gathered {quantiles(gathered)}")
    print(f"            plain {quantiles(waits)}, in which the event loop stands still")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="length of each paced part (real seconds)")
    parser.add_argument("--folder", type=Path, help="where to write (default: a new temporary folder)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        run: Coroutine[Any, Any, None] = measure(Path(folder), options.seconds)
        asyncio.run(run)


if __name__ == "__main__":
    main()
