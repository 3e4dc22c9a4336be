"""The writer's thread seen from the event loop: order, durability, groups, a disk that fails and comes back."""

from __future__ import annotations

import asyncio
import random
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlite_faults

from lineset.journal import crash
from lineset.journal.block import BlockRule
from lineset.journal.errors import CannotWriteError, RowError, RowsLostError, SealedFileError, WriterClosedError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import verify
from lineset.journal.writer import Writer
from lineset.journal.writer_queue import WriterState

RULE = BlockRule(rows=25)
QUICK = (0.005, 0.02)  # pauses between tries, s
WAIT_S = 30.0  # only ends a test that would hang
needs_layer = pytest.mark.skipif(bool(sqlite_faults.available()), reason=sqlite_faults.available())


def rows(first: int, count: int) -> list[Row]:
    return [Row(n, n * 1000, "frame", b"body %d" % n) for n in range(first, first + count)]


def stored(path: Path) -> list[Row]:
    with JournalReader(path) as reader:
        return list(reader.rows())


class Heard:
    """What the writer told the event loop."""

    def __init__(self) -> None:
        self.commits: list[int] = []
        self.states: list[WriterState] = []
        self.threads: set[int] = set()
        self._changed = asyncio.Event()

    def on_commit(self, seq: int) -> None:
        self.commits.append(seq)
        self.threads.add(threading.get_ident())

    def on_state(self, state: WriterState) -> None:
        self.states.append(state)
        self.threads.add(threading.get_ident())
        self._changed.set()

    async def state(self, wanted: Callable[[WriterState], bool]) -> WriterState:
        async with asyncio.timeout(WAIT_S):
            while not (self.states and wanted(self.states[-1])):
                self._changed.clear()
                await self._changed.wait()
        return self.states[-1]


async def test_rows_are_committed_in_order_and_told_in_the_loop(tmp_path: Path) -> None:
    path, heard = tmp_path / "a", Heard()
    writer = Writer(JournalFile.create(path, rule=RULE), on_commit=heard.on_commit, gather=0.001)
    assert (writer.next_seq, writer.committed, writer.state.ok) == (1, 0, True)
    for first in range(1, 1001, 10):
        assert writer.submit(rows(first, 10), urgent=first % 3 == 0)
        await asyncio.sleep(0)
    await writer.wait_committed(1000)
    assert (writer.committed, writer.next_seq) == (1000, 1001)
    await writer.close()
    assert heard.commits == sorted(set(heard.commits))
    assert heard.commits[-1] == 1000
    assert heard.threads == {threading.get_ident()}
    assert stored(path) == rows(1, 1000)
    outcome = verify(path)
    assert (outcome.ok, outcome.tail) == (True, 0)


async def test_what_is_told_as_committed_is_in_the_file(tmp_path: Path) -> None:
    path, missing = tmp_path / "a", []
    JournalFile.create(path).close()
    with JournalReader(path) as reader:

        def on_commit(seq: int) -> None:
            if reader.last_seq() < seq:
                missing.append(seq)

        writer = Writer(JournalFile.open(path), on_commit=on_commit, gather=0.0)
        for first in range(1, 200):
            writer.submit(rows(first, 1))
            await asyncio.sleep(0)
        await writer.wait_committed(199)
        await writer.close()
    assert missing == []


async def test_rows_gather_until_one_is_urgent(tmp_path: Path) -> None:
    heard = Heard()
    writer = Writer(JournalFile.create(tmp_path / "a"), on_commit=heard.on_commit, gather=60.0)
    for first in range(1, 6):
        writer.submit(rows(first, 1))
        await asyncio.sleep(0.001)
    assert heard.commits == []
    writer.submit(rows(6, 1), urgent=True)
    await asyncio.wait_for(writer.wait_committed(6), WAIT_S)
    assert heard.commits == [6], "one transaction, one wake-up"
    writer.submit(rows(7, 1))
    await asyncio.wait_for(writer.close(), WAIT_S)  # closing does not wait for the group either
    assert heard.commits == [6, 7]


