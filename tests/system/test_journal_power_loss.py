"""Lost power: the disk keeps what was synced, and any, none or rubbish of what was not. No committed row is lost."""

from __future__ import annotations

import asyncio
import random
from itertools import pairwise
from pathlib import Path

import pytest
import sqlite_faults

from lineset.journal import crash, schema
from lineset.journal.block import BlockRule
from lineset.journal.errors import JournalError, SealedFileError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import verify
from lineset.journal.writer import Writer

RULE = BlockRule(rows=40)
needs_layer = pytest.mark.skipif(bool(sqlite_faults.available()), reason=sqlite_faults.available())


def row(seq: int) -> Row:
    chance = random.Random(seq)
    return Row(seq, seq * 1000, chance.choice(("frame", "settled")), chance.randbytes(chance.randrange(600)))


async def record(path: Path, groups: int, chance: random.Random, *, seal_with: StationKey | None = None) -> list[int]:
    """Write `groups` groups of rows through the real writer. Returns the seq that each commit reported."""
    commits: list[int] = []
    writer = Writer(JournalFile.create(path, rule=RULE, checkpoint_pages=25), on_commit=commits.append, gather=0.0)
    seq = 1
    for _ in range(groups):
        count = chance.choice((1, 2, 7, 60))
        writer.submit([row(n) for n in range(seq, seq + count)], urgent=True)
        seq += count
        await writer.wait_committed(seq - 1)
    if seal_with:
        await writer.seal(seal_with, 10**9)
    await writer.close()
    return commits


def losses(folder: Path, files: dict[str, bytes], committed: int, written: int) -> list[str]:
    """What is wrong with the journal that a power cut left as `files`."""
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    path = folder / "a.journal"
    try:
        journal = JournalFile.open(path, rule=RULE)
    except SealedFileError:
        pass
    except JournalError as error:
        return [f"does not open: {error}"]
    else:
        journal.abandon()
    outcome = verify(path)
    wrong = [problem.text for problem in outcome.problems]
    if not committed <= outcome.last <= written:
        wrong.append(f"{outcome.last} rows are left of {committed} committed and {written} written")
    if not wrong:
        with JournalReader(path) as reader:
            wrong += [f"row {found.seq} differs" for found in reader.rows() if found != row(found.seq)]
    return wrong


