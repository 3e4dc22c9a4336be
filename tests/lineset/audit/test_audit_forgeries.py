"""What one forges who holds the station's key, hides in the file, or exchanges while it is audited: found, or said."""

from __future__ import annotations

import json
import shutil
import sqlite3
import textwrap
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
from cli_process import said
from cryptography.exceptions import InvalidSignature
from sealed_journal import a_tiny_visit

from lineset.audit import audit as audit_room
from lineset.audit import signed_audit as signed_room
from lineset.audit.audit import FAIL, PASS, audit
from lineset.audit.export import photos_to
from lineset.audit.signed_audit import read_signed, write_signed
from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.journal.block import BlockRule
from lineset.journal.errors import WrongFormatError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import Verification

Keys = tuple[StationKey, StationKey]


def write(path: Path, rows: list[Row | Gap], key: StationKey | None) -> Path:
    with JournalFile.create(path, meta={"station": "van", "visit": "tiny"}, rule=BlockRule(rows=8)) as journal:
        journal.append(rows)
        if key is not None:
            journal.put_seal(key, rows[-1].t)
    return path


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Keys:
    """The station's, and somebody else's."""
    folder = tmp_path_factory.mktemp("keys")
    return StationKey.generate(folder / "station"), StationKey.generate(folder / "other")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory, keys: Keys) -> Path:
    return write(tmp_path_factory.mktemp("visits") / "tiny.journal", list(a_tiny_visit()), keys[0])