async def test_a_group_is_committed_without_urgency(tmp_path: Path) -> None:
    writer = Writer(JournalFile.create(tmp_path / "a"), gather=0.01)
    loop = asyncio.get_running_loop()
    began = loop.time()
    writer.submit(rows(1, 1))
    await asyncio.wait_for(writer.wait_committed(1), WAIT_S)
    assert loop.time() - began >= 0.009
    await writer.close()


async def test_a_wrong_row_is_refused_where_it_is_handed_in(tmp_path: Path) -> None:
    path = tmp_path / "a"
    writer = Writer(JournalFile.create(path), gather=0.0)
    writer.submit(rows(1, 3))
    for wrong in ([*rows(4, 1), *rows(6, 1)], rows(3, 1), [Row(4, 0, "No", b"")], [*rows(4, 1), Row(5, -1, "a", b"")]):
        with pytest.raises(RowError):
            writer.submit(wrong)
    assert writer.submit([])
    writer.submit(rows(4, 1), urgent=True)
    await writer.wait_committed(4)
    await writer.close()
    assert stored(path) == rows(1, 4)


async def test_waiters_of_all_kinds(tmp_path: Path) -> None:
    writer = Writer(JournalFile.create(tmp_path / "a"), gather=0.0)
    early = [asyncio.create_task(writer.wait_committed(seq)) for seq in (30, 10, 20)]
    given_up = asyncio.create_task(writer.wait_committed(15))
    never = asyncio.create_task(writer.wait_committed(99))
    await asyncio.sleep(0)
    given_up.cancel()
    writer.submit(rows(1, 30), urgent=True)
    await asyncio.gather(*early)
    await writer.wait_committed(5)
    await writer.close()
    with pytest.raises(WriterClosedError, match="before row 99"):
        await never
    with pytest.raises(WriterClosedError, match="before row 31"):
        await writer.wait_committed(31)
    with pytest.raises(WriterClosedError):
        writer.submit(rows(31, 1))
    with pytest.raises(WriterClosedError):
        await writer.close_block()
    await writer.close()


async def test_blocks_and_the_seal_come_after_the_rows_before_them(tmp_path: Path) -> None:
    path = tmp_path / "a"
    key = StationKey.generate(tmp_path / "key")
    writer = Writer(JournalFile.create(path, rule=RULE), gather=60.0)
    writer.submit(rows(1, 7))
    block = await writer.close_block()
    assert block is not None
    assert (block.first, block.last) == (1, 7)
    assert await writer.close_block() is None
    writer.submit(rows(8, 30))
    sealing = asyncio.create_task(writer.seal(key, 99))
    await asyncio.sleep(0)
    with pytest.raises(SealedFileError):
        writer.submit(rows(38, 1))
    seal = await sealing
    assert (seal.rows, seal.last, seal.t) == (37, 37, 99)
    await writer.close()
    assert verify(path, public_key=key.public).ok


async def test_a_full_disk_keeps_rows_in_order_and_is_told(tmp_path: Path) -> None:
    path, heard = tmp_path / "a", Heard()
    journal = JournalFile.create(path, rule=RULE)
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    allow = threading.Event()

    def at(name: str) -> None:
        if name == "before_insert" and allow.is_set():
            journal._db.execute("PRAGMA max_page_count = 1073741823")

    crash.set_hook(at)
    try:
        writer = Writer(journal, on_commit=heard.on_commit, on_state=heard.on_state, gather=0.0, retry=QUICK)
        big = [Row(n, 0, "frame", bytes([n]) * 5000) for n in range(1, 60)]
        writer.submit(big[:20], urgent=True)
        state = await heard.state(lambda state: not state.ok)
        assert state.reason.startswith("the disk is full. Free some space")
        for row in big[20:]:
            assert writer.submit([row])
        assert (writer.committed, writer.state.waiting, writer.state.dropped) == (0, 59, 0)
        with pytest.raises(asyncio.TimeoutError):
            await asyncio.wait_for(writer.wait_committed(1), 0.05)
        allow.set()
        await asyncio.wait_for(writer.wait_committed(59), WAIT_S)
    finally:
        crash.set_hook(None)
    assert [state.ok for state in heard.states] == [False, True]
    assert writer.state == WriterState(True, "", 0, 0)
    await writer.close()
    assert stored(path) == big
    assert verify(path).problems == ()


