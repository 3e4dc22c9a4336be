"""The tables are made once and in order, and a database that is not ours to change is left alone."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
from shop_rig import Postgres

from lineset.shop.database import connect, connected
from lineset.shop.errors import AlteredSchemaError, DatabaseError, NewerSchemaError
from lineset.shop.migrating import Migration, check_schema, migrate, migrations, missing, prepare_database
from lineset.shop.shop_config import DatabaseAddress, ShopConfig

ONE = Migration(1, "0001_one.sql", "CREATE TABLE lineset.one (n integer)")
TWO = Migration(2, "0002_two.sql", "CREATE TABLE lineset.two (n integer)")
BROKEN = Migration(3, "0003_broken.sql", "CREATE TABLE lineset.three (n integer); SELECT 1/0")


@pytest.fixture
async def empty(postgres: Postgres) -> AsyncIterator[DatabaseAddress]:
    """A database without tables."""
    name = "lineset_empty"
    async with connected(postgres.address("postgres")) as admin:
        await admin.execute(f"CREATE DATABASE {name} OWNER lineset_owner")
        yield postgres.address(name, "owner")
        await admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


async def applied(address: DatabaseAddress) -> list[str]:
    async with connected(address) as connection:
        return [row["name"] for row in await connection.fetch("SELECT name FROM lineset.migration ORDER BY number")]


async def test_in_order_and_once(empty: DatabaseAddress) -> None:
    async with connected(empty) as connection:
        assert await migrate(connection, empty, [ONE]) == ["0001_one.sql"]
        assert await migrate(connection, empty, [ONE, TWO]) == ["0002_two.sql"]
        assert await migrate(connection, empty, [ONE, TWO]) == []
        assert await connection.fetchval("SELECT count(*) FROM lineset.two") == 0


async def test_several_programs_at_once(empty: DatabaseAddress) -> None:
    connections = [await connect(empty) for _ in range(4)]
    done = await asyncio.gather(*(migrate(each, empty) for each in connections))
    assert sorted(name for names in done for name in names) == [each.name for each in migrations()]
    for each in connections:
        await check_schema(each, empty)
        await each.close()


async def test_a_file_that_fails_leaves_nothing(empty: DatabaseAddress) -> None:
    async with connected(empty) as connection:
        with pytest.raises(DatabaseError, match=r"0003_broken.*division by zero"):
            await migrate(connection, empty, [ONE, TWO, BROKEN])
        assert await connection.fetchval("SELECT to_regclass('lineset.three')") is None
    assert await applied(empty) == ["0001_one.sql", "0002_two.sql"]


async def test_newer_and_altered_are_refused(empty: DatabaseAddress) -> None:
    async with connected(empty) as connection:
        await migrate(connection, empty, [ONE, TWO])
        with pytest.raises(NewerSchemaError, match="Update lineset"):
            await migrate(connection, empty, [ONE])
        with pytest.raises(AlteredSchemaError, match=r"0002_two\.sql is not the file"):
            await migrate(connection, empty, [ONE, Migration(2, "0002_two.sql", "SELECT 2")])
        with pytest.raises(AlteredSchemaError, match="was left out"):
            await migrate(connection, empty, [ONE, Migration(0, "0000_zero.sql", "SELECT 0"), TWO])
        with pytest.raises(AlteredSchemaError, match="not the file"):
            await check_schema(connection, empty)
    assert await applied(empty) == ["0001_one.sql", "0002_two.sql"]


async def test_what_is_missing_is_said_to_those_who_may_not_make_it(empty: DatabaseAddress) -> None:
    async with connected(empty) as connection:
        with pytest.raises(DatabaseError, match=r"0001_record\.sql is missing.*lineset shop run"):
            await check_schema(connection, empty)


def test_numbers_of_the_files_are_their_order() -> None:
    numbers = [each.number for each in migrations()]
    assert numbers == list(range(1, len(numbers) + 1))
    assert missing(migrations(), [], "x") == list(migrations())


async def test_prepare_states_the_policy_and_makes_months(shop_config: ShopConfig) -> None:
    await prepare_database(shop_config)
    assert await prepare_database(shop_config) == []
    async with connected(shop_config.database("auditor")) as connection:
        assert await connection.fetchval("SELECT months FROM lineset.policy") == shop_config.retention.months
        months = await connection.fetch(
            "SELECT relname FROM pg_class WHERE relname ~ '^reading_[0-9_]+$' AND relkind = 'r'"
        )
        assert len(months) == 2


async def test_a_wrong_password_says_where_to_look(shop_config: ShopConfig) -> None:
    import dataclasses

    address: Any = dataclasses.replace(shop_config.database("collector"), password="wrong")
    with pytest.raises(DatabaseError, match="secrets"):
        await connect(address)
