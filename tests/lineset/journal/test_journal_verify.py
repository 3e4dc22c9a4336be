"""Any change to what was recorded is found, and told at its place."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lineset.journal import schema
from lineset.journal.block import BlockRule
from lineset.journal.errors import JournalError, MissingFileError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import Fault, Verification, verify

ON_FILES = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
SEALED, OPEN = "sealed", "open"


def make(path: Path, *, sealed: bool, key: StationKey) -> None:
    """Rows 1-25 and 29-47, gap 26-28; blocks of ten rows or gaps; when open, the last seven rows are in no block."""
    chance = random.Random(1)

    def rows(first: int, last: int) -> list[Row]:
        return [
            Row(n, n * 1000, chance.choice(("frame", "settled")), chance.randbytes(chance.randrange(1, 60)))
            for n in range(first, last + 1)
        ]

    with JournalFile.create(path, rule=BlockRule(rows=10)) as journal:
        journal.append([*rows(1, 25), Gap(26, 28, 26_000, "memory was full"), *rows(29, 50)])
        if sealed:
            journal.put_seal(key, 51_000)
        else:
            journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            journal.abandon()


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> StationKey:
    return StationKey.generate(tmp_path_factory.mktemp("key") / "key")


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory, key: StationKey) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("originals")
    for name in (SEALED, OPEN):
        make(folder / name, sealed=name == SEALED, key=key)
    return {name: folder / name for name in (SEALED, OPEN)}


@contextmanager
def tampered(original: Path, folder: Path) -> Iterator[tuple[Path, sqlite3.Connection]]:
    """A copy, and a connection for one who knows how to take the triggers away and put them back."""
    path = folder / "copy"
    for old in folder.glob("copy*"):
        old.unlink()
    shutil.copyfile(original, path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = MEMORY")  # these copies need not survive anything
        db.execute("PRAGMA synchronous = OFF")
        triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        yield path, db
        for _, sql in triggers:
            db.execute(sql)


def faults(outcome: Verification) -> list[tuple[str, int, int]]:
    return [(problem.fault.value, problem.seq, problem.block) for problem in outcome.problems]


def test_an_untouched_journal_verifies(originals: dict[str, Path], key: StationKey) -> None:
    outcome = verify(originals[SEALED], public_key=key.public)
    assert outcome.problems == ()
    assert (outcome.ok, outcome.sealed, outcome.rows, outcome.blocks, outcome.tail) == (True, True, 47, 5, 0)
    assert (outcome.first, outcome.last, outcome.public_key) == (1, 50, key.public)
    assert [(gap.first, gap.last) for gap in outcome.gaps] == [(26, 28)]
    with JournalReader(originals[SEALED]) as reader:
        assert outcome.head == reader.blocks()[-1].hash
    outcome = verify(originals[OPEN])
    assert (outcome.ok, outcome.sealed, outcome.rows, outcome.blocks, outcome.tail) == (True, False, 47, 4, 7)


FIELDS = {
    "rows": ("seq", "t", "kind", "body", "crc"),
    "gaps": ("first", "last", "t", "reason"),
    "blocks": ("n", "first", "last", "rows", "gaps", "t", "previous", "hash"),
    "seal": ("blocks", "rows", "gaps", "first", "last", "t", "head", "public_key", "signature"),
    "meta": ("key", "value"),
}
PLACES = [(table, field) for table, fields in FIELDS.items() for field in fields]


@ON_FILES
@given(data=st.data())
@pytest.mark.parametrize("state", [SEALED, OPEN])
def test_any_one_changed_byte_of_any_field_is_found(
    originals: dict[str, Path], tmp_path: Path, state: str, data: st.DataObject
) -> None:
    table, field = data.draw(st.sampled_from([place for place in PLACES if state == SEALED or place[0] != "seal"]))
    with tampered(originals[state], tmp_path) as (path, db):
        keys = [str(found[0]) for found in db.execute(f"SELECT {FIELDS[table][0]} FROM {table}")]
        if table == "seal":
            keys = ["1"]
        which = data.draw(st.sampled_from(keys))
        where = "one = ?" if table == "seal" else f"CAST({FIELDS[table][0]} AS TEXT) = ?"
        (value,) = db.execute(f"SELECT {field} FROM {table} WHERE {where}", (which,)).fetchone()
        changed = one_byte_changed(value, data)
        try:
            db.execute(f"UPDATE {table} SET {field} = ? WHERE {where}", (changed, which))
        except sqlite3.IntegrityError:
            return  # another row has this number already
    outcome = verify(path)
    assert not outcome.ok, f"{table}.{field} of {which}: {value!r} -> {changed!r}"


def one_byte_changed(value: Any, data: st.DataObject) -> Any:
    if isinstance(value, int):
        return value ^ (data.draw(st.integers(1, 255)) << 8 * data.draw(st.integers(0, 3)))
    raw = bytearray(value.encode() if isinstance(value, str) else value)
    at = data.draw(st.integers(0, len(raw) - 1))
    raw[at] = (
        (raw[at] + data.draw(st.integers(1, 127 - 32))) % 128
        if isinstance(value, str)
        else raw[at] ^ data.draw(st.integers(1, 255))
    )
    return raw.decode() if isinstance(value, str) else bytes(raw)


def everything(path: Path) -> tuple[object, ...]:
    with JournalReader(path) as reader:
        rows, gaps, blocks = list(reader.rows(-(2**63))), reader.gaps(-(2**63)), reader.blocks(-(2**63))
        return reader.meta, rows, gaps, blocks, reader.seal()


@ON_FILES
@given(place=st.floats(0, 1, exclude_max=True), change=st.integers(1, 255))
@pytest.mark.parametrize("state", [SEALED, OPEN])
def test_a_byte_of_the_file_is_found_changed_or_is_none_of_the_record(
    originals: dict[str, Path], tmp_path: Path, state: str, place: float, change: int
) -> None:
    content = bytearray(originals[state].read_bytes())
    content[int(place * len(content))] ^= change
    for old in tmp_path.glob("copy*"):
        old.unlink()
    path = tmp_path / "copy"
    path.write_bytes(content)
    outcome = verify(path)
    if outcome.ok:  # free space of a page, counters of the database: what was recorded is untouched
        assert everything(path) == everything(originals[state])
        assert (outcome.rows, outcome.last) == (47, 50)


Edit = Callable[[sqlite3.Connection], object]


def exchange(db: sqlite3.Connection, one: int, other: int, fields: str = "t, kind, body, crc") -> None:
    query = f"SELECT seq, {fields} FROM rows WHERE seq IN (?, ?)"
    rows = {found[0]: found[1:] for found in db.execute(query, (one, other))}
    setters = ", ".join(f"{field} = ?" for field in fields.split(", "))
    db.execute(f"UPDATE rows SET {setters} WHERE seq = ?", (*rows[other], one))
    db.execute(f"UPDATE rows SET {setters} WHERE seq = ?", (*rows[one], other))


def exchange_blocks(db: sqlite3.Connection) -> None:
    db.execute("UPDATE blocks SET n = -1 WHERE n = 2")
    db.execute("UPDATE blocks SET n = 2 WHERE n = 3")
    db.execute("UPDATE blocks SET n = 3 WHERE n = -1")


def rehash(db: sqlite3.Connection) -> None:
    """Alter a row with its checksum and hash its block anew, as one does who knows the format but not the chain."""
    from lineset.journal.block import OpenBlock, frame_row
    from lineset.journal.reader import row_crc

    row = Row(5, 5000, "frame", b"forged")
    db.execute("UPDATE rows SET kind = 'frame', body = ?, crc = ? WHERE seq = 5", (row.body, row_crc(frame_row(row))))
    (previous,) = db.execute("SELECT previous FROM blocks WHERE n = 1").fetchone()
    block = OpenBlock(1, previous)
    for found in db.execute("SELECT seq, t, kind, body FROM rows WHERE seq <= 10").fetchall():
        block.add_row(Row(*found), frame_row(Row(*found)))
    db.execute("UPDATE blocks SET hash = ? WHERE n = 1", (block.close().hash,))


@pytest.mark.parametrize(
    ("state", "edit", "expected"),
    [
        (SEALED, lambda db: db.execute("UPDATE rows SET body = x'00' WHERE seq = 5"), [("altered", 5, 1)]),
        (SEALED, lambda db: db.execute("UPDATE rows SET crc = 0 WHERE seq = 5"), [("altered", 5, 1)]),
        (SEALED, lambda db: exchange(db, 3, 8), [("reordered", 3, 1), ("reordered", 8, 1)]),
        (SEALED, lambda db: exchange(db, 3, 18), [("altered", 3, 1), ("altered", 18, 2)]),
        (SEALED, lambda db: db.execute("DELETE FROM rows WHERE seq = 5"), [("missing", 5, 1), ("seal", 0, 0)]),
        (SEALED, lambda db: db.execute("DELETE FROM rows WHERE seq IN (9, 10)"), [("missing", 9, 1), ("seal", 0, 0)]),
        (SEALED, lambda db: db.execute("DELETE FROM rows WHERE seq = 1"), [("missing", 1, 1), ("seal", 0, 0)]),
        (
            SEALED,
            lambda db: db.execute("DELETE FROM rows WHERE seq BETWEEN 11 AND 20"),
            [("missing", 11, 2), ("seal", 0, 0)],
        ),
        (
            SEALED,
            lambda db: db.execute("INSERT INTO rows VALUES (27, 0, 'frame', x'00', 0)"),
            [("extra", 27, 3), ("altered", 27, 3), ("seal", 0, 0)],
        ),
        (
            SEALED,
            lambda db: db.execute("INSERT INTO rows VALUES (0, 0, 'frame', x'00', 0)"),
            [("extra", 0, 1), ("altered", 0, 1), ("seal", 0, 0)],
        ),
        (
            SEALED,
            lambda db: db.execute("INSERT INTO rows SELECT 51, t, kind, body, crc FROM rows WHERE seq = 3"),
            [("altered", 51, 0), ("seal", 0, 0), ("seal", 0, 0), ("extra", 51, 0)],
        ),
        (
            SEALED,
            lambda db: db.execute("DELETE FROM gaps"),
            [("missing", 26, 3), ("seal", 0, 0)],
        ),
        (SEALED, rehash, [("chain", 0, 2)]),
        (SEALED, lambda db: db.execute("UPDATE blocks SET hash = zeroblob(32) WHERE n = 2"), [
            ("altered", 11, 2), ("chain", 0, 3)
        ]),
        (SEALED, lambda db: db.execute("DELETE FROM blocks WHERE n = 5"), [
            ("seal", 0, 0), ("seal", 0, 0), ("extra", 50, 0)
        ]),
        (SEALED, lambda db: db.execute("UPDATE seal SET t = t + 1"), [("seal", 0, 0)]),
        (SEALED, lambda db: db.execute("UPDATE meta SET value = 'x' WHERE key = 'id'"), [
            ("chain", 0, 1), ("seal", 0, 0)
        ]),
        (OPEN, lambda db: db.execute("UPDATE rows SET body = x'00' WHERE seq = 48"), [("altered", 48, 0)]),
        (OPEN, lambda db: db.execute("DELETE FROM rows WHERE seq = 48"), [("missing", 48, 0)]),
        (OPEN, lambda db: exchange(db, 45, 49), [("reordered", 45, 0), ("reordered", 49, 0)]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_at_its_place(
    originals: dict[str, Path], tmp_path: Path, state: str, edit: Edit, expected: list[tuple[str, int, int]]
) -> None:
    with tampered(originals[state], tmp_path) as (path, db):
        edit(db)
    outcome = verify(path)
    assert faults(outcome) == expected, [problem.text for problem in outcome.problems]
    assert all(problem.text for problem in outcome.problems)


def test_exchanged_blocks_and_a_missing_one_break_the_chain(originals: dict[str, Path], tmp_path: Path) -> None:
    with tampered(originals[SEALED], tmp_path) as (path, db):
        exchange_blocks(db)
    found = faults(verify(path))
    assert ("chain", 0, 2) in found
    assert ("chain", 0, 3) in found
    with tampered(originals[SEALED], tmp_path) as (path, db):
        db.execute("DELETE FROM blocks WHERE n = 2")
    texts = [problem.text for problem in verify(path).problems]
    assert "block 2 is missing before block 3" in texts


@ON_FILES
@given(one=st.integers(1, 25), other=st.integers(29, 50))
def test_any_two_exchanged_rows_are_found(originals: dict[str, Path], tmp_path: Path, one: int, other: int) -> None:
    with tampered(originals[SEALED], tmp_path) as (path, db):
        exchange(db, one, other)
    assert {problem.seq for problem in verify(path).problems} == {one, other}


@ON_FILES
@given(gone=st.integers(1, 50).filter(lambda seq: not 26 <= seq <= 28))
def test_any_removed_row_is_found(originals: dict[str, Path], tmp_path: Path, gone: int) -> None:
    with tampered(originals[SEALED], tmp_path) as (path, db):
        db.execute("DELETE FROM rows WHERE seq = ?", (gone,))
    assert (Fault.MISSING, gone) in {(problem.fault, problem.seq) for problem in verify(path).problems}


def test_a_trigger_taken_away_is_found(originals: dict[str, Path], tmp_path: Path) -> None:
    path = tmp_path / "copy"
    shutil.copyfile(originals[SEALED], path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER rows_no_update")
        db.execute("CREATE TRIGGER rows_no_update BEFORE UPDATE ON rows BEGIN SELECT 1; END")
    assert faults(verify(path)) == [("schema", 0, 0), ("schema", 0, 0)]
    assert len(schema.expected()) == 5 + 10 + 5


def test_another_stations_seal_is_found(originals: dict[str, Path], tmp_path: Path, key: StationKey) -> None:
    other = StationKey.generate(tmp_path / "other")
    outcome = verify(originals[SEALED], public_key=other.public)
    assert [problem.text for problem in outcome.problems] == [
        f"sealed by another station, whose key is {key.public.hex()}"
    ]
    assert faults(verify(originals[OPEN], public_key=key.public)) == [("seal", 0, 0)]
    # the whole journal made again by one who has another key
    make(tmp_path / "forged", sealed=True, key=other)
    assert verify(tmp_path / "forged").ok
    assert not verify(tmp_path / "forged", public_key=key.public).ok


def test_text_that_is_not_text_is_told_as_an_altered_row(originals: dict[str, Path], tmp_path: Path) -> None:
    with tampered(originals[SEALED], tmp_path) as (path, db):
        db.execute("UPDATE rows SET kind = CAST(x'66ff' AS TEXT) WHERE seq = 12")
    assert faults(verify(path)) == [("altered", 12, 2)]


@pytest.mark.parametrize("size", [0, 50, 4096, 9000, 20_000])
def test_a_file_cut_short_is_told_and_raises_nothing(originals: dict[str, Path], tmp_path: Path, size: int) -> None:
    content = originals[SEALED].read_bytes()
    assert len(content) > 20_000
    (tmp_path / "copy").write_bytes(content[:size])
    outcome = verify(tmp_path / "copy")
    assert not outcome.ok
    assert Fault.UNREADABLE in {problem.fault for problem in outcome.problems}


def test_what_is_not_there_was_not_looked_at(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError):
        verify(tmp_path / "none")
    with pytest.raises(JournalError):
        list(JournalReader(tmp_path / "none").rows())
    (tmp_path / "text").write_text("no journal" * 1000)
    assert faults(verify(tmp_path / "text")) == [("unreadable", 0, 0)]