async def test_beyond_the_bound_rows_are_counted_and_leave_a_gap(tmp_path: Path) -> None:
    path, heard = tmp_path / "a", Heard()
    blocked, passed = threading.Event(), threading.Event()

    def at(name: str) -> None:
        if name == "before_insert" and not passed.is_set():
            blocked.set()
            passed.wait(WAIT_S)

    crash.set_hook(at)
    try:
        writer = Writer(JournalFile.create(path, rule=RULE), on_state=heard.on_state, gather=0.0, limit_rows=50)
        assert writer.submit(rows(1, 10), urgent=True)
        await asyncio.to_thread(blocked.wait, WAIT_S)  # the disk hangs in the midst of the first group
        assert writer.submit(rows(11, 35))
        waiting_for_lost = asyncio.create_task(writer.wait_committed(55))
        await asyncio.sleep(0)
        assert not writer.submit(rows(46, 10)), "rows that belong together are taken or dropped together"
        assert not writer.submit(rows(56, 9))
        assert writer.submit(rows(65, 5))
        assert not writer.submit(rows(70, 1))
        assert writer.state.dropped == 20
        assert [state.ok for state in heard.states] == [False, False, False]
        assert heard.states[-1].dropped == 20
        assert "memory is at its bound" in heard.states[-1].reason
        with pytest.raises(RowsLostError, match="row 60 was dropped"):
            await writer.wait_committed(60)
        passed.set()
        await asyncio.wait_for(writer.wait_committed(69), WAIT_S)
        with pytest.raises(RowsLostError, match="row 55 was dropped"):
            await asyncio.wait_for(waiting_for_lost, WAIT_S)
        assert writer.submit(rows(71, 5), urgent=True)
        await writer.wait_committed(75)
        assert writer.state == WriterState(True, "", 0, 20)
    finally:
        crash.set_hook(None)
    await writer.close()
    assert stored(path) == rows(1, 45) + rows(65, 5) + rows(71, 5)
    outcome = verify(path)
    assert outcome.problems == ()
    assert [(gap.first, gap.last) for gap in outcome.gaps] == [(46, 64), (70, 70)]
    with JournalFile.open(path) as journal:
        assert journal.last == 75


async def test_rows_handed_in_together_share_a_transaction(tmp_path: Path) -> None:
    path, chance = tmp_path / "a", random.Random(1)
    ends, at = set(), 1
    JournalFile.create(path).close()
    with JournalReader(path) as reader:
        seen: set[int] = set()
        crash.set_hook(lambda name: seen.add(reader.last_seq()) if name == "after_commit" else None)
        try:
            writer = Writer(JournalFile.open(path), gather=60.0)
            while at < 30_000:  # more than go into one transaction
                count = chance.choice((1, 2, 3, 700))
                writer.submit(rows(at, count))
                at += count
                ends.add(at - 1)
            await writer.close()
        finally:
            crash.set_hook(None)
    assert len(seen) > 3
    assert seen <= ends


async def test_the_bound_counts_bytes_too(tmp_path: Path) -> None:
    heard = Heard()
    writer = Writer(JournalFile.create(tmp_path / "a"), on_state=heard.on_state, gather=60.0, limit_bytes=1000)
    assert [writer.submit([Row(n, 0, "frame", bytes(300))]) for n in range(1, 6)] == [True] * 3 + [False] * 2
    assert (writer.state.ok, writer.state.dropped, writer.next_seq) == (False, 2, 6)
    await writer.close()
    outcome = verify(tmp_path / "a")
    assert (outcome.ok, outcome.gaps) == (True, (Gap(4, 5, 0, outcome.gaps[0].reason),))


