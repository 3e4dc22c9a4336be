"""`lineset audit --shop` as people run it: the whole shop, a visit of the shop's, files beside it; what it refuses."""

from __future__ import annotations

import asyncio
import re
import shutil
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from cli_process import said
from sealed_journal import a_tiny_visit
from shop_audits import a_visit, forged, renumbered, write
from shop_rig import Postgres
from shop_visit import put_visit, sent_blocks
from typer.testing import CliRunner

from lineset.audit.audit_record import Audit
from lineset.audit.signed_audit import read_signed
from lineset.cli.main import app
from lineset.journal.block import BlockRule
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.shop.database import connected
from lineset.shop.shop_config import load_shop


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[StationKey, StationKey]:
    folder = tmp_path_factory.mktemp("keys")
    return StationKey.generate(folder / "station"), StationKey.generate(folder / "other")


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return a_visit()


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory, rows: list[Row], keys: tuple[StationKey, StationKey]) -> Path:
    return write(tmp_path_factory.mktemp("visits") / "spring-1.journal", rows, keys[0])


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory, keys: tuple[StationKey, StationKey]) -> Path:
    path = tmp_path_factory.mktemp("visits") / "tiny.journal"
    return write(path, a_tiny_visit(), keys[0], {"station": "van", "visit": "tiny"}, BlockRule(rows=8))


def run(*arguments: str) -> tuple[int, str, str]:
    """The verb in this process: exit code, output, errors."""
    result = CliRunner().invoke(app, list(arguments))
    return result.exit_code, result.stdout.strip(), result.stderr.strip()


async def stored(postgres: Postgres, folder: Path, path: Path, key: StationKey) -> None:
    """Into the database of the shop in `folder`, for good."""
    name = load_shop(folder).database("owner").name
    async with connected(postgres.address(name)) as connection:
        await put_visit(connection, path, key.public)


def test_the_verb_audits_what_the_shop_has_and_files_beside_it(
    postgres: Postgres,
    shop_folder: Path,
    original: Path,
    tiny: Path,
    rows: list[Row],
    keys: tuple[StationKey, StationKey],
    tmp_path: Path,
) -> None:
    for path in (original, tiny):
        asyncio.run(stored(postgres, shop_folder, path, keys[0]))
    where = ("--shop", "--shop-folder", str(shop_folder), "--data", str(tmp_path))
    code, out, err = asyncio.run(said("audit", *where, "--jobs", "2", "--out", str(tmp_path / "out")))
    assert (code, err) == (0, "")
    assert "2 records: 2 pass, 0 fail, 0 could not be looked at" in out
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "van-spring-1.audit.json",
        "van-tiny.audit.json",
    ]
    signed = read_signed(tmp_path / "out" / "van-tiny.audit.json")
    assert signed.signed_well()
    assert signed.content().shop.through == sent_blocks(tiny)[-1][0].last  # type: ignore[union-attr]
    changed = renumbered(rows[:200] + rows[201:])
    with JournalReader(original) as reader:
        doctored = forged(tmp_path / "doctored.journal", dict(reader.meta), changed, keys[0])
    code, out, _ = run("audit", str(doctored), "van/tiny", *where, "--jobs", "1")
    assert code == 1
    assert "PASS  van/tiny" in out
    assert re.search(r"entry 201: the shop received an entry \(.*\), the file says no such thing", out)
    assert "after it was closed by the station's own clock" in out
    assert "blocks of the file are as received" in out
    assert "which wire or pipe a clamp or probe was on" in out
    code, out, _ = run("audit", *where, "--json", "--station", "van", "--since", "2026-09-01", "--until", "2027-01-01")
    assert code == 0
    told = msgspec.json.decode(out, type=list[Audit])
    assert [each.visit for each in told] == ["spring-1", "tiny"]
    assert all(each.shop is not None and each.shop.receipts for each in told)
    (tmp_path / "handed-over").mkdir()
    shutil.copy(tiny, tmp_path / "handed-over")
    code, out, _ = run("audit", str(tmp_path / "handed-over"), *where)
    assert code == 0
    assert "at the shop and not here, of the same stations: van/spring-1" in out
    code, _, err = run("audit", *where, "van-2/tiny")
    assert (code, "has received no visit of that name" in err) == (2, True)
    code, _, err = run("audit", *where, "--station", "van-9")
    assert (code, err) == (2, "lineset audit: shop north has received no such visit")


def test_what_cannot_be_asked_says_so(shop_folder: Path, tmp_path: Path) -> None:
    code, _, err = run("audit", "--shop", "--shop-folder", str(shop_folder))
    assert (code, err) == (2, "lineset audit: shop north has received no visit yet")
    code, _, err = run("audit", "--shop", "--shop-folder", str(tmp_path / "none"))
    assert code == 2
    assert "there is no shop here" in err
    code, _, err = run("audit", "--shop", "--shop-folder", str(shop_folder), "--since", "last week")
    assert (code, "this is no day or time" in err) == (2, True)
    code, _, err = run("audit", "--station", "van")
    assert (code, "for --shop without targets" in err) == (2, True)
    secret = shop_folder / "secrets" / "database-auditor.toml"
    secret.write_text('username = "lineset_auditor"\npassword = "another"\n')
    code, _, err = run("audit", "--shop", "--shop-folder", str(shop_folder))
    assert code == 2
    assert "password" in err
    assert "another" not in err


def test_an_audit_on_a_laptop_loads_nothing_of_the_shop(tiny: Path) -> None:
    script = (
        "import sys; from lineset.cli.main import main\n"
        f"sys.argv = ['lineset', 'audit', {str(tiny)!r}]\n"
        "try: main()\nexcept SystemExit as end: assert not end.code, end.code\n"
        "print('LOADED', sorted(n for n in sys.modules if n.startswith(('asyncpg', 'lineset.shop'))))"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert "PASS" in run.stdout
    assert run.stdout.rstrip().endswith("LOADED []")
