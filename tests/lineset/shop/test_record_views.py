"""The views on a real PostgreSQL: documented to the last column, open to whom they should be, and right."""

from __future__ import annotations

from typing import Any

import asyncpg
import pytest
from shop_rig import Postgres

from lineset.assess.checks import CATALOGUE as CHECKS
from lineset.assess.checks import CHARGE
from lineset.derive.catalogue import CATALOGUE as DERIVED
from lineset.shop.database import connected

PEOPLE = {"observations", "photos"}  # what people wrote and photographed


@pytest.fixture(scope="module")
def database(postgres: Postgres) -> Any:
    name = postgres.new_database()
    yield name
    postgres.drop(name)


async def test_every_view_and_column_says_what_it_holds(postgres: Postgres, database: str) -> None:
    async with connected(postgres.address(database, "auditor")) as db:
        columns = await db.fetch(
            "SELECT c.relname, a.attname, col_description(c.oid, a.attnum) AS told, obj_description(c.oid) AS of_view "
            "FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_attribute a ON a.attrelid = c.oid "
            "WHERE n.nspname = 'record' AND a.attnum > 0"
        )
    assert len({row["relname"] for row in columns}) >= 16
    for row in columns:
        assert row["told"], (row["relname"], row["attname"])
        assert row["of_view"], row["relname"]
        if row["attname"].endswith(("_f", "_a", "_w", "_s")):
            unit = row["attname"].rpartition("_")[2].upper().replace("S", "s")
            assert row["told"].startswith(f"{unit}; "), (row["attname"], row["told"])
        if row["attname"] == "at" or row["attname"].endswith("_at"):
            assert "UTC" in row["told"]


async def test_the_board_reads_all_but_what_people_wrote(postgres: Postgres, database: str) -> None:
    async with connected(postgres.address(database, "auditor")) as db:
        views = [row[0] for row in await db.fetch("SELECT viewname FROM pg_views WHERE schemaname = 'record'")]
        for view in views:
            assert await db.fetch(f"SELECT * FROM record.{view}") == []
    async with connected(postgres.address(database, "board")) as db:
        for view in views:
            if view in PEOPLE:
                with pytest.raises(asyncpg.InsufficientPrivilegeError):
                    await db.fetch(f"SELECT * FROM record.{view}")
            else:
                assert await db.fetch(f"SELECT * FROM record.{view}") == []
    async with connected(postgres.address(database, "collector")) as db:
        for view in views:
            with pytest.raises(asyncpg.InsufficientPrivilegeError):
                await db.fetch(f"SELECT * FROM record.{view}")


def points_of(name: str) -> set[str]:
    """Where a check's values come from, by the program's own catalogues."""
    needs = {CHARGE: ("total_superheat", "subcooling")}.get(name) or CHECKS[name].needs
    return {point for need in needs for point in (DERIVED[need].inputs if need in DERIVED else (need,))}


async def test_what_a_check_rests_on_is_what_the_program_says(postgres: Postgres, database: str) -> None:
    """When this fails because a check is new or changed: a new migration brings lineset.check_point up to date."""
    async with connected(postgres.address(database, "auditor")) as db:
        rows = await db.fetch("SELECT check_name, point FROM lineset.check_point")
    told: dict[str, set[str]] = {}
    for row in rows:
        told.setdefault(row["check_name"], set()).add(row["point"])
    assert told == {name: points_of(name) for name in (*CHECKS, CHARGE)}