async def test_a_disk_that_does_not_answer_is_told(tmp_path: Path) -> None:
    heard, stuck, passed = Heard(), threading.Event(), threading.Event()

    def at(name: str) -> None:
        if name == "before_commit":
            stuck.set()
            passed.wait(WAIT_S)

    crash.set_hook(at)
    try:
        writer = Writer(JournalFile.create(tmp_path / "a"), on_state=heard.on_state, gather=0.0, stall_after=0.02)
        writer.submit(rows(1, 1), urgent=True)
        await asyncio.to_thread(stuck.wait, WAIT_S)
        await asyncio.sleep(0.03)
        writer.submit(rows(2, 1))
        assert (writer.state.ok, writer.state.reason) == (False, "the disk has not answered for 0.02 s")
        passed.set()
        assert (await heard.state(lambda state: state.ok)).reason == ""
        await writer.wait_committed(2)
    finally:
        passed.set()
        crash.set_hook(None)
    await writer.close()


@needs_layer
@pytest.mark.parametrize("what", ["write_fault", "sync_fault"])
@pytest.mark.parametrize("code", [sqlite_faults.FULL, sqlite_faults.IOERR_WRITE, sqlite_faults.IOERR_FSYNC])
async def test_a_failing_disk_loses_nothing_once_it_works_again(tmp_path: Path, what: str, code: int) -> None:
    path, heard = tmp_path / "a", Heard()
    with sqlite_faults.fault_layer(tmp_path) as layer:
        writer = Writer(
            JournalFile.create(path, rule=RULE, checkpoint_pages=10),
            on_commit=heard.on_commit, on_state=heard.on_state, gather=0.0, retry=QUICK,
        )  # fmt: skip
        writer.submit(rows(1, 30), urgent=True)
        await writer.wait_committed(30)
        at = 31
        for _ in range(3):
            setattr(layer, what, lambda name: code)
            writer.submit(rows(at, 20), urgent=True)
            state = await heard.state(lambda state: not state.ok)
            assert "the disk" in state.reason
            writer.submit(rows(at + 20, 20))
            assert writer.committed == at - 1
            setattr(layer, what, lambda name: sqlite_faults.OK)
            await asyncio.wait_for(writer.wait_committed(at + 39), WAIT_S)
            assert writer.state.ok
            at += 40
        await writer.close()
    assert stored(path) == rows(1, at - 1)
    assert verify(path).problems == ()
    assert heard.commits == sorted(set(heard.commits))


