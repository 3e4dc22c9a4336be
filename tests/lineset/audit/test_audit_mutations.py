"""Whatever is changed of what a sealed record says, the audit finds it; what says nothing may change.

A file holds bytes without content (free space, counters). So a flipped byte counts as a change when it changes
anything that a reader of the file is given: meta, rows with checksums, gaps, blocks, seal, tables, triggers.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest
from engine_entries import NS
from sealed_journal import a_tiny_visit

from lineset.audit.audit import FAIL, PASS, audit
from lineset.contract import entry as e
from lineset.journal.block import BlockRule
from lineset.journal.errors import DamagedFileError, JournalError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey


def write(path: Path, rows: list[Row | Gap], key: StationKey | None) -> Path:
    with JournalFile.create(path, meta={"station": "van", "visit": "tiny"}, rule=BlockRule(rows=8)) as journal:
        journal.append(rows)
        if key is not None:
            journal.put_seal(key, rows[-1].t)
    return path


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[StationKey, StationKey]:
    """The station's, and somebody else's."""
    folder = tmp_path_factory.mktemp("keys")
    return StationKey.generate(folder / "station"), StationKey.generate(folder / "other")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory, keys: tuple[StationKey, StationKey]) -> Path:
    return write(tmp_path_factory.mktemp("visits") / "tiny.journal", list(a_tiny_visit()), keys[0])


def said(path: Path) -> Any:
    """All that a reader of the file is given."""
    with JournalReader(path, lenient=True) as reader:
        return (
            reader.meta,
            list(reader.stored_rows(-(2**63))),
            reader.gaps(-(2**63)),
            reader.blocks(-(2**63)),
            reader.seal(),
            reader.stored_schema(),
        )


def test_the_untouched_file_passes(original: Path, keys: tuple[StationKey, StationKey]) -> None:
    found = audit(original, [keys[0].public])
    assert (found.outcome, found.wrong, found.key_known, found.photos) == (PASS, (), "right", 1)
    assert found.replay is not None
    assert (found.replay.done, found.replay.same_engine, found.replay.differences) == (True, True, 0)
    assert found.replay.outputs > 5


def test_any_flipped_byte_of_the_file_that_says_anything_is_found(
    original: Path, keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    whole = bytearray(original.read_bytes())
    before = said(original)
    chance = random.Random(20261125)
    # places at random, half of them where bytes are not zero, since most zeros are free space
    used = [at for at, value in enumerate(whole) if value]
    places = [chance.choice(used) for _ in range(900)] + [chance.randrange(len(whole)) for _ in range(300)]
    copy = tmp_path / "tiny.journal"
    found = silent = 0
    for at in places:
        flipped = bytearray(whole)
        flipped[at] ^= 1 << chance.randrange(8)
        copy.write_bytes(flipped)
        outcome = audit(copy, [keys[0].public])
        assert msgspec.json.encode(outcome), "whatever text damage makes"
        if outcome.outcome == PASS:
            silent += 1
            assert said(copy) == before, f"byte {at} of the file"
        else:
            found += 1
    assert found > 500, "most bytes that are not zero say something"
    assert silent > 0, "some bytes say nothing, or this test would not see the difference"


@contextmanager
def opened_up(original: Path, folder: Path) -> Iterator[tuple[Path, sqlite3.Connection]]:
    """A copy, for one who takes the triggers away and puts them back."""
    path = folder / "tiny.journal"
    shutil.copyfile(original, path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = MEMORY")
        db.execute("PRAGMA synchronous = OFF")
        triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        yield path, db
        for _, sql in triggers:
            db.execute(sql)


Mutation = Callable[[sqlite3.Connection, random.Random], None]


def _some(db: sqlite3.Connection, chance: random.Random, count: int = 1, table: str = "rows", key: str = "seq") -> Any:
    return chance.sample([found for (found,) in db.execute(f"SELECT {key} FROM {table}")], count)


def remove_a_row(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("DELETE FROM rows WHERE seq = ?", _some(db, chance))


def cut_the_end(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("DELETE FROM rows WHERE seq >= ?", _some(db, chance))


def double_a_row(db: sqlite3.Connection, chance: random.Random) -> None:
    (seq,) = _some(db, chance)
    db.execute("INSERT INTO rows SELECT (SELECT max(seq) + 1 FROM rows), t, kind, body, crc FROM rows WHERE seq = ?",
               (seq,))  # fmt: skip


def exchange_two_rows(db: sqlite3.Connection, chance: random.Random) -> None:
    one, other = _some(db, chance, 2)
    for seq, to in ((one, -1), (other, one), (-1, other)):
        db.execute("UPDATE rows SET seq = ? WHERE seq = ?", (to, seq))


def exchange_two_blocks(db: sqlite3.Connection, chance: random.Random) -> None:
    one, other = _some(db, chance, 2, "blocks", "n")
    for n, to in ((one, -1), (other, one), (-1, other)):
        db.execute("UPDATE blocks SET n = ? WHERE n = ?", (to, n))


def remove_a_block(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("DELETE FROM blocks WHERE n = ?", _some(db, chance, 1, "blocks", "n"))


def change_a_body(db: sqlite3.Connection, chance: random.Random) -> None:
    (seq,) = _some(db, chance)
    (body,) = db.execute("SELECT body FROM rows WHERE seq = ?", (seq,)).fetchone()
    at = chance.randrange(len(body))
    changed = body[:at] + bytes([body[at] ^ (1 << chance.randrange(8))]) + body[at + 1 :]
    db.execute("UPDATE rows SET body = ? WHERE seq = ?", (changed, seq))


def change_a_time(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("UPDATE rows SET t = t + ? WHERE seq = ?", (chance.choice((-1, 1, NS)), *_some(db, chance)))


def take_the_seal_away(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("DELETE FROM seal")


def change_the_seal(db: sqlite3.Connection, chance: random.Random) -> None:
    field = chance.choice(("blocks", "rows", "gaps", "first", "last", "t"))
    db.execute(f"UPDATE seal SET {field} = {field} + 1")


def call_it_a_gap(db: sqlite3.Connection, chance: random.Random) -> None:
    (seq,) = _some(db, chance)
    db.execute("DELETE FROM rows WHERE seq = ?", (seq,))
    db.execute("INSERT INTO gaps VALUES (?, ?, 0, 'memory was full')", (seq, seq))


def hide_a_gap(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("INSERT INTO gaps VALUES (?, -1, 0, '')", (chance.randrange(-(2**62), -1),))


def hide_a_block(db: sqlite3.Connection, chance: random.Random) -> None:
    n = chance.choice((0, -1, -(2**63)))
    db.execute("INSERT INTO blocks SELECT ?, first, last, rows, gaps, t, previous, hash FROM blocks LIMIT 1", (n,))


def hide_a_row(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("INSERT INTO rows SELECT ?, t, kind, body, crc FROM rows LIMIT 1", (chance.choice((0, -1, -(2**63))),))


def name_another_first_row(db: sqlite3.Connection, chance: random.Random) -> None:
    first = chance.choice(("0", "-1", "\u00b2", "\u0661", "1_0", "1.0", "", "9" * 5000, str(2**63)))
    db.execute("UPDATE meta SET value = ? WHERE key = 'first'", (first,))


def take_the_name_away(db: sqlite3.Connection, chance: random.Random) -> None:
    db.execute("DELETE FROM meta WHERE key = ?", (chance.choice(("id", "visit", "station", "created")),))


MUTATIONS = (
    hide_a_gap,
    hide_a_block,
    hide_a_row,
    name_another_first_row,
    take_the_name_away,
    remove_a_row,
    cut_the_end,
    double_a_row,
    exchange_two_rows,
    exchange_two_blocks,
    remove_a_block,
    change_a_body,
    change_a_time,
    take_the_seal_away,
    change_the_seal,
    call_it_a_gap,
)


HIDING = (hide_a_gap, hide_a_block, hide_a_row, name_another_first_row, take_the_name_away)


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda mutation: mutation.__name__)
def test_every_change_of_rows_blocks_and_seal_is_found(
    original: Path, keys: tuple[StationKey, StationKey], tmp_path: Path, mutation: Mutation
) -> None:
    chance = random.Random(mutation.__name__)
    before = said(original)
    for _ in range(1 if mutation is take_the_seal_away else 20 if mutation in HIDING else 100):
        with opened_up(original, tmp_path) as (path, db):
            mutation(db, chance)
        try:
            assert said(path) != before
        except DamagedFileError:
            assert mutation in (name_another_first_row, take_the_name_away)
        found = audit(path)  # though nobody knows the key
        assert found.outcome == FAIL
        assert msgspec.json.encode(found)
    assert audit(path, [keys[0].public]).outcome == FAIL


def written_anew(rows: list[Row], chance: random.Random) -> list[Row]:
    """Another record: some entry left out or changed, the rest numbered anew."""
    changed = list(rows)
    at = chance.randrange(1, len(rows) - 1)
    if chance.random() < 0.5:
        del changed[at]
    else:
        changed.insert(at, changed[at])
    return [Row(seq, row.t, row.kind, row.body) for seq, row in enumerate(changed, start=1)]


def test_a_record_sealed_anew_with_another_key_is_found_where_the_right_key_is_known(
    keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    station, other = keys
    rows = a_tiny_visit()
    chance = random.Random(7)
    for n in range(40):
        path = write(tmp_path / f"{n}.journal", list(written_anew(rows, chance)), other)
        found = audit(path, [station.public])
        assert (found.outcome, found.key_known) == (FAIL, "wrong")
        assert any(remark.about == "seal" and other.public.hex() in remark.text for remark in found.wrong)
    # the same words sealed by another: without the right key nothing is wrong, and the audit says what that is worth
    path = write(tmp_path / "same.journal", list(rows), other)
    assert audit(path, [station.public]).outcome == FAIL
    unknown = audit(path)
    assert (unknown.outcome, unknown.key_known) == (PASS, "unknown")
    assert any("passes where nobody knows the right one" in remark.text for remark in unknown.remarks)


def test_a_photo_replaced_by_one_who_holds_the_key_is_found(
    keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    chance = random.Random(3)
    for n in range(30):
        rows = a_tiny_visit()
        at = chance.choice([i for i, row in enumerate(rows) if row.kind == "blob"])
        blob = e.decode(rows[at].body)
        assert isinstance(blob, e.Blob)
        spot = chance.randrange(len(blob.data))
        data = blob.data[:spot] + bytes([blob.data[spot] ^ (1 << chance.randrange(8))]) + blob.data[spot + 1 :]
        body = e.encode(msgspec.structs.replace(blob, data=data))
        rows[at] = Row(rows[at].seq, rows[at].t, rows[at].kind, body)
        found = audit(write(tmp_path / f"{n}.journal", list(rows), keys[0]), [keys[0].public])
        assert (found.outcome, [remark.about for remark in found.wrong]) == (FAIL, ["photo"])
        assert e.kind_of(e.decode(rows[found.wrong[0].seq - 1].body)) == "observation"


@pytest.mark.parametrize(("withdraws", "right"), [(0, True), (-1, True), (-2, False), (10**9, False)])
def test_what_is_taken_back_without_having_been_wanted_is_noted(
    withdraws: int, right: bool, keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    rows = a_tiny_visit()
    [at] = [i for i, row in enumerate(rows) if row.kind == "observation"]
    seen = e.decode(rows[at].body)
    assert isinstance(seen, e.Observed)
    rows[at] = Row(rows[at].seq, rows[at].t, "observation", e.encode(msgspec.structs.replace(seen, wants=("part",))))
    named = rows[at].seq + 1 + withdraws if withdraws < 0 else withdraws  # -1: the entry before
    back = e.Observed(system=seen.system, text="one was in the van", withdraws=named)
    rows = [*rows[: at + 1], Row(rows[at].seq + 1, rows[at].t, "observation", e.encode(back)), *rows[at + 1 :]]
    rows = [Row(n, row.t, row.kind, row.body) for n, row in enumerate(rows, 1)]
    found = audit(write(tmp_path / "tiny.journal", list(rows), keys[0]), [keys[0].public])
    assert found.replay is not None
    assert (found.outcome, found.wrong, found.replay.differences) == (PASS, (), 0)
    noted = [(remark.about, remark.seq) for remark in found.remarks if "takes back" in remark.text]
    assert noted == ([] if right else [("entry", at + 2)])


def test_a_file_cut_short_is_never_sound(original: Path, keys: tuple[StationKey, StationKey], tmp_path: Path) -> None:
    whole = original.read_bytes()
    copy = tmp_path / "tiny.journal"
    for size in range(0, len(whole), 1500):
        copy.write_bytes(whole[:size])
        assert audit(copy, [keys[0].public]).outcome == FAIL
        with pytest.raises(JournalError):
            raise_if_unreadable(copy)


def raise_if_unreadable(path: Path) -> None:
    """What another reader meets: an error as well."""
    with JournalReader(path) as reader:
        if reader.structure_problems():
            raise JournalError(path, "damaged", "")
        list(reader.rows())
