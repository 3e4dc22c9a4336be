"""Any selection of the shop's record as files: whole, typed, documented, and never half of a file."""

from __future__ import annotations

import asyncio
import csv
import json
import os
from pathlib import Path
from typing import Any

import duckdb
import pytest
from cli_process import said
from engine_entries import PIPES
from sealed_journal import a_short_visit, seal_it
from shop_blocks import write_journal
from shop_rig import Postgres, make_shop
from shop_visit import put_visit
from typer.testing import CliRunner

from lineset.audit.export import to_csv
from lineset.cli.main import app
from lineset.contract import entry as e
from lineset.journal.reader import JournalReader
from lineset.journal.verify import verify
from lineset.shop.database import connected
from lineset.shop.exporting import PRIVATE, ExportError, export
from lineset.shop.received import Selection
from lineset_drivers.frame import Sample

TYPED = ("readings", "settled_values", "visits")


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    bench, folder = a_short_visit(), tmp_path_factory.mktemp("visits")
    return [seal_it(bench, folder / f"spring-{n}.journal") for n in (1, 2)]


@pytest.fixture(scope="module")
def database(postgres: Postgres, journals: list[Path]) -> Any:
    name = postgres.new_database()

    async def fill() -> None:
        async with connected(postgres.address(name)) as db:
            for journal in journals:
                await put_visit(db, journal, None)

    asyncio.run(fill())
    yield name
    postgres.drop(name)


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


async def test_csv_holds_what_the_journals_hold(
    postgres: Postgres, database: str, journals: list[Path], tmp_path: Path
) -> None:
    steps: list[tuple[int, int]] = []
    address = postgres.address(database, "auditor")
    written = await export(address, Selection(), tmp_path / "out", progress=lambda done, of: steps.append((done, of)))
    assert written.visits == 2
    assert steps[-1][0] == steps[-1][1] == len(steps)
    counts = to_csv(journals[0], tmp_path / "journal")
    assert (written.rows["readings"], written.rows["derived_values"]) == (2 * counts["samples"], 2 * counts["derived"])
    assert (written.rows["verdicts"], written.rows["placements"]) == (2 * counts["checks"], 2 * counts["placements"])
    here = [row for row in rows_of(tmp_path / "out" / "readings.csv") if row["visit"] == "spring-1"]
    there = rows_of(tmp_path / "journal" / "samples.csv")
    assert [(r["seq"], r["channel"], r["sent"] and float(r["sent"])) for r in here] == [
        (r["seq"], r["channel"], r["sent"] and float(r["sent"])) for r in there
    ]
    told = json.loads((tmp_path / "out" / "columns.json").read_text())
    files = {file.stem for file in (tmp_path / "out").glob("*.csv")}
    assert set(told) == files == set(written.rows)
    assert not files & set(PRIVATE)
    for table in files:
        head = (tmp_path / "out" / f"{table}.csv").read_text().splitlines()[0]
        assert head.split(",") == [column["name"] for column in told[table]]
        assert all(column["about"] for column in told[table])


async def test_parquet_holds_the_same_with_types(postgres: Postgres, database: str, tmp_path: Path) -> None:
    address = postgres.address(database, "auditor")
    written = await export(
        address, Selection(), tmp_path, to="parquet", tables=("readings", "settled_values", "visits")
    )
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "columns.json", "readings.parquet", "settled_values.parquet", "visits.parquet",
    ]  # fmt: skip
    told = json.loads((tmp_path / "columns.json").read_text())
    for table, count in written.rows.items():
        found = duckdb.sql(f"SELECT * FROM '{tmp_path}/{table}.parquet'")
        wanted = {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}
        assert [str(kind) for kind in found.types] == [wanted.get(c["type"], c["type"]) for c in told[table]]
        assert len(found.fetchall()) == count > 0
    # an empty text is one, a missing value is none
    query = f"SELECT count(*), count(system), count(value) FROM '{tmp_path}/readings.parquet' WHERE point = ''"
    everything, texts, _ = duckdb.sql(query).fetchall()[0]
    assert everything == texts
    async with connected(address) as db:
        mean = await db.fetchval("SELECT avg(value) FROM record.readings WHERE point = 'vapor_service_pressure'")
    query = f"SELECT avg(value) FROM '{tmp_path}/readings.parquet' WHERE point = 'vapor_service_pressure'"
    assert duckdb.sql(query).fetchall()[0][0] == pytest.approx(mean, rel=1e-12)


async def test_a_selection_is_all_that_is_written(postgres: Postgres, database: str, tmp_path: Path) -> None:
    address = postgres.address(database, "auditor")
    one = await export(address, Selection(visits=("spring-2",)), tmp_path / "one", tables=("readings",))
    assert one.visits == 1
    assert {row["visit"] for row in rows_of(tmp_path / "one" / "readings.csv")} == {"spring-2"}
    none = await export(address, Selection(), tmp_path / "none", systems=("upstairs",))
    assert (none.visits, sum(none.rows.values())) == (0, 0)
    main = await export(address, Selection(), tmp_path / "main", systems=("main",), tables=("readings", "visits"))
    assert main.rows["visits"] == 2
    assert {row["system"] for row in rows_of(tmp_path / "main" / "readings.csv")} == {"main"}


