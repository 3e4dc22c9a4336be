"""The verbs of the shop as people use them: words, JSON and exit codes."""

from __future__ import annotations

import asyncio
import errno
import json
import os
import socket
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli_process import lineset
from shop_rig import Postgres, make_shop, postgres
from typer.testing import CliRunner

from lineset.cli import shop_station
from lineset.cli.main import app
from lineset.cli.shop_folder import complete_station
from lineset.shop import stations
from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.station.join_file import read_join

__all__ = ["postgres"]


@pytest.fixture
def shop(postgres: Postgres, tmp_path: Path) -> Iterator[ShopConfig]:
    name = postgres.new_database()
    yield load_shop(make_shop(tmp_path / "shop", postgres, name))
    postgres.drop(name)


async def said(*arguments: str) -> tuple[int, str, str]:
    """Exit code, output and errors of `lineset ARGUMENTS`, within this process."""
    result = await asyncio.to_thread(CliRunner().invoke, app, arguments)
    return result.exit_code, result.stdout, result.stderr


async def test_stations_come_and_go_while_the_shop_runs(shop: ShopConfig, tmp_path: Path) -> None:
    folder = str(shop.folder)
    async with lineset("shop", "run", "--folder", folder, "--only", "broker") as running:
        await running.until("stop it with", err=True)
        one = tmp_path / "van-1.join"
        code, out, err = await said("shop", "station", "add", "van-1", "--out", str(one), "--folder", folder)
        assert code == 0, err
        assert "in force now" in out
        assert "told" in out
        assert stat.S_IMODE(one.stat().st_mode) == 0o600
        old = read_join(one)
        assert old.station == "van-1"

        code, _, err = await said("shop", "station", "rotate", "van-1", "--out", str(one), "--folder", folder)
        assert code == 2  # nothing is overwritten
        assert "nothing was changed" in err
        two = tmp_path / "new.join"
        code, out, _ = await said("shop", "station", "rotate", "van-1", "--out", str(two), "--folder", folder, "--json")
        assert code == 0
        told = json.loads(out)
        assert (told["broker"], told["stations"]) == ("in force now", [{"station": "van-1", "file": str(two)}])
        assert read_join(two).password != old.password

        code, out, _ = await said("shop", "station", "revoke", "van-1", "--folder", folder)
        assert code == 0
        assert "cleared" in out
        code, out, _ = await said("shop", "station", "list", "--json", "--folder", folder)
        (row,) = json.loads(out)
        assert row["station"] == "van-1"
        assert row["revoked_at"]

        code, out, _ = await said("shop", "status", "--json", "--folder", folder)
        found = json.loads(out)
        assert code == 1  # collector and board do not run
        assert set(found["down"]) == {"collector c1", "board"}
        assert [part["name"] for part in found["parts"]] == ["broker n1"]
        assert (found["stations"], found["revoked"], found["set_aside"]) == (0, 1, 0)
        assert found["schema"] > 0
        assert found["certificate_days"]["n1"] > 700


async def test_wrong_words_change_nothing(shop: ShopConfig, tmp_path: Path) -> None:
    folder = str(shop.folder)
    answers = (
        await said("shop", "station", "add", "Van 1", "--folder", folder, "--out", str(tmp_path)),
        await said("shop", "station", "revoke", "van-1", "--folder", folder),
        await said("shop", "station", "add", "van-1", "--folder", folder, "--out", str(tmp_path / "none" / "x.join")),
        await said("shop", "run", "--only", "printer", "--folder", folder),
        await said("shop", "status", "--folder", str(tmp_path / "nowhere")),
        await said("shop", "init", str(tmp_path / "two"), "--nodes", "2"),
        await said("shop", "init", str(tmp_path / "half"), "--certificate", "x.pem"),
        await said("shop", "init", str(tmp_path / "names"), "--name", "North Side", "--port", "0"),
        await said("shop", "station", "add", "van-1", "van-1", "--folder", folder, "--out", str(tmp_path)),
        await said("shop", "station", "add", "van-1", "Van 2", "--folder", folder, "--out", str(tmp_path)),
        await said("shop", "token", "add", "desk", "--scope", "all", "--folder", folder),
        await said("shop", "token", "list", "--folder", str(tmp_path / "nowhere")),
        await said("shop", "station", "add", "--folder", folder, "--out", str(tmp_path), "--", "-van"),
    )
    words = ["a-z", "station list", "no folder", "broker, database", "lineset shop init", "use 3", "both", "a-z"]
    words += ["given twice", "a-z", "no scope", "lineset shop init", "begins with"]
    for (code, _, err), expected, status in zip(answers, words, (1, 1, 2, 2, 3, 2, 2, 2, 1, 1, 2, 3, 1), strict=True):
        assert (code, expected in err) == (status, True), err
    assert not (tmp_path / "names").exists()  # so that the right words find an empty place
    assert not stations.read_stations(shop).stations
    assert not list(tmp_path.glob("*.join"))


