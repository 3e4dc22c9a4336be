"""Export: every row of the record is in a table, typed, in three formats, from the sealed file alone."""

from __future__ import annotations

import asyncio
import csv
import hashlib
import json
import re
import subprocess
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb
import pytest
from cli_process import said
from engine_entries import PIPES
from sealed_journal import PHOTO, a_short_visit, seal_it
from shop_blocks import write_journal

from lineset.audit.export import FORMATS, TABLES, inert, to_csv, to_parquet, to_senml
from lineset.audit.visit_record import NotAVisitError, read_visit
from lineset.cli.export import FORMATS as OFFERED
from lineset.contract import entry as e
from lineset.journal.reader import JournalReader
from lineset_drivers.frame import Sample


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = a_short_visit()
    return seal_it(bench, tmp_path_factory.mktemp("visits") / "spring-1.journal")


def lineset(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.CompletedProcess(arguments, *asyncio.run(said(*arguments)))


def bodies(journal: Path) -> list[e.AnyBody]:
    with JournalReader(journal) as reader:
        return [e.decode(row.body) for row in reader.rows()]


def read_csv(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def test_the_formats_offered_are_those_that_there_are() -> None:
    assert set(OFFERED) == set(FORMATS)


def test_every_row_of_the_record_is_in_a_table(journal: Path, tmp_path: Path) -> None:
    counts = to_csv(journal, tmp_path)
    recorded = bodies(journal)
    kinds = Counter(type(body) for body in recorded)
    samples = [sample for body in recorded if isinstance(body, e.Framed) for sample in body.samples]
    assert counts["samples"] == len(samples) > 1000
    assert counts["settled"] == kinds[e.Settled] + kinds[e.Unsettled] > 0
    assert counts["checks"] == kinds[e.Checked]
    assert counts["placements"] == kinds[e.Placed] > 0
    assert counts["derived"] == sum(len(body.values) for body in recorded if isinstance(body, e.Derived)) > 0
    assert counts["entries"] == sum(
        not isinstance(
            body,
            e.Framed | e.Tick | e.Derived | e.Settled | e.Unsettled | e.Checked | e.Finding | e.Placed | e.Blob,
        )
        for body in recorded
    )
    for table, columns in TABLES.items():
        rows = read_csv(tmp_path / f"{table}.csv")
        assert len(rows) == counts[table]
        assert not rows or list(rows[0]) == [column.name for column in columns]
    sent = read_csv(tmp_path / "samples.csv")
    assert [(row["channel"], row["sent"], row["sent_unit"]) for row in sent] == [
        (sample.channel, "" if sample.value is None else repr(sample.value), sample.unit) for sample in samples
    ]


def test_what_settled_is_as_recorded(journal: Path, tmp_path: Path) -> None:
    to_csv(journal, tmp_path)
    rows = [row for row in read_csv(tmp_path / "settled.csv") if row["settled"] == "True"]
    recorded = [body for body in bodies(journal) if isinstance(body, e.Settled)]
    assert [(r["name"], float(r["value"]), float(r["low"]), r["unit"]) for r in rows] == [
        (b.name, b.value, b.low, b.unit) for b in recorded
    ]


def test_parquet_holds_the_same_with_types(journal: Path, tmp_path: Path) -> None:
    counts = to_parquet(journal, tmp_path)
    assert {file.suffix for file in tmp_path.iterdir()} == {".parquet"}
    for table, columns in TABLES.items():
        found = duckdb.sql(f"SELECT * FROM '{tmp_path / table}.parquet'")
        assert found.columns == [column.name for column in columns]
        # the library names the type by its whole name
        wanted = {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}
        assert [str(kind) for kind in found.types] == [wanted.get(column.type, column.type) for column in columns]
        assert len(found.fetchall()) == counts[table]
    mean = duckdb.sql(f"SELECT avg(value) FROM '{tmp_path}/readings.parquet' WHERE name = 'vapor_service_pressure'")
    csv_folder = tmp_path / "csv"
    to_csv(journal, csv_folder)
    values = [float(r["value"]) for r in read_csv(csv_folder / "readings.csv") if r["name"] == "vapor_service_pressure"]
    assert mean.fetchall()[0][0] == pytest.approx(sum(values) / len(values), rel=1e-12)


@pytest.mark.parametrize("to", FORMATS)
def test_what_is_cut_short_leaves_what_was_there(journal: Path, tmp_path: Path, to: str) -> None:
    (tmp_path / "samples.csv").write_text("of another visit")

    def cut(done: int, of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        FORMATS[to](journal, tmp_path, cut)
    assert [(file.name, file.read_text()) for file in tmp_path.iterdir()] == [("samples.csv", "of another visit")]


def test_a_spreadsheet_is_given_no_formula(tmp_path: Path) -> None:
    by, low = "=1+1", Sample("t1", -40.0, "")
    rows = [
        (0.0, PIPES),
        (1.0, e.Placed(instrument="pipes", channel="t1", system="main", point="vapor_line_temperature", by=by)),
        (2.0, e.Framed(instrument="pipes", raw=b"", samples=(low,))),
    ]
    journal = write_journal(tmp_path / "j", rows)
    to_csv(journal, tmp_path)
    assert read_csv(tmp_path / "placements.csv")[0]["by"] == f"'{by}"
    assert read_csv(tmp_path / "samples.csv")[0]["sent"] == "-40.0"  # a number stays one
    to_parquet(journal, tmp_path)
    assert duckdb.sql(f"""SELECT "by" FROM '{tmp_path}/placements.parquet'""").fetchall() == [(by,)]
    assert [inert(text) for text in ("", "a=1", "@x", "-1", "\tx")] == ["", "a=1", "'@x", "'-1", "'\tx"]


# RFC 8428, section 4.5.1: the characters of a name, base name and name put together
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


def test_senml_is_a_pack_by_rfc_8428(journal: Path, tmp_path: Path) -> None:
    to_senml(journal, tmp_path)
    pack: Sequence[dict[str, Any]] = json.loads((tmp_path / "readings.senml.json").read_text())
    base = ""
    names = set()
    for record in pack:
        base = record.get("bn", base)
        name = base + record["n"]
        assert _NAME.fullmatch(name)
        assert isinstance(record["v"], float | int)
        assert record["t"] >= 2**28  # section 4.5.3: absolute times only
        assert "u" in record or ":" in record["n"]
        names.add(record["n"])
    assert pack[0]["bn"]
    assert {"main/vapor_service_pressure", "main/total_superheat"} <= names
    assert {record["u"] for record in pack if record["n"] == "main/vapor_service_pressure"} == {"Pa"}


def test_photos_come_with_the_tables_and_are_told_when_they_are_not_whole(tmp_path: Path) -> None:
    bench = a_short_visit()
    closed = bench.rows.pop()
    sha = hashlib.sha256(PHOTO).hexdigest()
    whole = [
        e.Blob(
            sha256=sha, media_type="image/jpeg", size=len(PHOTO), part=n, parts=2, data=PHOTO[n * 10 :][: 10 + n * 99]
        )
        for n in (0, 1)
    ]
    lone = e.Blob(sha256="00" * 32, media_type="image/png", size=9, part=0, parts=2, data=b"123")
    seq, t = closed[0], closed[1]
    for blob in (*whole, lone):
        bench.rows.append((seq, t, "blob", e.encode(blob)))
        seq += 1
    bench.rows.append((seq, *closed[1:]))
    record = read_visit(seal_it(bench, tmp_path / "spring-2.journal"))
    assert (record.photos[sha].data, record.photos[sha].whole) == (PHOTO, True)
    assert not record.photos["00" * 32].whole
    asked = lineset("export", str(tmp_path / "spring-2.journal"), "--out", str(tmp_path / "out"), "--json")
    assert asked.returncode == 0, asked.stderr
    assert (tmp_path / "out" / f"{sha}.jpg").read_bytes() == PHOTO
    assert json.loads(asked.stdout)["rows"]["photos"] == 2
    told = json.loads((tmp_path / "out" / "columns.json").read_text())
    assert set(told) == set(TABLES)


def test_a_record_is_read_whole(journal: Path) -> None:
    record = read_visit(journal)
    assert record.opened.visit
    assert [phase for phase, _ in record.phases()] == ["before", "before", "after"]
    assert record.closed is not None
    assert record.seal is not None
    assert record.sealed_well
    assert record.head == record.seal.head.hex()
    assert set(record.systems) == {"main"}
    placed = [body.point for _, body in record.of(e.Placed)]
    assert placed == [body.point for body in bodies(journal) if isinstance(body, e.Placed)]
    times = [record.wall(entry) for entry in record.entries]
    assert times == sorted(times)


def test_what_is_no_visit_is_said(tmp_path: Path) -> None:
    bench = a_short_visit()
    opened = e.decode(bench.rows[0][3])
    assert isinstance(opened, e.Opened)
    bench.rows[0] = (*bench.rows[0][:3], e.encode(e.Opened(station="van", wall_ns=1, version="0", fingerprint="f")))
    path = seal_it(bench, tmp_path / "between.journal")
    with pytest.raises(NotAVisitError, match="holds no visit"):
        read_visit(path)


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("nowhere",), 2, "no visit of that name"),
        (("{journal}", "--to", "xls"), 2, "use csv, parquet, senml"),
        (("{text}",), 1, "not a lineset journal"),
        (("{journal}", "--out", "{text}/below"), 1, "Not a directory"),
    ],
)
def test_what_cannot_be_exported_says_why(
    journal: Path, tmp_path: Path, arguments: Sequence[str], code: int, says: str
) -> None:
    text = tmp_path / "a.txt"
    text.write_text("hello " * 100)
    given = [word.format(journal=journal, text=text) for word in arguments]
    asked = lineset("export", "--out", str(tmp_path / "o"), "--data", str(tmp_path), *given)
    assert asked.returncode == code
    assert says in asked.stderr
