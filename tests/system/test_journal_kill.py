"""kill -9 at named points and at random moments: what was reported as committed is there, byte for byte."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from system.journal_victim import RULE, row, snapshot_body, station

from lineset.journal import crash
from lineset.journal.errors import SealedFileError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.snapshot import read_snapshot, snapshot_path
from lineset.journal.verify import verify

SCRIPT = Path(__file__).with_name("journal_victim.py")
IN_COMMIT = ("before_insert", "after_insert", "before_block", "after_block", "before_commit", "after_commit")


class Nursery:
    """The process of journal_victim.py."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(SCRIPT)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )

    def run(
        self, mode: str, folder: Path, *, point: str = "", nth: int = 1, after: int = 0, delay: float = 0.0
    ) -> dict[str, int]:
        """One child's life. It dies at `point`, or else is killed `delay` s after its `after`-th commit (or its start).

        Returns the last number of each kind of line, and how it died.
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        order = {"mode": mode, "folder": str(folder), "point": point, "nth": nth}
        self._process.stdin.write(json.dumps(order) + "\n")
        seen: dict[str, int] = {}
        commits, killed = 0, bool(point)
        for line in self._process.stdout:
            word, _, number = line.strip().partition(" ")
            seen[word] = int(number or 1)
            commits += word == "committed"
            if word == "died":
                return seen
            if not killed and "pid" in seen and commits >= after:
                killed = True
                time.sleep(delay)  # the moment is meant to be any moment
                os.kill(seen["pid"], signal.SIGKILL)
        raise AssertionError("the nursery ended")

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()


@pytest.fixture(scope="module")
def nursery() -> Iterator[Nursery]:
    nursery = Nursery()
    yield nursery
    nursery.close()


def check_visit(path: Path, reported: int) -> int:
    """The file opens, verifies and holds every row to `reported` and none that was not written. Returns the last."""
    outcome = verify(path)
    assert outcome.problems == ()
    with JournalFile.open(path, rule=RULE) as journal:
        assert journal.last >= reported
    outcome = verify(path)
    assert outcome.problems == ()
    assert outcome.tail == 0, "closing ends the last block"
    with JournalReader(path) as reader:
        rows = list(reader.rows())
    assert rows == [row(seq) for seq in range(1, outcome.last + 1)]
    return outcome.last


@pytest.mark.parametrize("nth", [1, 4])
@pytest.mark.parametrize("point", IN_COMMIT)
def test_killed_at_a_point_of_the_commit(nursery: Nursery, tmp_path: Path, point: str, nth: int) -> None:
    for _ in range(2):  # the second life continues the file that the first one left
        seen = nursery.run("visit", tmp_path, point=point, nth=nth)
        assert seen["died"] == -signal.SIGKILL
        last = check_visit(tmp_path / "a.journal", seen.get("committed", 0))
    assert last > 0 or nth == 1


@pytest.mark.parametrize("point", ["before_seal", "after_seal", "after_commit"])
def test_killed_while_sealing(nursery: Nursery, tmp_path: Path, point: str) -> None:
    seen = nursery.run("seal", tmp_path, point=point)
    assert seen["died"] == -signal.SIGKILL
    assert "sealed" not in seen
    last = check_visit(tmp_path / "a.journal", seen.get("committed", 0))
    seen = nursery.run("seal", tmp_path, point="none")
    assert seen["died"] == 0
    outcome = verify(tmp_path / "a.journal")
    assert (outcome.ok, outcome.sealed) == (True, True)
    assert outcome.last > last
    with pytest.raises(SealedFileError):
        JournalFile.open(tmp_path / "a.journal")


@pytest.mark.parametrize("point", ["file_made", "file_named"])
def test_killed_while_a_journal_is_made(nursery: Nursery, tmp_path: Path, point: str) -> None:
    seen = nursery.run("visit", tmp_path, point=point)
    assert (seen["died"], "started" in seen) == (-signal.SIGKILL, False)
    assert (tmp_path / "a.journal").exists() == (point == "file_named")
    seen = nursery.run("visit", tmp_path, after=3)
    assert check_visit(tmp_path / "a.journal", seen["committed"]) > 0


@pytest.mark.parametrize("point", ["atomic_begun", "atomic_written", "atomic_renamed"])
def test_killed_while_a_snapshot_is_written(nursery: Nursery, tmp_path: Path, point: str) -> None:
    seen = nursery.run("snapshot", tmp_path, point=point, nth=3)
    assert seen["died"] == -signal.SIGKILL
    path = tmp_path / "a.journal"
    last = check_visit(path, seen["committed"])
    with JournalReader(path) as reader:
        snapshot = read_snapshot(snapshot_path(path), journal=reader.identity, fingerprint="engine 1", last=last)
    assert snapshot is not None
    assert snapshot.body == snapshot_body(snapshot.seq)
    assert seen["snapshot"] <= snapshot.seq
    assert (snapshot.seq > seen["snapshot"]) == (point == "atomic_renamed")


@pytest.mark.parametrize(
    "point", ["rotation_sealed", "file_made", "file_named", "rotation_opened", "rotation_deleted", "after_commit"]
)
def test_killed_while_the_station_journal_rotates(nursery: Nursery, tmp_path: Path, point: str) -> None:
    station(tmp_path)  # makes the key, so that the points counted are those of the journal
    committed = 0
    for nth in (2, 3):
        seen = nursery.run("station", tmp_path, point=point, nth=nth * (15 if point == "after_commit" else 1))
        assert seen["died"] == -signal.SIGKILL
        committed = seen.get("committed", committed)
        check_station(tmp_path, committed)


def check_station(folder: Path, reported: int) -> None:
    keeper = station(folder)
    with keeper.open() as journal:
        assert journal.last >= reported
    keeper.prune()
    files = keeper.files()
    assert 1 <= len(files) <= 3
    expected, before = 0, ("", b"")
    for path in files:
        outcome = verify(path)
        assert outcome.problems == ()
        assert outcome.sealed == (path != files[-1])
        with JournalReader(path) as reader:
            if expected:
                assert reader.first_seq == expected
                assert (reader.meta["follows"], reader.meta["follows_head"]) == (before[0], before[1].hex())
            rows = list(reader.rows())
            assert rows == [row(seq) for seq in range(reader.first_seq, outcome.last + 1)]
            expected, before = outcome.last + 1, (reader.identity, outcome.head)


def test_killed_at_fifty_random_moments(nursery: Nursery, tmp_path: Path) -> None:
    """One file lives through all of it; each life goes on where the last one ended."""
    seed = random.randrange(2**32)
    chance = random.Random(seed)
    committed = 0
    for n in range(50):
        after = chance.choice((0, 0, 1, 3, 10))
        seen = nursery.run("visit", tmp_path, after=after, delay=chance.random() * 0.03)
        assert seen["died"] == -signal.SIGKILL, f"seed {seed}, life {n}"
        committed = seen.get("committed", committed)
        if (tmp_path / "a.journal").exists():
            outcome = verify(tmp_path / "a.journal")
            assert outcome.problems == (), f"seed {seed}, life {n}"
            assert outcome.last >= committed, f"seed {seed}, life {n}"
        if n % 10 == 9:
            check_visit(tmp_path / "a.journal", committed)
    assert committed > 100, f"seed {seed}"


def test_killed_at_random_moments_of_rotation(nursery: Nursery, tmp_path: Path) -> None:
    seed = random.randrange(2**32)
    chance = random.Random(seed)
    committed = 0
    for _ in range(10):
        seen = nursery.run("station", tmp_path, after=chance.choice((5, 30, 60)), delay=chance.random() * 0.01)
        committed = seen.get("committed", committed)
        check_station(tmp_path, committed)


def test_every_point_is_among_those_tested() -> None:
    tested = {*IN_COMMIT, "before_seal", "after_seal", "file_made", "file_named", "atomic_begun", "atomic_written"}
    tested |= {"atomic_renamed", "rotation_sealed", "rotation_opened", "rotation_deleted"}
    assert tested == set(crash.POINTS)
