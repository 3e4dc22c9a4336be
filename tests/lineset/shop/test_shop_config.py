"""The shop's settings: read back as written, and every wrong one named with what to do."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop_rig import Postgres

from lineset.shop.database import connected
from lineset.shop.errors import DatabaseError, NoShopError, ShopSettingsError
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import (
    DATABASE_ROLES,
    BoardSettings,
    BrokerSettings,
    CollectorSettings,
    DatabaseSettings,
    MetricsSettings,
    NodeSettings,
    RetentionSettings,
    ShopConfig,
    ShopPart,
    database_parts,
    load_shop,
)

FULL = ShopConfig(
    shop=ShopPart(name="north", language="es"),
    broker=BrokerSettings(
        kind="nats",
        listen="127.0.0.1",
        node=tuple(NodeSettings(name=f"n{n}", host=f"{n}.shop.example", port=8880 + n) for n in (1, 2, 3)),
        here=("n2",),
        allowed_origins=('https://board.example:8940/"quoted"',),
        hand_over=("rsync", "-aR", "{path}", "{host}:shop/"),
    ),
    database_settings=DatabaseSettings(embedded=False, url="postgresql://db.example:5433/shop", ca="/etc/ca.pem"),
    collector=CollectorSettings(count=3),
    board=BoardSettings(port=1234, network=True, certificate="c.pem", key="k.pem"),
    retention=RetentionSettings(months=12, reading_months=3),
    metrics=MetricsSettings(port=0),
)


def written(folder: Path, text: str) -> Path:
    (folder / "shop.toml").write_text(text)
    return folder


def credentials(folder: Path, name: str, user: str, password: str) -> None:
    (folder / "secrets").mkdir(exist_ok=True)
    file = folder / "secrets" / f"{name}.toml"
    file.write_text(f'username = "{user}"\npassword = "{password}"\n')
    file.chmod(0o600)


def test_what_is_written_is_read_back_the_same(tmp_path: Path) -> None:
    for config in (
        FULL,
        ShopConfig(shop=ShopPart(name="a"), broker=BrokerSettings(embedded=False, urls=("mqtts://b",))),
    ):
        found = load_shop(written(tmp_path, settings_text(config)))
        assert found == msgspec.structs.replace(config, folder=tmp_path.resolve())


@given(st.text(st.characters(exclude_categories=["Cs"])), st.lists(st.text(st.characters(exclude_categories=["Cs"]))))
def test_any_path_and_any_list_is_written_so_that_it_is_read_back(text: str, texts: list[str]) -> None:
    config = msgspec.structs.replace(
        FULL,
        board=BoardSettings(certificate=text, key=text, notes_for=tuple(texts)),
        broker=msgspec.structs.replace(FULL.broker, allowed_origins=tuple(texts)),
    )
    assert msgspec.toml.decode(settings_text(config), type=ShopConfig) == config


def test_our_own_parts_go_to_the_nodes_of_this_machine_first(tmp_path: Path) -> None:
    credentials(tmp_path, "broker-collector", "shop.collector", "pw")
    config = load_shop(written(tmp_path, settings_text(FULL)))
    found = config.broker_addresses("collector")
    assert [str(each) for each in found] == [
        "mqtts://127.0.0.1:8882",
        "mqtts://1.shop.example:8881",
        "mqtts://3.shop.example:8883",
    ]
    assert {(each.username, each.password) for each in found} == {("shop.collector", "pw")}
    assert "pw" not in repr(found)
    assert config.station_urls == tuple(f"mqtts://{n}.shop.example:888{n}" for n in (1, 2, 3))


def test_a_database_beyond_loopback_is_reached_over_tls_only(tmp_path: Path) -> None:
    credentials(tmp_path, "database-board", "lineset_board", "pw")
    far = load_shop(written(tmp_path, settings_text(msgspec.structs.replace(
        FULL, database_settings=DatabaseSettings(embedded=False, url="postgresql://db.example/shop")))))  # fmt: skip
    arguments = far.database("board").connect_args()
    assert arguments["ssl"].check_hostname
    assert (arguments["host"], arguments["port"], arguments["database"]) == ("db.example", 5432, "shop")
    assert "pw" not in repr(far.database("board"))
    near = load_shop(written(tmp_path, settings_text(msgspec.structs.replace(
        FULL, database_settings=DatabaseSettings(port=5999)))))  # fmt: skip
    assert near.database("board").connect_args()["ssl"] is False
    assert near.database("board").port == 5999


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "shop"),
        ('[shop]\nname = "North"', "a-z"),
        ('[shop]\nname = "n"\nlanguage = "fr"', "fr"),
        ('[shop]\nname = "n"\n[broker]\nembedded = true', "0 nodes"),
        ('[shop]\nname = "n"\n[broker]\nembedded = false', "urls"),
        ('[shop]\nname = "n"\n[brokr]\nembedded = false', "brokr"),
        ('[shop]\nname = "n"\n[broker]\nembedded = false\nurls = ["mqtts://b"]\n[collector]\ncount = 0', "below 1"),
        ('[shop]\nname = "n"\n[broker]\nembedded = false\nurls = ["mqtts://b"]\n[retention]\nmonths = 0', "months"),
        ('[shop]\nname = "n"\n[broker]\nhere = ["n9"]\n[[broker.node]]\nname = "n1"\nhost = "h"', "n9"),
        ('[shop]\nname = "n"\n[[broker.node]]\nname = "n1"\nhost = "h"\nport = 99999', "99999"),
        (
            '[shop]\nname = "n"\n[broker]\nembedded = false\nurls = ["mqtts://b"]\n[database]\nembedded = false',
            "address",
        ),
        ("[shop\n", "line"),
    ],
)
def test_a_wrong_setting_is_named(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(ShopSettingsError, match=says) as caught:
        load_shop(written(tmp_path, text))
    assert caught.value.remedy


def test_no_shop_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(NoShopError, match="lineset shop init"):
        load_shop(tmp_path)


@pytest.mark.parametrize(
    "url", ["mysql://h/n", "postgresql://h", "postgresql://:p@h/n", "postgresql://h/n?x=1", "", "postgresql://h:x/n"]
)
def test_database_urls_that_are_refused(url: str) -> None:
    with pytest.raises(ShopSettingsError, match="postgresql://HOST:PORT/NAME") as caught:
        database_parts(url)
    assert ":p" not in str(caught.value)


def test_secrets_that_others_can_read_are_refused(tmp_path: Path) -> None:
    credentials(tmp_path, "database-owner", "lineset_owner", "pw")
    (tmp_path / "secrets" / "database-owner.toml").chmod(0o644)
    with pytest.raises(ShopSettingsError, match="chmod 600"):
        load_shop(written(tmp_path, settings_text(FULL))).database("owner")


async def test_every_role_logs_in_with_its_own_password_and_with_no_other(
    shop_config: ShopConfig, postgres: Postgres
) -> None:
    for role in DATABASE_ROLES:
        address = shop_config.database(role)
        async with connected(address) as connection:
            assert await connection.fetchval("SELECT current_user") == f"lineset_{role}"
            assert not await connection.fetchval(
                "SELECT rolsuper OR rolcreaterole FROM pg_roles WHERE rolname = current_user"
            )
            assert await connection.fetchval("SELECT count(*) > 0 FROM pg_tables WHERE schemaname = 'lineset'")
        with pytest.raises(DatabaseError, match="password authentication failed"):
            async with connected(address, password="wrong"):
                pass