async def test_a_port_that_another_program_has_is_a_sentence(shop: ShopConfig) -> None:
    node = shop.broker.node[0]
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind((shop.broker.listen, node.port))
        other.listen()
        async with lineset("shop", "run", "--folder", str(shop.folder)) as running:
            line = await running.until("another program listens", err=True)
            assert line.startswith("lineset shop run: broker n1")
            assert await running.process.wait() == 1


async def test_a_place_that_cannot_be_written_changes_nothing(
    shop: ShopConfig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    allowed, here = (
        os.access,
        (tmp_path.resolve(), os.W_OK | os.X_OK),
    )  # root, as whom tests may run, may write anywhere
    monkeypatch.setattr("os.access", lambda path, mode: (Path(path), mode) != here and allowed(path, mode))
    code, _, err = await said("shop", "station", "add", "van-1", "--out", str(tmp_path), "--folder", str(shop.folder))
    assert (code, "nothing was changed" in err) == (2, True), err
    assert not stations.read_stations(shop).stations


async def test_a_join_file_that_cannot_be_written_is_made_anew(
    shop: ShopConfig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, join: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))

    monkeypatch.setattr(shop_station, "_write_join", full)
    code, _, err = await said("shop", "station", "add", "van-1", "--out", str(tmp_path), "--folder", str(shop.folder))
    assert code == 1
    assert "may come" in err
    assert "lineset shop station rotate van-1 --out FILE" in err


async def test_several_stations_at_once_get_a_file_each(shop: ShopConfig, tmp_path: Path) -> None:
    out = tmp_path / "files"
    out.mkdir()
    names = [f"van-{n}" for n in range(1, 4)]
    code, text, err = await said("shop", "station", "add", *names, "--out", str(out), "--folder", str(shop.folder))
    assert code == 0, err
    assert sorted(path.name for path in out.iterdir()) == [f"{name}.join" for name in names]
    assert "does not run here" in text
    assert {read_join(path).station for path in out.iterdir()} == set(names)


async def test_a_database_that_is_not_there_yet_is_something_left_to_do(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    code, out, err = await said(
        "shop", "init", str(folder), "--url", "mqtts://broker.example:8883", "--database-url",
        "postgresql://127.0.0.1:1/shop", "--json",
    )  # fmt: skip
    assert code == 0, err
    told = json.loads(out)
    assert any("psql -f" in each for each in told["to_do"])
    assert any("rights" in each for each in told["to_do"])
    roles = (folder / "roles.sql").read_text()
    assert "CREATE DATABASE shop OWNER lineset_owner" in roles
    for path in (folder / "secrets").glob("database-*.toml"):
        assert path.read_text().split('"')[3] not in roles  # verifiers only
    assert not (folder / "broker").exists()


def test_names_of_stations_are_completed(shop: ShopConfig) -> None:
    class Context:
        params = {"folder": shop.folder}  # noqa: RUF012

    for name in ("van-1", "van-2", "truck-1"):
        stations.add(shop, name)
    stations.revoke(shop, "van-2")
    assert complete_station(Context(), "van") == ["van-1"]  # type: ignore[arg-type]
