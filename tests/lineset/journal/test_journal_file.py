"""One file: made, continued, refused, immutable, read beside its writer."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from lineset.journal import crash, schema
from lineset.journal.block import NS, BlockRule
from lineset.journal.errors import (
    CannotWriteError,
    DamagedFileError,
    DiskFullError,
    ExistingFileError,
    LockedFileError,
    MissingFileError,
    NewerFormatError,
    RowError,
    SealedFileError,
    WrongFormatError,
)
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import verify

RULE = BlockRule(rows=10)


def rows(first: int, count: int) -> list[Row]:
    return [Row(n, n * 1000, "settled" if n % 7 == 0 else "frame", b"body %d" % n) for n in range(first, first + count)]


def test_commits_are_durable_as_sqlite_itself_reports(tmp_path: Path) -> None:
    with JournalFile.create(tmp_path / "a.journal") as journal:
        assert journal.durability() == ("wal", 2)  # 2 is FULL: https://www.sqlite.org/pragma.html#pragma_synchronous
    with JournalFile.open(tmp_path / "a.journal") as journal:
        assert journal.durability() == ("wal", 2)


def test_rows_come_back_as_they_went_in_and_the_file_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with JournalFile.create(path, first=5, meta={"visit": "ünïcode"}, rule=RULE) as journal:
        journal.append(rows(5, 7))
        journal.append(rows(12, 13))
        assert [block.last for block in journal.blocks()] == [14, 24]
        head = journal.head
    with JournalFile.open(path, rule=RULE) as journal:
        assert (journal.last, journal.meta["visit"], journal.last_t()) == (24, "ünïcode", 24_000)
        assert journal.head == head
        journal.append(rows(25, 4))
        assert list(journal.rows()) == rows(5, 24)
    with JournalReader(path) as reader:
        assert list(reader.rows(20)) == rows(20, 9)
        assert [row.seq for row in reader.rows(kinds=["settled"])] == [7, 14, 21, 28]
        assert list(reader.rows(kinds=[])) == []
        assert reader.row_count() == 24
    assert verify(path).ok


def test_a_block_left_open_is_continued_to_the_same_hash(tmp_path: Path) -> None:
    hashes = []
    for name, cuts in (("a", [25]), ("b", [3, 9, 4, 9])):
        path = tmp_path / name
        JournalFile.create(path, meta={}, rule=RULE).close()
        with closing(sqlite3.connect(path)) as db:  # the same identity, so that the chains can be compared
            db.execute("DROP TRIGGER meta_no_update")
            db.execute("UPDATE meta SET value = '1' WHERE key IN ('id', 'created')")
            db.commit()
        at = 1
        for count in cuts:
            journal = JournalFile.open(path, rule=RULE)
            journal.append(rows(at, count))
            journal.abandon()  # as a crash would leave it: the block stays open
            at += count
        with JournalReader(path) as reader:
            hashes.append([block.hash for block in reader.blocks()])
    assert hashes[0] == hashes[1]
    assert len(hashes[0]) == 2


def test_chunks_of_a_long_reading_join(tmp_path: Path) -> None:
    with JournalFile.create(tmp_path / "a") as journal:
        journal.append(rows(1, 3000))
        assert [row.seq for row in journal.rows()] == list(range(1, 3001))
        reading = journal.rows(2990)
        next(reading)
        assert [row.seq for row in reading] == list(range(2991, 3001))


def test_a_block_closes_by_visit_time(tmp_path: Path) -> None:
    with JournalFile.create(tmp_path / "a", rule=BlockRule(rows=100, span=5 * NS)) as journal:
        journal.append([Row(n, n * NS, "frame", b"") for n in range(1, 13)])
        assert [(block.first, block.last) for block in journal.blocks()] == [(1, 6), (7, 12)]
        assert journal.close_block() is None
        journal.append([Row(13, 13 * NS, "frame", b"")])
        closed = journal.close_block()
        assert closed is not None
        assert (closed.n, closed.first, closed.last) == (3, 13, 13)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE rows SET body = x'00' WHERE seq = 3",
        "UPDATE rows SET seq = 99 WHERE seq = 3",
        "DELETE FROM rows WHERE seq = 3",
        "DELETE FROM rows",
        "INSERT OR REPLACE INTO rows VALUES (3, 0, 'frame', x'00', 0)",
        "REPLACE INTO rows VALUES (15, 0, 'frame', x'00', 0)",
        "INSERT INTO rows VALUES (3, 0, 'frame', x'00', 0) ON CONFLICT DO UPDATE SET body = x'00'",
        "UPDATE blocks SET hash = x'00' WHERE n = 1",
        "DELETE FROM blocks WHERE n = 1",
        "REPLACE INTO blocks SELECT 1, first, last, rows, gaps, t, previous, x'00' FROM blocks WHERE n = 1",
        "UPDATE gaps SET reason = ''",
        "DELETE FROM gaps",
        "UPDATE meta SET value = '2' WHERE key = 'first'",
        "DELETE FROM meta WHERE key = 'id'",
        "REPLACE INTO meta VALUES ('id', '0')",
        "INSERT INTO meta VALUES ('more', '0')",
    ],
)
def test_what_is_recorded_refuses_to_be_changed(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "a.journal"
    with JournalFile.create(path, rule=RULE) as journal:
        journal.append([*rows(1, 15), Gap(16, 17, 0, "lost")])
    before = path.read_bytes()
    with closing(sqlite3.connect(path)) as db, pytest.raises(sqlite3.IntegrityError, match="never changed"):
        db.execute(statement)
    assert path.read_bytes() == before


@pytest.mark.parametrize("table", ["rows", "gaps", "blocks", "seal"])
def test_nothing_is_added_after_the_seal(tmp_path: Path, table: str) -> None:
    path = tmp_path / "a.journal"
    with JournalFile.create(path, rule=RULE) as journal:
        journal.append(rows(1, 15))
        journal.put_seal(StationKey.generate(tmp_path / "key"), 9)
        with pytest.raises(SealedFileError):
            journal.append(rows(16, 1))
        assert journal.close_block() is None
    values = {
        "rows": "16, 0, 'frame', x'00', 0",
        "gaps": "16, 17, 0, ''",
        "blocks": "3, 16, 17, 2, 0, 0, x'', x''",
        "seal": "1, 0, 0, 0, 0, 0, 0, x'', x'', x''",
    }
    with closing(sqlite3.connect(path)) as db, pytest.raises(sqlite3.IntegrityError, match="until the seal"):
        db.execute(f"INSERT INTO {table} VALUES ({values[table]})")


def test_a_sealed_journal_is_one_plain_file(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with JournalFile.create(path, rule=RULE) as journal:
        journal.append(rows(1, 15))
        seal = journal.put_seal(StationKey.generate(tmp_path / "key"), 9)
        assert journal.put_seal(StationKey.load(tmp_path / "key"), 10) == seal, "sealing again gives the seal there is"
    assert sorted(os.listdir(tmp_path)) == ["a.journal", "key"]
    with pytest.raises(SealedFileError, match=r"closed and sealed\. Open a new visit"):
        JournalFile.open(path)
    assert verify(path).sealed
    assert sorted(os.listdir(tmp_path)) == ["a.journal", "key"]


def test_rows_out_of_order_are_refused_and_leave_no_trace(tmp_path: Path) -> None:
    with JournalFile.create(tmp_path / "a", rule=RULE) as journal:
        for wrong in (rows(2, 1), [*rows(1, 3), *rows(5, 1)], [*rows(1, 3), *rows(3, 1)], [Gap(2, 3, 0, "")]):
            with pytest.raises(RowError, match="seq"):
                journal.append(wrong)
        assert (journal.last, journal.row_count()) == (0, 0)
        journal.append(rows(1, 12))
    assert verify(tmp_path / "a").ok


def test_a_full_disk_stores_nothing_of_the_group_and_the_next_try_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with JournalFile.create(path, rule=RULE) as journal:
        journal.append(rows(1, 15))
        pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
        journal._db.execute(f"PRAGMA max_page_count = {pages}")
        big = [Row(n, 0, "frame", bytes(3000)) for n in range(16, 40)]
        with pytest.raises(DiskFullError, match=r"the disk is full\. Free some space"):
            journal.append(big)
        assert (journal.last, journal.row_count()) == (15, 15)
        journal._db.execute("PRAGMA max_page_count = 1073741823")
        journal.append(big)
        assert journal.row_count() == 39
    assert verify(path).ok


def test_a_lock_of_another_program_is_told_and_passes(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with JournalFile.create(path) as journal, closing(sqlite3.connect(path, isolation_level=None)) as other:
        journal._db.execute("PRAGMA busy_timeout = 1")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LockedFileError, match="another program holds the file"):
            journal.append(rows(1, 1))
        other.execute("ROLLBACK")
        journal.append(rows(1, 1))


def test_one_writer_a_file_across_processes(tmp_path: Path) -> None:
    path = tmp_path / "a"
    attempt = (
        "import sys; from pathlib import Path; from lineset.journal.file import JournalFile\n"
        "from lineset.journal.errors import LockedFileError\n"
        "try: JournalFile.open(Path(sys.argv[1])).close()\n"
        "except LockedFileError as error: print(error); sys.exit(3)\n"
    )
    command = [sys.executable, "-c", attempt, str(path)]
    with JournalFile.create(path) as journal:
        journal.append(rows(1, 1))
        refused = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
        assert (refused.returncode, refused.stderr) == (3, "")
        assert f"another process (number {os.getpid()}) is writing this journal" in refused.stdout
        with pytest.raises(LockedFileError):
            JournalFile.open(path)
        with JournalReader(path) as reader:  # reading needs no leave
            assert reader.last_seq() == 1
    assert subprocess.run(command, check=False, timeout=30).returncode == 0


def test_a_reader_follows_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with JournalFile.create(path, rule=RULE) as journal, JournalReader(path) as reader:
        journal.append(rows(1, 5))
        assert reader.last_seq() == 5
        with reader.still():
            journal.append(rows(6, 20))
            assert (reader.last_seq(), reader.blocks()) == (5, [])
        assert (reader.last_seq(), len(reader.blocks())) == (25, 2)
        with pytest.raises(CannotWriteError), reader._asking() as db:
            db.execute("CREATE TABLE more (x)")


OTHER_PROGRAM = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], timeout=0.1)
try:
    print(db.execute("PRAGMA journal_mode = DELETE").fetchone()[0])
except sqlite3.OperationalError as error:
    print(error)
db.close()
"""