def cut_everywhere(
    tmp_path: Path, files: dict[str, bytes], log: list[tuple[str, str, int, bytes]], commits: list[int], cuts: int,
    *, lying: bool = False, stop_at_first: bool = False,
) -> list[str]:  # fmt: skip
    """Cut the power at `cuts` places of the log, and around each sync and commit. Returns all that went wrong."""
    chance = random.Random(7)
    telling = [n for n, entry in enumerate(log) if entry[0] in ("sync", "commit", "delete", "truncate")]
    places = set(chance.sample(range(len(log)), min(cuts // 2, len(log))))
    places |= set(chance.sample(telling, min(cuts // 2, len(telling))))
    disk, wrong, done = sqlite_faults.Disk(files, lying=lying), [], 0
    for n, entry in enumerate(log):
        if n in places:
            for keep in (0.0, 0.5, chance.random()):
                committed = commits[done - 1] if done else 0
                left = disk.after_power_cut(chance, keep)
                found = losses(tmp_path / f"cut{n}-{keep}", left, committed, commits[-1])
                wrong += [f"cut at {n} ({entry[0]} {entry[1]}), keeping {keep:.2f}: {text}" for text in found]
                if wrong and stop_at_first:
                    return wrong
        if entry[0] == "commit":
            done += 1
        disk.play(entry)
    return wrong


async def recorded(
    tmp_path: Path, groups: int, *, seal: bool = False
) -> tuple[dict[str, bytes], list[tuple[str, str, int, bytes]], list[int]]:
    folder = tmp_path / "live"
    folder.mkdir()
    key = StationKey.generate(tmp_path / "key") if seal else None
    made: dict[str, bytes] = {}
    with sqlite_faults.fault_layer(folder) as layer:

        def at(name: str) -> None:
            if name == "file_named":
                made["a.journal"] = (folder / "a.journal").read_bytes()
                layer.log.clear()
            if name == "after_commit":
                layer.mark("commit")

        crash.set_hook(at)
        try:
            commits = await record(folder / "a.journal", groups, random.Random(3), seal_with=key)
        finally:
            crash.set_hook(None)
    assert sum(entry[0] == "commit" for entry in layer.log) == len(commits)
    return made, layer.log, commits


@needs_layer
async def test_a_power_cut_at_any_write_loses_no_committed_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files, log, commits = await recorded(tmp_path, 80, seal=True)
    kinds = {(what, name) for what, name, _, _ in log}
    # the recording has what the test is about: log and database were written and synced, and the log emptied
    assert {
        ("write", "a.journal"),
        ("sync", "a.journal"),
        ("write", "a.journal-wal"),
        ("sync", "a.journal-wal"),
    } <= kinds
    assert await asyncio.to_thread(cut_everywhere, tmp_path, files, log, commits, 120) == []


@needs_layer
async def test_every_commit_is_synced_before_it_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, log, commits = await recorded(tmp_path, 40)
    unsynced, reported = 0, 0
    for what, name, _, _ in log:
        if name == "a.journal-wal":
            unsynced = 0 if what == "sync" else unsynced + (what == "write")
        if what == "commit":
            assert unsynced == 0, f"commit {reported} was reported with {unsynced} writes not synced"
            reported += 1
    assert reported == len(commits) == 40


@needs_layer
async def test_the_fault_finds_loss_where_commits_are_not_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "SYNCHRONOUS", "NORMAL")
    files, log, commits = await recorded(tmp_path, 40)
    wrong = await asyncio.to_thread(cut_everywhere, tmp_path, files, log, commits, 60, stop_at_first=True)
    assert wrong
    assert "committed" in wrong[0]


@needs_layer
async def test_the_fault_finds_loss_on_a_disk_that_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files, log, commits = await recorded(tmp_path, 40)
    wrong = await asyncio.to_thread(cut_everywhere, tmp_path, files, log, commits, 60, lying=True, stop_at_first=True)
    assert wrong


async def test_copies_between_commits_with_torn_sectors_hold_all_committed_rows(tmp_path: Path) -> None:
    """The same question asked without the file layer: mixes of the files' states before and after each commit.

    Within a commit SQLite writes and syncs the log, then perhaps copies it into the database and syncs that.
    When it starts the log anew, it writes and syncs the log's header (32 bytes) before anything else.
    """
    folder = tmp_path / "live"
    folder.mkdir()
    copies: list[tuple[bytes, bytes]] = []

    def at(name: str) -> None:
        if name == "after_commit":
            log = folder / "a.journal-wal"
            copies.append(((folder / "a.journal").read_bytes(), log.read_bytes()))

    crash.set_hook(at)
    try:
        commits = await record(folder / "a.journal", 40, random.Random(5))
    finally:
        crash.set_hook(None)
    assert any(before[0] != after[0] for before, after in pairwise(copies)), "no checkpoint ran"
    chance = random.Random(11)

    def check() -> list[str]:
        wrong: list[str] = []
        for n in range(len(copies) - 1):
            (database, log), (database_after, log_after) = copies[n], copies[n + 1]
            begun = log_after[:32] + log[32:]
            torn_log = {"a.journal": database, "a.journal-wal": mix(begun, log_after, chance)}
            torn_database = {"a.journal": mix(database, database_after, chance), "a.journal-wal": log_after}
            wrong += losses(tmp_path / f"log{n}", torn_log, commits[n], commits[-1])
            wrong += losses(tmp_path / f"database{n}", torn_database, commits[n + 1], commits[-1])
        return wrong

    assert await asyncio.to_thread(check) == []


def mix(before: bytes, after: bytes, chance: random.Random) -> bytes:
    """Each sector from one or the other, or rubbish in the bytes that differ (those beside a write stay whole)."""
    size, step = max(len(before), len(after)), sqlite_faults.SECTOR
    parts = []
    for at in range(0, size, step):
        old, new = before[at : at + step].ljust(step, b"\0"), after[at : at + step].ljust(step, b"\0")
        differ = [n for n in range(step) if old[n] != new[n]]
        if differ:
            start, end = differ[0], differ[-1] + 1
            rubbish = old[:start] + chance.randbytes(end - start) + old[end:]
            parts.append(chance.choice((old, new, rubbish)))
        else:
            parts.append(old)
    return b"".join(parts)
