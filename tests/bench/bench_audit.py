"""What an audit costs: samples/s a core, beside a plain loop that only reads and hashes; and visits in parallel.

    python tests/bench/bench_audit.py [--minutes N] [--long N] [--repeat N] [--visits N] [--no-shop] [--json]

The visit is that of bench_engine.py, through the engine, in a sealed journal in a temporary folder. The plain loop
fetches all rows with sqlite3 and takes one SHA-256 over their bodies. With the shop, a PostgreSQL from the wheel holds
the visit: it is audited as the shop has it, and the file against that, blocks and tables. Everything runs in one run,
the least CPU time of the repeats counts (PostgreSQL's own is not in it); the parallel figure is wall time over
processes that start anew. What an audit needs of memory is the most that a process held which made that audit and
nothing else: of the visit, and of one of `--long` minutes (480 is a working day). Asserts nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import json
import multiprocessing
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import msgspec
import shop_rig
from bench_engine import the_visit
from shop_visit import put_visit

from lineset.audit.audit import audit
from lineset.audit.file_items import FileItems
from lineset.cli.audit import _audit_all
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.journal.block import Block, framed
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.rebuild import rebuild
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import verify
from lineset.shop.auditing import Work, done
from lineset.shop.database import connected


def the_journal(path: Path, minutes: float) -> tuple[int, int]:
    """Write the visit as a station would; how many samples and rows it has."""
    inputs, samples = the_visit(minutes)
    engine, rows, seq = Engine(fingerprint()), list[Row](), 0
    for t, body in inputs:
        if isinstance(body, e.Opened):
            body = msgspec.structs.replace(body, fingerprint=fingerprint(), version="0", visit=path.stem)
        seq += 1
        rows.append(Row(seq, t, e.kind_of(body), e.encode(body)))
        for out in engine.push(seq, t, body):
            seq += 1
            rows.append(Row(seq, t, e.kind_of(out), e.encode(out)))
        engine.take_live()
    key = StationKey.load_or_generate(path.with_name("station.key"))
    with JournalFile.create(path, meta={"station": "s", "visit": path.stem}) as journal:
        for at in range(0, len(rows), 500):
            journal.append(rows[at : at + 500])
        journal.put_seal(key, rows[-1].t)
    return samples, len(rows)


def plain(path: Path) -> bytes:
    """Read every row and hash it: the least that anybody who looks at all of it does."""
    digest = hashlib.sha256()
    with closing(sqlite3.connect(path)) as db:
        for seq, t, kind, body in db.execute("SELECT seq, t, kind, body FROM rows ORDER BY seq"):
            digest.update(f"{seq} {t} {kind} ".encode())
            digest.update(body)
    return digest.digest()


def blocks_of(path: Path) -> list[tuple[Block, bytes]]:
    with JournalReader(path) as reader:
        items = FileItems(reader)
        return [(block, framed(items.upto(block.last))) for block in reader.blocks()]


def least(work: Callable[[], object], repeat: int) -> float:
    """CPU seconds of the quickest of some runs."""
    times = []
    for _ in range(repeat):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def held(work: Work | Path) -> tuple[float, float]:
    """MiB that a process of its own held at most while it made one audit, and the CPU seconds that this took."""
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as alone:
        return alone.submit(_held, work).result()


def _held(work: Work | Path) -> tuple[float, float]:
    began = time.process_time()
    found = audit(work) if isinstance(work, Path) else done(work)
    assert found.outcome == "pass", found.wrong
    took = time.process_time() - began
    # not ru_maxrss, which a process takes over from the one that started it
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024, took


def with_shop(paths: list[Path], repeat: int) -> tuple[dict[str, float], dict[str, list[tuple[float, float]]]]:
    """CPU seconds of audits against what a shop has received of the first visit; and what each visit's `held` says."""
    folder = Path(tempfile.mkdtemp(prefix="lineset-postgres-"))
    folder.chmod(0o711)  # as root the server runs as another user, who has to pass here
    server = shop_rig.Postgres(folder)
    try:
        server.start()
        name = server.new_database()

        async def fill() -> None:
            async with connected(server.address(name)) as db:
                for path in paths:
                    await put_visit(db, path, None)

        asyncio.run(fill())
        address = server.address(name, "auditor")
        works = {
            "audit of the shop's": [Work(address, "north", visit=n) for n, _ in enumerate(paths, 1)],
            "audit against the shop": [Work(address, "north", path=path) for path in paths],
        }
        for name, (each, *_) in works.items():
            found = done(each)
            assert found.outcome == "pass", (name, found.wrong)
        costs = {name: least(lambda each=each: done(each), repeat) for name, (each, *_) in works.items()}  # type: ignore[misc]
        return costs, {name: [held(each) for each in every] for name, every in works.items()}
    finally:
        server.stop()
        shutil.rmtree(folder)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--minutes", type=float, default=20.0)
    options.add_argument("--long", type=float, default=80.0, help="minutes of the visit that memory is compared with")
    options.add_argument("--repeat", type=int, default=3)
    options.add_argument("--visits", type=int, default=4)
    options.add_argument("--no-shop", action="store_true")
    options.add_argument("--json", action="store_true")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "visit-0.journal"
        samples, rows = the_journal(path, given.minutes)
        found = audit(path)
        assert found.replay is not None
        assert (found.outcome, found.replay.differences) == ("pass", 0), found.wrong
        with JournalReader(path) as reader:
            meta, seal = dict(reader.meta), reader.seal()
        sent = blocks_of(path)
        again = Path(folder) / "again.journal"

        def rebuilt() -> None:
            rebuild(again, meta, sent, seal, durably=False)
            again.unlink()

        costs = {
            "plain loop": least(lambda: plain(path), given.repeat),
            "verify": least(lambda: verify(path), given.repeat),
            "audit": least(lambda: audit(path), given.repeat),
            "rebuild from blocks": least(rebuilt, given.repeat),
        }
        long = Path(folder) / "visit-long.journal"
        long_samples, _ = the_journal(long, given.long)
        memory = {"audit": [held(path), held(long)]}
        if not given.no_shop:
            of_shop, more = with_shop([path, long], given.repeat)
            costs, memory = costs | of_shop, memory | more
        several = [path]
        for n in range(1, given.visits):
            several.append(path.with_name(f"visit-{n}.journal"))
            several[-1].write_bytes(path.read_bytes())
        began = time.perf_counter()
        outcomes = [each.outcome for each in _audit_all([(each, ()) for each in several], {}, 0, quiet=True)]
        wall = time.perf_counter() - began
        assert set(outcomes) == {"pass"}
    told = {name: round(samples / cost) for name, cost in costs.items()}
    told["parallel, all cores, wall"] = round(samples * given.visits / wall)
    if given.json:
        most = {name: [round(mib, 1) for mib, _ in each] for name, each in memory.items()}
        minutes = [given.minutes, given.long]
        print(
            json.dumps(
                {"samples": samples, "rows": rows, "samples_per_s": told, "memory": {"minutes": minutes, "MiB": most}}
            )
        )
        return
    print(f"{samples} samples in {rows} entries; samples/s:")
    for name, speed in told.items():
        print(f"  {name:28} {speed:>10,}   {told['plain loop'] / speed:6.1f} times the plain loop's time")
    print(f"memory of a process that makes one audit, MiB: visits of {given.minutes:g} and {given.long:g} minutes")
    for name, ((short_mib, _), (long_mib, took)) in memory.items():
        print(
            f"  {name:28} {short_mib:>6.1f} {long_mib:>6.1f}   the long one at {round(long_samples / took):,} samples/s"
        )


if __name__ == "__main__":
    main()