def test_reading_beside_the_writer_leaves_its_locks_in_place(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with JournalFile.create(path) as journal:
        journal.append(rows(1, 5))
        with JournalReader(path) as reader:
            assert reader.last_seq() == 5
        assert verify(path).ok
        with pytest.raises(LockedFileError):
            JournalFile.open(path)
        # another program must still find the file in use, and must not take the write-ahead log away
        result = subprocess.run(
            [sys.executable, "-c", OTHER_PROGRAM, str(path)], capture_output=True, text=True, check=True, timeout=30
        )
        assert result.stdout.strip() == "database is locked"
        journal.append(rows(6, 5))
        journal.abandon()
    with JournalReader(path) as reader:
        assert reader.last_seq() == 10


def other_file(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE rows (seq)")


def newer_file(path: Path) -> None:
    JournalFile.create(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {schema.FORMAT + 1}")


def truncated_file(path: Path) -> None:
    with JournalFile.create(path) as journal:
        journal.append(rows(1, 2000))
    os.truncate(path, 20_000)


def without_meta(path: Path) -> None:
    JournalFile.create(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER meta_no_delete")
        db.execute("DELETE FROM meta WHERE key = 'first'")
        db.commit()


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda path: None, MissingFileError, "there is no such journal"),
        (lambda path: path.mkdir(), WrongFormatError, "this is a folder"),
        (lambda path: path.write_bytes(b""), WrongFormatError, "not a lineset journal"),
        (lambda path: path.write_bytes(b"seq,t,kind\n1,2,frame\n" * 500), WrongFormatError, "not a lineset journal"),
        (other_file, WrongFormatError, "not a lineset journal"),
        (newer_file, NewerFormatError, r"has format 2, this program knows up to 1\. Update"),
        (without_meta, DamagedFileError, "meta record is incomplete"),
        (truncated_file, DamagedFileError, "damaged"),
    ],
)
def test_what_cannot_be_opened_is_told_apart(tmp_path: Path, make: object, error: type[Exception], words: str) -> None:
    path = tmp_path / "a"
    make(path)  # type: ignore[operator]
    content = path.read_bytes() if path.is_file() else None
    for attempt in (lambda: JournalFile.open(path).close(), lambda: list(JournalReader(path).rows())):
        with pytest.raises(error, match=words) as caught:
            attempt()
        assert str(caught.value).startswith(str(path))
    assert (path.read_bytes() if path.is_file() else None) == content, "looking changes nothing"


def test_a_journal_is_never_made_over_a_file(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("mine")
    with pytest.raises(ExistingFileError, match="already there"):
        JournalFile.create(path)
    assert path.read_text() == "mine"
    with pytest.raises(MissingFileError):
        JournalFile.create(tmp_path / "no" / "a")
    with pytest.raises(ValueError, match="'first' is the journal's own"):
        JournalFile.create(tmp_path / "b", meta={"first": "3"})


def test_a_row_damaged_in_the_tail_is_not_built_upon(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with JournalFile.create(path, rule=RULE) as journal:
        journal.append(rows(1, 15))
        journal.abandon()
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER rows_no_update")
        db.execute("UPDATE rows SET body = x'77' WHERE seq = 13")
        db.commit()
    with pytest.raises(DamagedFileError, match="row 13 is not as it was written"):
        JournalFile.open(path)


def test_a_crash_while_making_leaves_nothing_in_the_way(tmp_path: Path) -> None:
    def stop(name: str) -> None:
        if name == "file_made":
            raise KeyboardInterrupt

    crash.set_hook(stop)
    try:
        with pytest.raises(KeyboardInterrupt):
            JournalFile.create(tmp_path / "a")
    finally:
        crash.set_hook(None)
    assert not (tmp_path / "a").exists()
    JournalFile.create(tmp_path / "a").close()


PERMISSIONS = """
import os, sys
from pathlib import Path
from lineset.journal.errors import PermissionDeniedError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.verify import verify
import encodings.idna, tempfile, shutil, urllib.parse
folder = Path(sys.argv[1])
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
def refused(action):
    try: action()
    except PermissionDeniedError as error: print(type(error).__name__, error)
    else: print("allowed")
refused(lambda: JournalFile.open(folder / "shut"))
refused(lambda: JournalReader(folder / "shut"))
refused(lambda: JournalFile.open(folder / "readable"))
refused(lambda: JournalFile.create(folder / "new"))
with JournalReader(folder / "readable") as reader:
    print(len(list(reader.rows())))
print(verify(folder / "readable").ok, sorted(os.listdir(folder)) == sys.argv[2].split(","))
"""


def test_permission_is_told_and_a_folder_that_cannot_be_written_can_be_audited(tmp_path: Path) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as name:  # where another user may look too, unlike tmp_path
        folder = Path(name)
        for file, mode in (("shut", 0o000), ("readable", 0o444)):
            journal = JournalFile.create(folder / file, rule=RULE)
            journal.append(rows(1, 25))
            # as a kill leaves it: rows still in the write-ahead log
            log = (folder / f"{file}-wal").read_bytes()
            journal.abandon()
            (folder / f"{file}-wal").write_bytes(log)
            os.chmod(folder / file, mode)
            os.chmod(folder / f"{file}-wal", mode)
        assert len(log) > 0
        os.chmod(folder, 0o555)
        try:
            result = subprocess.run(
                [sys.executable, "-c", PERMISSIONS, name, ",".join(sorted(os.listdir(folder)))],
                capture_output=True, text=True, check=False, timeout=30,
            )  # fmt: skip
        finally:
            os.chmod(folder, 0o755)
        lines = result.stdout.splitlines()
        assert result.returncode == 0, result.stderr
        assert [line.partition(" ")[0] for line in lines[:4]] == ["PermissionDeniedError"] * 4
        assert all("permission denied" in line for line in lines[:4])
        assert lines[4:] == ["25", "True True"]