@pytest.mark.parametrize(
    "put_in",
    [
        "CREATE TRIGGER sqliteXt AFTER INSERT ON rows BEGIN DELETE FROM rows; END",
        "CREATE TABLE sqliteXt (a)",
        "CREATE VIEW sqliteXv AS SELECT body FROM rows",
        "CREATE INDEX sqliteXi ON rows (kind, seq, t, body, crc)",
        "ANALYZE",
    ],
)
def test_nothing_is_hidden_by_a_name_like_one_of_sqlite(original: Path, tmp_path: Path, put_in: str) -> None:
    # in SQL's LIKE the low line of 'sqlite_%' stands for any letter
    path = tmp_path / "tiny.journal"
    shutil.copyfile(original, path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = MEMORY")
        db.execute(put_in)
    assert [remark.about for remark in audit(path).wrong] == ["schema"]


def test_a_rollback_journal_beside_the_file_is_told(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "tiny.journal"
    shutil.copyfile(original, path)
    beside = tmp_path / "tiny.journal-journal"
    beside.write_bytes(b"pages of another time")
    assert [remark.about for remark in audit(path).wrong] == ["file"]
    # as SQLite begins one: a station that is killed while it seals may leave it, and it puts nothing back
    beside.write_bytes(bytes(512) + b"pages of another time")
    assert [remark.about for remark in audit(path).wrong] == []
    with closing(sqlite3.connect(path)) as db:
        db.execute("SELECT count(*) FROM rows").fetchone()
    assert path.read_bytes() == original.read_bytes()


def through_the_engine(inputs: list[tuple[int, Any]]) -> list[Row]:
    """Rows of a record with these inputs (visit time in ns and body), with what this engine makes of them."""
    engine, rows = Engine(""), list[Row]()
    for t, body in inputs:
        rows.append(Row(len(rows) + 1, t, e.kind_of(body), e.encode(body)))
        try:
            outputs = engine.push(len(rows), t, body)
        except Exception:  # as at the station
            outputs = []
        for output in outputs:
            rows.append(Row(len(rows) + 1, t, e.kind_of(output), e.encode(output)))
    return rows


def inputs_of(rows: list[Row]) -> list[tuple[int, Any]]:
    return [(row.t, e.decode(row.body)) for row in rows if e.is_input(row.kind)]


def changed_output(rows: list[Row], **fields: Any) -> list[Row]:
    """The first output of the engine, changed by one who holds the key."""
    at = next(at for at, row in enumerate(rows) if not e.is_input(row.kind))
    return [*rows[:at], Row(*msgspec.structs.astuple(msgspec.structs.replace(rows[at], **fields))), *rows[at + 1 :]]


def test_an_output_at_another_time_is_found(keys: Keys, tmp_path: Path) -> None:
    rows = changed_output(a_tiny_visit(), t=0)
    found = audit(write(tmp_path / "tiny.journal", list(rows), keys[0]), [keys[0].public])
    assert [remark.about for remark in found.wrong] == ["replay"]
    assert "at another time" in found.wrong[0].text


def test_what_was_changed_before_another_version_went_on_is_found(keys: Keys, tmp_path: Path) -> None:
    inputs = inputs_of(a_tiny_visit())
    t = inputs[-1][0]
    wall_ns = inputs[0][1].wall_ns + t
    inputs.insert(len(inputs) - 1, (t, e.Resumed(gap_ns=0, wall_ns=wall_ns, how="wall_time", version="another")))
    rows = through_the_engine(inputs)
    sound = audit(write(tmp_path / "sound.journal", list(rows), keys[0]), [keys[0].public])
    assert (sound.outcome, sound.replay is not None and sound.replay.resumed_by) == (PASS, "another")
    first = next(row for row in rows if not e.is_input(row.kind))
    rows = changed_output(rows, body=first.body[:-1] + b" }")
    found = audit(write(tmp_path / "changed.journal", list(rows), keys[0]), [keys[0].public])
    assert [remark.about for remark in found.wrong] == ["replay"]


@pytest.mark.parametrize("wall_ns", [1, 10**21, -(10**30), 10**400])
def test_a_clock_that_moves_without_a_word_is_told(keys: Keys, tmp_path: Path, wall_ns: int) -> None:
    inputs = inputs_of(a_tiny_visit())
    inputs.insert(8, (inputs[8][0], e.WallClock(wall_ns=wall_ns)))
    rows = through_the_engine(inputs)
    found = audit(write(tmp_path / "tiny.journal", list(rows), keys[0]), [keys[0].public])
    assert any("more than is said of it" in remark.text for remark in found.remarks if remark.about == "clock")
    assert (found.outcome == FAIL) == (wall_ns != 1)  # a time that no calendar has is wrong in any case


def test_entries_that_no_reader_can_stand_are_wrong_and_no_fault_of_the_audit(keys: Keys, tmp_path: Path) -> None:
    rows = a_tiny_visit()
    deep = b"[" * 100_000 + b"]" * 100_000
    for n, body in enumerate(
        (
            b'{"kind":"note","text":"x","by":' + deep + b"}",
            b'{"kind":"resumed","gap_ns":1' + b"0" * 400 + b',"wall_ns":1' + b"0" * 400 + b',"how":"wall_time"}',
            b'{"kind":"wall","wall_ns":1' + b"0" * 400 + b',"step_ns":-1' + b"0" * 400 + b"}",
        )
    ):
        kind = msgspec.json.decode(body[: body.index(b",")] + b"}")["kind"]
        more = [*rows[:8], Row(9, rows[8].t, kind, body), *(Row(r.seq + 1, r.t, r.kind, r.body) for r in rows[8:])]
        found = audit(write(tmp_path / f"{n}.journal", list(more), keys[0]), [keys[0].public])
        assert found.outcome == FAIL


def test_a_file_exchanged_while_it_is_audited_is_not_two_records_at_once(
    original: Path, keys: Keys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # what is hashed and what is replayed are the same bytes: the other file counts from the next audit on
    path, other = tmp_path / "tiny.journal", tmp_path / "other.journal"
    shutil.copyfile(original, path)
    rows = a_tiny_visit()
    opened = msgspec.structs.replace(e.decode(rows[0].body), technician="another")  # type: ignore[type-var]
    write(other, [Row(1, rows[0].t, "opened", e.encode(opened)), *rows[1:]], keys[1])
    last = audit_room.examine

    def exchanged(reader: JournalReader) -> Verification:
        found = last(reader)
        other.replace(path)
        return found

    monkeypatch.setattr(audit_room, "examine", exchanged)
    found = audit(path, [keys[0].public])
    assert (found.outcome, found.rows, found.replay is not None and found.replay.done) == (PASS, len(rows), True)
    monkeypatch.undo()
    assert audit(path, [keys[0].public]).outcome == FAIL


def test_a_record_in_the_place_of_another_is_found(original: Path, keys: Keys) -> None:
    assert audit(original, [keys[0].public], visit="tiny").outcome == PASS
    found = audit(original, [keys[0].public], visit="large")
    assert [remark.about for remark in found.wrong] == ["file"]


def signed_audit(original: Path, keys: Keys, folder: Path) -> Path:
    return write_signed(audit(original, [keys[0].public]), keys[1], folder)


def test_a_stranger_checks_a_signed_audit_by_its_description_alone(
    original: Path, keys: Keys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lines that the description gives are run as they stand there, without this program."""
    path = signed_audit(original, keys, tmp_path)
    assert signed_room.__doc__ is not None
    lines = textwrap.dedent(signed_room.__doc__.partition("in Python:\n\n")[2])
    path.rename(tmp_path / "FILE.audit.json")
    monkeypatch.chdir(tmp_path)
    exec(lines, {"json": json})
    whole = (tmp_path / "FILE.audit.json").read_bytes()
    (tmp_path / "FILE.audit.json").write_bytes(whole.replace(b'"outcome":"pass"', b'"outcome":"fail"'))
    with pytest.raises(InvalidSignature):
        exec(lines, {"json": json})


def test_a_signed_audit_holds_nothing_that_was_not_signed(original: Path, keys: Keys, tmp_path: Path) -> None:
    path = signed_audit(original, keys, tmp_path)
    whole = path.read_bytes()
    key = keys[1].public.hex().encode()
    for changed in (
        whole.replace(b'{"audit":', b'{"audit":{"outcome":"fail"},"audit":', 1),
        whole.replace(b'{"audit":', b'{"summary":"fail","audit":', 1),
        whole.replace(b',"signed_ns":', b' ,"signed_ns":', 1),
    ):
        path.write_bytes(changed)
        with pytest.raises(WrongFormatError):
            read_signed(path)
    for changed in (whole.replace(key, key.upper()), whole.replace(key, key[:2] + b" " + key[2:])):
        path.write_bytes(changed)
        assert not read_signed(path).signed_well()


async def test_a_signed_audit_writes_nothing_of_its_own_on_the_terminal(
    original: Path, keys: Keys, tmp_path: Path
) -> None:
    path = signed_audit(original, keys, tmp_path)
    signed = read_signed(path)
    odd = msgspec.structs.replace(signed, public_key="\x1b[2J\x1b[HPASS", signed_ns=10**18 * 10**9)
    path.write_bytes(msgspec.json.encode(odd))
    code, out, _ = await said("audit", str(path))
    assert (code, "\x1b" in out, out[:4]) == (1, False, "FAIL")


async def test_a_visit_asked_for_by_name_is_that_visit_and_sealed_by_this_station(
    original: Path, keys: Keys, tmp_path: Path
) -> None:
    """Somebody puts another sound record in its place, or a link to one that he sealed himself."""
    visits = tmp_path / "visits"
    visits.mkdir()
    StationKey.generate(tmp_path / "station.key")
    shutil.copyfile(original, visits / "large.journal")
    (visits / "tiny.journal").symlink_to(original)
    code, out, _ = await said("audit", "large", "tiny", "--jobs", "1", "--json", "--data", str(tmp_path))
    assert code == 1
    large, tiny = json.loads(out)
    assert any("visit large was asked for" in remark["text"] for remark in large["remarks"])
    assert (tiny["outcome"], tiny["key_known"]) == (FAIL, "wrong")


async def test_a_report_is_written_into_its_folder_whatever_the_visit_is_called(keys: Keys, tmp_path: Path) -> None:
    rows = a_tiny_visit()
    opened = e.decode(rows[0].body)
    assert isinstance(opened, e.Opened)
    rows[0] = Row(1, rows[0].t, "opened", e.encode(msgspec.structs.replace(opened, visit="../../away")))
    path = write(tmp_path / "tiny.journal", list(rows), keys[0])
    out = tmp_path / "a" / "b"
    code, said_, errors = await said(
        "report", str(path), "--format", "html", "--out", str(out), "--data", str(tmp_path)
    )
    assert (code, errors) == (0, ""), said_
    assert [file.parent for file in tmp_path.rglob("*.html")] == [out]


async def test_an_error_that_quotes_a_record_moves_no_cursor(keys: Keys, tmp_path: Path) -> None:
    rows = a_tiny_visit()
    odd = Row(9, rows[8].t, "note", b'{"kind":"\\u001b[2J\\u001b[HPASS"}')
    more = [*rows[:8], odd, *(Row(row.seq + 1, row.t, row.kind, row.body) for row in rows[8:])]
    path = write(tmp_path / "tiny.journal", list(more), keys[0])
    for verb in (("report", "--out", str(tmp_path / "out")), ("audit",), ("export", "--out", str(tmp_path / "tables"))):
        code, out, errors = await said(verb[0], str(path), *verb[1:])
        assert (code, "\x1b" in out + errors) == (1, False), verb


def test_a_photo_is_written_beside_its_tables_whatever_its_hash_is_called(keys: Keys, tmp_path: Path) -> None:
    rows, out = a_tiny_visit(), tmp_path / "a" / "tables"
    out.mkdir(parents=True)
    away = "../" * 2 + "away"
    for at, row in enumerate(rows):
        if isinstance(body := e.decode(row.body), e.Blob):
            rows[at] = Row(row.seq, row.t, row.kind, e.encode(msgspec.structs.replace(body, sha256=away)))
    path = write(tmp_path / "tiny.journal", list(rows), keys[0])
    assert photos_to(path, out) == 1
    assert [file.parent for file in tmp_path.rglob("*.jpg")] == [out]
