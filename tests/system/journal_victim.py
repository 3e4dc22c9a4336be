"""A process that makes processes to be killed: each writes a journal and reports what is committed, until it dies.

Reads one JSON object a line: {"mode", "folder", "point", "nth"}; forks; the child writes lines to standard output
(`pid N`, `started`, `committed SEQ`, `snapshot SEQ`, `sealed`, `done`), the parent `died` when it has ended.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import sys
from pathlib import Path

import structlog

from lineset.journal import crash
from lineset.journal.block import BlockRule
from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.snapshot import Snapshot, snapshot_path, write_snapshot
from lineset.journal.station_journal import StationJournal
from lineset.journal.writer import Writer

RULE = BlockRule(rows=30)


def row(seq: int) -> Row:
    """Row number `seq`, the same in every process."""
    chance = random.Random(seq)
    return Row(seq, seq * 1_000_000, chance.choice(("frame", "settled")), chance.randbytes(chance.randrange(500)))


def snapshot_body(seq: int) -> bytes:
    return random.Random(-seq).randbytes(2000)


def tell(line: str) -> None:
    # straight to the pipe: what a buffer holds would die with us
    os.write(1, f"{line}\n".encode())


def station(folder: Path) -> StationJournal:
    key = StationKey.load_or_generate(folder / "key")
    return StationJournal(folder, key, max_bytes=60_000, keep_files=3, rule=RULE)


def die_at(point: str, nth: int) -> None:
    seen = 0

    def hook(name: str) -> None:
        nonlocal seen
        seen += name == point
        if seen == nth:
            os.kill(os.getpid(), signal.SIGKILL)

    crash.set_hook(hook)


async def live(mode: str, folder: Path) -> None:
    path, rotation = folder / "a.journal", None
    if mode == "station":
        rotation = station(folder)
        journal = rotation.open()
    elif path.exists():
        journal = JournalFile.open(path, rule=RULE, checkpoint_pages=50)
    else:
        journal = JournalFile.create(path, rule=RULE, checkpoint_pages=50)
    writer = Writer(journal, on_commit=lambda seq: tell(f"committed {seq}"), rotation=rotation, gather=0.002)
    tell("started")
    chance = random.Random()
    for turn in range(300):
        count = chance.choice((1, 1, 3, 20, 70))
        first = writer.next_seq
        writer.submit([row(seq) for seq in range(first, first + count)], urgent=chance.random() < 0.5)
        if chance.random() < 0.5:
            await writer.wait_committed(first)
        if mode == "snapshot" and turn % 5 == 4:
            seq = writer.committed
            snapshot = Snapshot(journal.identity, seq, "engine 1", snapshot_body(seq))
            await asyncio.to_thread(write_snapshot, snapshot_path(path), snapshot)
            tell(f"snapshot {seq}")
        if mode == "seal" and turn == 10:
            await writer.seal(StationKey.load_or_generate(folder / "key"), 10**12)
            tell("sealed")
            break
    await writer.close()
    tell("done")


def main() -> None:
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            code = 1
            try:
                if order["point"]:
                    die_at(order["point"], order["nth"])
                tell(f"pid {os.getpid()}")
                asyncio.run(live(order["mode"], Path(order["folder"])))
                code = 0
            finally:
                sys.stderr.flush()
                os._exit(code)
        _, status = os.waitpid(child, 0)
        tell(f"died {os.waitstatus_to_exitcode(status)}")


if __name__ == "__main__":
    main()
