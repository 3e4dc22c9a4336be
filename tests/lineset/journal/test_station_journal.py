"""The station's journal outside visits: one chain over numbered files, the oldest deleted whole."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import pytest

from lineset.journal.block import BlockRule
from lineset.journal.errors import CannotWriteError, JournalError, LockedFileError, MissingFileError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.station_journal import StationJournal
from lineset.journal.verify import verify
from lineset.journal.writer import Writer
from lineset.journal.writer_queue import WriterState


@pytest.fixture
def key(tmp_path: Path) -> StationKey:
    return StationKey.generate(tmp_path / "key")


def rows(first: int, count: int) -> list[Row]:
    return [Row(n, n * 1000, "frame", n.to_bytes(4, "big") * 50) for n in range(first, first + count)]


def small(folder: Path, key: StationKey, **more: int) -> StationJournal:
    return StationJournal(folder, key, max_bytes=60_000, keep_files=3, rule=BlockRule(rows=40), **more)


async def test_files_follow_each_other_in_one_chain_and_the_oldest_goes(tmp_path: Path, key: StationKey) -> None:
    station = small(tmp_path, key)
    writer = Writer(station.open(), rotation=station, gather=0.0)
    for first in range(1, 2001, 50):
        writer.submit(rows(first, 50), urgent=True)
        await writer.wait_committed(first + 49)
    await writer.close()
    files = station.files()
    assert len(files) == 3
    assert files[0].name != "station-000001.journal"
    assert [path.name for path in files] == sorted(path.name for path in files)
    assert set(os.listdir(tmp_path)) == {path.name for path in files} | {"key", f"{files[-1].name}-lock"}
    followed: tuple[str, str, int] | None = None
    for path in files:
        outcome = verify(path, public_key=key.public if path != files[-1] else None)
        assert outcome.problems == ()
        assert outcome.sealed == (path != files[-1])
        assert path.stat().st_size < 120_000
        with JournalReader(path) as reader:
            if followed:
                assert (reader.meta["follows"], reader.meta["follows_head"], reader.first_seq) == followed
            followed = (reader.identity, outcome.head.hex(), outcome.last + 1)
            assert list(reader.rows()) == rows(reader.first_seq, outcome.last - reader.first_seq + 1)
    assert followed is not None
    assert followed[2] == 2001


def test_a_restart_goes_on_with_the_newest_file(tmp_path: Path, key: StationKey) -> None:
    station = StationJournal(tmp_path, key, meta={"station": "truck_7"})
    with station.open() as journal:
        assert (journal.path.name, journal.meta["station"], journal.first_seq) == (
            "station-000001.journal",
            "truck_7",
            1,
        )
        journal.append(rows(1, 10))
        with pytest.raises(LockedFileError):
            station.open()
    with station.open() as journal:
        assert (journal.path.name, journal.last) == ("station-000001.journal", 10)
        journal.put_seal(key, 0)  # as when a rotation was cut short
        identity, head = journal.identity, journal.head
    with station.open() as journal:
        assert (journal.path.name, journal.first_seq, journal.last) == ("station-000002.journal", 11, 10)
        assert (journal.meta["follows"], journal.meta["follows_head"]) == (identity, head.hex())
        journal.append(rows(11, 1))
    assert verify(tmp_path / "station-000002.journal").ok


def test_a_file_is_full_by_size_or_age_but_never_empty(tmp_path: Path, key: StationKey) -> None:
    now = 0
    station = StationJournal(tmp_path, key, max_bytes=60_000, max_age=100.0, wall=lambda: now)
    with station.open() as journal:
        made = int(journal.meta["created"])
        now = made + int(1000e9)
        assert not station.due(journal)
        journal.append(rows(1, 1))
        assert station.due(journal)
        now = made + int(99e9)
        assert not station.due(journal)
        journal.append(rows(2, 300))
        assert station.due(journal)
    with pytest.raises(ValueError, match="at least 2 files"):
        StationJournal(tmp_path, key, keep_files=1)
    with pytest.raises(MissingFileError):
        StationJournal(tmp_path / "none", key).open()


def test_a_damaged_newest_file_does_not_keep_the_station_from_recording(tmp_path: Path, key: StationKey) -> None:
    station = small(tmp_path, key)
    with station.open() as journal:
        journal.append(rows(1, 100))
    damaged = tmp_path / "station-000001.journal"
    damaged.write_bytes(damaged.read_bytes()[:5000])
    content = damaged.read_bytes()
    with station.open() as journal:
        assert (journal.path.name, journal.first_seq) == ("station-000002.journal", 1)
        assert "follows" not in journal.meta
    assert damaged.read_bytes() == content


async def test_a_rotation_that_fails_is_tried_again_and_loses_nothing(tmp_path: Path, key: StationKey) -> None:
    station, states, refusals = small(tmp_path, key), list[WriterState](), 2

    class Refusing:
        """A rotation whose next file cannot be made at first, after the old one was sealed."""

        def due(self, journal: JournalFile) -> bool:
            return station.due(journal)

        def rotate(self, journal: JournalFile) -> JournalFile:
            nonlocal refusals
            if refusals:
                refusals -= 1
                journal.put_seal(key, journal.last_t())
                raise CannotWriteError(journal.path, "no room for the next file", "Free some space")
            return station.rotate(journal)

    writer = Writer(station.open(), rotation=Refusing(), on_state=states.append, gather=0.0, retry=(0.005, 0.02))
    for first in range(1, 1001, 50):
        writer.submit(rows(first, 50), urgent=True)
        await asyncio.wait_for(writer.wait_committed(first + 49), 60)
    await writer.close()
    assert [state.ok for state in states] == [False, True]
    assert states[0].reason.startswith("no room for the next file")
    found: list[Row] = []
    for path in station.files():
        assert verify(path).ok
        with JournalReader(path) as reader:
            found += reader.rows()
    assert found == rows(found[0].seq, 1001 - found[0].seq)


def test_a_file_that_cannot_be_deleted_does_not_stop_a_rotation(
    tmp_path: Path, key: StationKey, monkeypatch: pytest.MonkeyPatch
) -> None:
    station = small(tmp_path, key)
    journal = station.open()
    journal.append(rows(1, 10))

    def refuse() -> list[Path]:
        raise JournalError(tmp_path, "made by this test", "")

    monkeypatch.setattr(station, "prune", refuse)
    following = station.rotate(journal)
    following.append(rows(11, 1))
    following.close()
    assert len(station.files()) == 2