async def test_what_goes_wrong_leaves_the_old_file_and_no_scrap(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    address = postgres.address(database, "auditor")
    await export(address, Selection(), tmp_path, tables=("readings",))
    before = (tmp_path / "readings.csv").read_bytes()

    def fail(done: int, of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        await export(address, Selection(visits=("spring-1",)), tmp_path, tables=("readings",), progress=fail)
    assert (tmp_path / "readings.csv").read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["columns.json", "readings.csv"]


async def test_a_disk_that_is_full_is_not_taken_for_the_database(
    postgres: Postgres, database: str, tmp_path: Path
) -> None:
    (tmp_path / f".visits.csv.{os.getpid()}.part").symlink_to("/dev/full")
    with pytest.raises(ExportError, match="cannot be written"):
        await export(postgres.address(database, "auditor"), Selection(), tmp_path, tables=("visits",))
    assert not list(tmp_path.iterdir())


async def test_a_spreadsheet_is_given_no_formula(postgres: Postgres, tmp_path: Path) -> None:
    name = postgres.new_database()
    said = e.Observed(system="main", text='=HYPERLINK("http://example.org")', by="+1")
    low = e.Framed(instrument="pipes", raw=b"", samples=(Sample("t1", -40.0, ""),))
    journal = write_journal(tmp_path / "j", [(0, PIPES), (1, said), (2, low), (3, e.Closed(by="t"))])
    async with connected(postgres.address(name)) as db:
        await put_visit(db, journal, None)
    for to in ("csv", "parquet"):
        address = postgres.address(name, "auditor")
        await export(address, Selection(), tmp_path / to, to=to, tables=("observations", "readings"))
    (cell,) = rows_of(tmp_path / "csv" / "observations.csv")
    assert (cell["text"], cell["by"]) == ("'" + said.text, "'+1")
    (number,) = rows_of(tmp_path / "csv" / "readings.csv")
    assert float(number["sent"]) == -40.0
    query = f"""SELECT text, "by" FROM '{tmp_path}/parquet/observations.parquet'"""
    assert duckdb.sql(query).fetchall() == [(said.text, "+1")]
    postgres.drop(name)


def run(*arguments: str) -> tuple[int, str, str]:
    """The verb in this process: exit code, output, errors."""
    result = CliRunner().invoke(app, list(arguments))
    return result.exit_code, result.stdout.strip(), result.stderr.strip()


def test_the_verb_writes_and_says_what_it_cannot(postgres: Postgres, database: str, tmp_path: Path) -> None:
    shop = ("--shop", "--shop-folder", str(make_shop(tmp_path / "shop", postgres, database)))
    code, out, err = run("export", *shop, "--to", "parquet", "--out", str(tmp_path / "o"), "--table", "verdicts")
    assert (code, err) == (0, "")
    assert out.startswith("2 visits written to ")
    assert (tmp_path / "o" / "verdicts.parquet").is_file()
    code, out, _ = run("export", "spring-1", *shop, "--out", str(tmp_path / "p"), "--json", "--since", "2026-09-01")
    told = json.loads(out)
    assert (code, told["visits"]) == (0, 1)
    assert told["rows"]["readings"] > 1000
    for arguments, code, words in (
        (("--to", "senml"), 2, "csv, parquet or journal"),
        (("--visit", "spring-9"), 2, "no visit of this name"),
        (("--visit", "other/spring-1"), 2, "no visit of this name"),
        (("--to", "journal", "--station", "van-9"), 2, "no station of this name"),
        (("--table", "secrets"), 1, "there is no such table"),
        (("--out", str(tmp_path / "shop" / "shop.toml" / "x")), 1, "Not a directory"),
    ):
        got, _, err = run("export", *shop, "--out", str(tmp_path / "q"), *arguments)
        assert (got, words in err) == (code, True), err
    assert not (tmp_path / "q").exists()
    _, out, _ = run("export", "van/spring-1", *shop, "--table", "visits", "--out", str(tmp_path / "one"))
    assert out.startswith("1 visit written to ")
    got, _, err = run("export", "--table", "visits")
    assert (got, "are for --shop" in err) == (2, True)


async def test_journals_come_back_as_the_station_had_them(
    postgres: Postgres, database: str, journals: list[Path], tmp_path: Path
) -> None:
    shop = ("--shop", "--shop-folder", str(make_shop(tmp_path / "shop", postgres, database)))
    code, out, err = await said("export", *shop, "--to", "journal", "--out", str(tmp_path / "back"))
    assert (code, err) == (0, "")
    assert "2 journals" in out
    for journal in journals:
        again = tmp_path / "back" / f"van.{journal.name}"
        assert verify(again).ok
        with JournalReader(journal) as one, JournalReader(again) as other:
            assert list(one.stored_rows()) == list(other.stored_rows())
            assert (one.meta, one.seal()) == (other.meta, other.seal())
    code, _, err = await said("export", *shop, "--to", "journal", "--out", str(tmp_path / "back"))
    assert (code, "already there" in err) == (1, True)
    async with connected(postgres.address(database)) as db:
        await db.execute("UPDATE lineset.block SET hash = sha256(hash) WHERE n = 3")
        code, _, err = await said("export", *shop, "--to", "journal", "--out", str(tmp_path / "bad"))
        assert (code, "the bytes of block 3 are not what was hashed" in err) == (1, True)
        assert not list((tmp_path / "bad").iterdir())
