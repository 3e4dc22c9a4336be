"""Users and certificates reach the other machines of a cluster: folders here, and cp for the owner's command."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from shop_rig import Postgres, make_shop
from typer.testing import CliRunner

from lineset.cli.main import app
from lineset.shop import handing_over, stations
from lineset.shop.errors import ShopSettingsError
from lineset.shop.handing_over import keep_others
from lineset.shop.in_force import put_in_force
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import ShopConfig, load_shop

WAIT_S = 30.0


@pytest.fixture
def cluster(postgres: Postgres, tmp_path: Path) -> Iterator[ShopConfig]:
    """A shop of three nodes, n1 here; the folders `others/b.lan` and `others/c.lan` are the other machines."""
    name = postgres.new_database()
    config = load_shop(make_shop(tmp_path / "shop", postgres, name, nodes=3))
    one, *rest = config.broker.node
    named = [msgspec.structs.replace(node, host=host) for node, host in zip(rest, ("b.lan", "c.lan"), strict=True)]
    command = ("cp", "{path}", f"{tmp_path}/others/{{host}}/{{path}}")
    broker = msgspec.structs.replace(config.broker, node=(one, *named), here=("n1",), hand_over=command)
    (config.folder / "shop.toml").write_text(settings_text(msgspec.structs.replace(config, broker=broker)))
    yield load_shop(config.folder)
    postgres.drop(name)


def machine(config: ShopConfig, host: str) -> Path:
    """Make the folder of another machine; its file of users, which is not there yet."""
    folder = config.folder.parent / "others" / host
    for name in ("broker", "certificates"):
        (folder / name).mkdir(parents=True)
    return folder / "broker" / "users.conf"


def users(config: ShopConfig) -> bytes:
    return (config.folder / "broker" / "users.conf").read_bytes()


async def until_same(config: ShopConfig, there: Path) -> None:
    async with asyncio.timeout(WAIT_S):
        while not there.exists() or there.read_bytes() != users(config):
            await asyncio.sleep(0.02)


async def test_a_change_is_handed_over_and_whom_it_did_not_reach_is_named(cluster: ShopConfig) -> None:
    there = machine(cluster, "b.lan")
    stations.add(cluster, "van-1")
    told = await put_in_force(cluster)
    assert told["elsewhere"].startswith("handed over to b.lan,")
    assert told["not_yet_at"].startswith("c.lan (broker/users.conf: cp ended with 1: ")
    assert there.read_bytes() == users(cluster)
    assert sorted(path.name for path in there.parent.parent.joinpath("certificates").iterdir()) == ["n2.key", "n2.pem"]
    arguments = ("shop", "station", "revoke", "van-1", "--json", "--folder", str(cluster.folder))
    result = await asyncio.to_thread(CliRunner().invoke, app, arguments)
    assert (result.exit_code, "c.lan" in json.loads(result.stdout)["not_yet_at"]) == (1, True)
    assert b"van-1" not in there.read_bytes()


async def test_a_command_that_is_not_there_or_does_not_end_is_told(
    cluster: ShopConfig, monkeypatch: pytest.MonkeyPatch
) -> None:
    stations.add(cluster, "van-1")
    for command, why, seconds in (
        (("/no/such", "{path}{host}"), "cannot be run", 60.0),
        (("sleep", "60"), "did not end", 0.1),
    ):
        monkeypatch.setattr(handing_over, "_COMMAND_S", seconds)
        broker = msgspec.structs.replace(cluster.broker, hand_over=command)
        told = await put_in_force(msgspec.structs.replace(cluster, broker=broker))
        assert "elsewhere" not in told
        assert told["not_yet_at"].count(why) == 2


async def test_who_was_away_is_given_it_later(cluster: ShopConfig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(handing_over, "RETRY_S", 0.05)
    monkeypatch.setattr(handing_over, "_LOOK_S", 0.05)
    b = machine(cluster, "b.lan")
    stations.add(cluster, "van-1")
    keeping = asyncio.create_task(keep_others(cluster))
    await until_same(cluster, b)
    c = machine(cluster, "c.lan")
    await until_same(cluster, c)
    stations.add(cluster, "van-2")
    await until_same(cluster, b)
    await until_same(cluster, c)
    keeping.cancel()
    await asyncio.wait({keeping})
    assert keeping.cancelled()


async def test_without_a_command_the_owner_is_told_to_copy(cluster: ShopConfig) -> None:
    broker = msgspec.structs.replace(cluster.broker, hand_over=())
    config = msgspec.structs.replace(cluster, broker=broker)
    assert "copy broker/users.conf" in (await put_in_force(config))["elsewhere"]
    await keep_others(config)  # has nothing to do, and ends


def test_a_command_that_names_no_file_or_no_host_is_refused(cluster: ShopConfig) -> None:
    broker = msgspec.structs.replace(cluster.broker, hand_over=("rsync", "{path}", "b.lan:shop/"))
    (cluster.folder / "shop.toml").write_text(settings_text(msgspec.structs.replace(cluster, broker=broker)))
    with pytest.raises(ShopSettingsError, match="hand_over"):
        load_shop(cluster.folder)
