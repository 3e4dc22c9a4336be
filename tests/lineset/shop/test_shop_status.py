"""How a shop stands, in numbers and in sentences."""

from __future__ import annotations

import msgspec
from shop_rig import running_broker

from lineset.shop import stations
from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.shop.shop_status import ShopStatus, look, sentences
from lineset.stream.broker import free_port


async def test_what_waits_and_what_was_set_aside_is_counted(shop_config: ShopConfig) -> None:
    for name in ("van-1", "van-2"):
        stations.add(shop_config, name)
    stations.revoke(shop_config, "van-2")
    async with connected(shop_config.database("owner")) as connection:
        await connection.execute(
            "INSERT INTO lineset.waiting_block (station, visit, n, part, parts, hash, sha256, payload, received_at) "
            "VALUES ('van-1', 'v1', 3, 0, 1, 'h', 'x', 'x', now() - interval '90 s'), "
            "('van-1', 'v1', 4, 0, 1, 'h', 'y', 'y', now())"
        )
        await connection.execute(
            "INSERT INTO lineset.set_aside (station, visit, n, reason, words, sha256, payload, taken_at) VALUES "
            "('van-1', 'v1', 1, 'forged', 'w', 'x', 'x', NULL), ('van-1', 'v2', 1, 'newer', 'w', 'x', 'x', now())"
        )
    async with running_broker(shop_config):
        found = await look(shop_config)
    assert (found.waiting, found.set_aside, found.stations, found.revoked) == (2, 1, 1, 1)
    assert found.waiting_s is not None
    assert 90 <= found.waiting_s < 120
    assert found.down == ("collector c1", "board")
    said = "\n".join(sentences(found))
    for words in ("2 blocks wait", "1 message was not taken", "1 station, 1 revoked", "board", "does not run here"):
        assert words in said


async def test_a_database_that_is_away_is_told_and_the_rest_is_shown(shop_config: ShopConfig) -> None:
    text = (shop_config.folder / "shop.toml").read_text()
    (shop_config.folder / "shop.toml").write_text(
        text.replace(shop_config.database_settings.url, "postgresql://127.0.0.1:1/x")
    )
    found = await look(load_shop(shop_config.folder))
    assert "127.0.0.1:1" in found.database_problem
    assert found.certificate_days["n1"] > 800
    assert any("database:" in line for line in sentences(found))


async def test_an_embedded_database_that_does_not_run_is_started_with_the_shop(shop_config: ShopConfig) -> None:
    settings = msgspec.structs.replace(shop_config.database_settings, embedded=True, url="", port=free_port())
    found = await look(msgspec.structs.replace(shop_config, database_settings=settings))
    assert found.database_problem.endswith("the shop's database does not run. Start the shop: lineset shop run")


def test_one_is_told_as_one() -> None:
    status = ShopStatus(
        shop="north", folder="", parts=(), down=(), stations=2, revoked=0, certificate_days={}, visits=1, waiting=1
    )
    said = "\n".join(sentences(status))
    for words in ("2 stations, 0", "1 visit, 0 not sealed", "1 block waits for"):
        assert words in said


async def test_another_machine_of_a_cluster_runs_its_node_only(shop_config: ShopConfig) -> None:
    for secret in (shop_config.folder / "secrets").glob("database-*"):
        secret.unlink()
    async with running_broker(shop_config):
        found = await look(shop_config)
    assert found.down == ()
    assert "broker nodes only" in found.database_problem
    assert msgspec.json.encode(found)