@needs_layer
async def test_closing_on_a_failing_disk_says_what_is_not_recorded(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with sqlite_faults.fault_layer(tmp_path) as layer:
        writer = Writer(JournalFile.create(path), gather=0.0, retry=QUICK)
        writer.submit(rows(1, 5), urgent=True)
        await writer.wait_committed(5)
        layer.write_fault = lambda name: sqlite_faults.FULL
        writer.submit(rows(6, 7), urgent=True)
        block = asyncio.create_task(writer.close_block())
        await asyncio.sleep(0)
        with pytest.raises(CannotWriteError, match="7 rows are not recorded: the disk is full"):
            await writer.close(patience=0.1)
        with pytest.raises(WriterClosedError):
            await block
        with pytest.raises(WriterClosedError):
            writer.submit(rows(13, 1))
        layer.write_fault = lambda name: sqlite_faults.OK
        assert stored(path) == rows(1, 5)
        assert verify(path).ok


@needs_layer
async def test_a_seal_is_put_once_though_the_disk_failed_in_between(tmp_path: Path) -> None:
    path, heard = tmp_path / "a", Heard()
    key = StationKey.generate(tmp_path / "key")
    with sqlite_faults.fault_layer(tmp_path) as layer:
        writer = Writer(JournalFile.create(path), on_state=heard.on_state, gather=0.0, retry=QUICK)
        writer.submit(rows(1, 5), urgent=True)
        await writer.wait_committed(5)
        layer.sync_fault = lambda name: sqlite_faults.IOERR_FSYNC
        sealing = asyncio.create_task(writer.seal(key, 9))
        await heard.state(lambda state: not state.ok)
        layer.sync_fault = lambda name: sqlite_faults.OK
        seal = await asyncio.wait_for(sealing, WAIT_S)
        await writer.close()
    outcome = verify(path, public_key=key.public)
    assert (outcome.ok, outcome.sealed, seal.rows) == (True, True, 5)


async def test_a_journal_that_went_away_is_told_and_taken_up_when_it_is_back(tmp_path: Path) -> None:
    folder, heard = tmp_path / "stick", Heard()
    folder.mkdir()
    path = folder / "a"
    writer = Writer(JournalFile.create(path), on_state=heard.on_state, gather=0.0, retry=QUICK)
    writer.submit(rows(1, 5), urgent=True)
    await writer.wait_committed(5)
    folder.rename(tmp_path / "gone")
    writer.submit(rows(6, 5), urgent=True)
    state = await heard.state(lambda state: not state.ok)
    assert state.reason.startswith("the journal was moved or deleted")
    assert writer.committed == 5
    (tmp_path / "gone").rename(folder)
    await asyncio.wait_for(writer.wait_committed(10), WAIT_S)
    await writer.close()
    assert stored(path) == rows(1, 10)
    assert verify(path).ok


FILE_SIZE_LIMIT = """
import asyncio, resource, sys
from pathlib import Path
from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.writer import Writer
async def main():
    states, path = [], Path(sys.argv[1])
    writer = Writer(JournalFile.create(path, checkpoint_pages=10), on_state=states.append, gather=0.0,
                    retry=(0.005, 0.02))
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    for seq in range(1, 200):
        writer.submit([Row(seq, 0, "frame", seq.to_bytes(2, "big") * 1000)], urgent=True)
        await asyncio.sleep(0.001)
    while not states:
        await asyncio.sleep(0.01)
    print(states[0].ok, writer.committed < 199, states[0].reason)
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    await writer.wait_committed(199)
    await writer.close()
    print([state.ok for state in states][-1], writer.state.dropped)
asyncio.run(main())
"""


def test_the_operating_systems_own_refusal_of_writes_is_lived_through(tmp_path: Path) -> None:
    path = tmp_path / "a"
    result = subprocess.run(
        [sys.executable, "-c", FILE_SIZE_LIMIT, str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    assert result.returncode == 0, result.stderr
    first, *_, last = [line for line in result.stdout.splitlines() if line.startswith(("True", "False"))]
    assert first.startswith("False True the disk")
    assert last == "True 0"
    assert stored(path) == [Row(seq, 0, "frame", seq.to_bytes(2, "big") * 1000) for seq in range(1, 200)]
    assert verify(path).ok


async def test_a_fault_of_the_program_in_the_thread_does_not_hang_anyone(tmp_path: Path) -> None:
    def at(name: str) -> None:
        if name == "before_insert":
            raise ZeroDivisionError("made by this test")

    crash.set_hook(at)
    try:
        heard = Heard()
        writer = Writer(JournalFile.create(tmp_path / "a"), on_state=heard.on_state, gather=0.0)
        writer.submit(rows(1, 1), urgent=True)
        with pytest.raises(WriterClosedError):
            await asyncio.wait_for(writer.wait_committed(1), WAIT_S)
        assert "made by this test" in writer.state.reason
        with pytest.raises(WriterClosedError):
            writer.submit(rows(2, 1))
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(writer.close(), WAIT_S)
    finally:
        crash.set_hook(None)
