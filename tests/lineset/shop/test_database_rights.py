"""What each role may do in the database, tried."""

from __future__ import annotations

from collections.abc import AsyncIterator
from datetime import date
from pathlib import Path
from typing import Any

import asyncpg
import pytest
from shop_blocks import sent, write_journal

from lineset.shop.database import connect, connected
from lineset.shop.shop_config import DATABASE_ROLES, ShopConfig
from lineset.shop.storing import Store

RECORD = ("block", "reading", "derived", "event", "settled", "placement", "check_verdict", "finding", "observation",
          "photo", "instrument_channel")  # fmt: skip
DENIED = asyncpg.InsufficientPrivilegeError


@pytest.fixture
async def roles(shop_config: ShopConfig, tmp_path: Path) -> AsyncIterator[dict[str, Any]]:
    """A connection for each role, to a database with a visit in it."""
    visit = sent(write_journal(tmp_path / "j"))
    store = Store(shop_config.database("collector"), "k0")
    await store.store([visit.arrived(*each) for each in visit.all])
    await store.close()
    connections = {role: await connect(shop_config.database(role)) for role in DATABASE_ROLES}
    yield connections
    for each in connections.values():
        await each.close()


async def denied(connection: Any, *statements: str) -> None:
    for statement in statements:
        with pytest.raises(DENIED):
            await connection.execute(statement)


async def test_a_collector_adds_and_never_alters(roles: dict[str, Any]) -> None:
    collector = roles["collector"]
    for table in RECORD:
        assert await collector.fetchval(f"SELECT count(*) FROM lineset.{table}") > 0, table
        await denied(
            collector, f"DELETE FROM lineset.{table}", f"TRUNCATE lineset.{table}", f"DROP TABLE lineset.{table}",
            f"UPDATE lineset.{table} SET visit_id = 0", f"ALTER TABLE lineset.{table} ADD COLUMN x integer",
        )  # fmt: skip
    for part in await collector.fetch("SELECT inhrelid::regclass::text AS name FROM pg_inherits i "
                                      "JOIN pg_class c ON c.oid = i.inhrelid WHERE c.relkind = 'r'"):  # fmt: skip
        await denied(collector, f"DROP TABLE {part['name']}", f"DELETE FROM {part['name']}")
    await denied(
        collector,
        "DELETE FROM lineset.visit", "UPDATE lineset.visit SET meta = '{}'", "UPDATE lineset.visit SET journal = ''",
        "UPDATE lineset.visit SET first_received_at = now()", "UPDATE lineset.visit SET removed_at = now()",
        "DELETE FROM lineset.set_aside", "UPDATE lineset.set_aside SET payload = ''", "DELETE FROM lineset.station",
        "UPDATE lineset.station SET revoked_at = NULL", "UPDATE lineset.policy SET months = 1",
        "INSERT INTO lineset.policy (months) VALUES (1)", "DELETE FROM lineset.migration",
        "CREATE TABLE lineset.mine (n integer)", "ALTER TABLE lineset.reading DETACH PARTITION lineset.reading_2020_01",
    )  # fmt: skip


async def test_the_board_reads_neither_photos_nor_what_people_wrote(roles: dict[str, Any]) -> None:
    board = roles["board"]
    await denied(
        board,
        "SELECT text FROM lineset.observation", "SELECT data FROM lineset.photo", "SELECT sha256 FROM lineset.photo",
        "SELECT data FROM lineset.block", "SELECT * FROM lineset.event", "SELECT body FROM lineset.event",
        "SELECT payload FROM lineset.set_aside", "SELECT payload FROM lineset.waiting_block",
        "SELECT carried FROM lineset.visit", "SELECT * FROM record.observations", "SELECT * FROM record.photos",
        "INSERT INTO lineset.station (station) VALUES ('x')", "SELECT lineset.retain(true)",
        "SELECT lineset.make_month('2026-11-01')",
    )  # fmt: skip
    assert await board.fetchval("SELECT count(n) FROM lineset.block") > 0
    assert await board.fetchval("SELECT count(*) FROM lineset.reading") > 0
    events = await board.fetch("SELECT kind, body FROM lineset.event_for_board")
    assert {row["kind"] for row in events if row["body"] is None} == {"note", "observation", "introduced"}
    assert not any("bulged" in row["body"] or "gate" in row["body"] for row in events if row["body"])
    assert [list(row) for row in await board.fetch("SELECT wants FROM lineset.wanted WHERE wants <> '{}'")] == [
        [["part"]]
    ]


async def test_an_auditor_reads_everything_and_changes_nothing(roles: dict[str, Any]) -> None:
    auditor = roles["auditor"]
    for table in (*RECORD, "visit", "station", "set_aside", "waiting_block", "collector", "policy", "migration"):
        await auditor.fetchval(f"SELECT count(*) FROM lineset.{table}")
        await denied(auditor, f"DELETE FROM lineset.{table}")
    assert await auditor.fetchval("SELECT text FROM lineset.observation WHERE text LIKE 'gate%'")
    await denied(auditor, "SELECT lineset.retain(true)", "UPDATE lineset.visit SET phase = ''")


async def test_only_months_near_this_one_are_made(roles: dict[str, Any]) -> None:
    collector = roles["collector"]
    present: date = await collector.fetchval("SELECT date_trunc('month', now() AT TIME ZONE 'UTC')::date")
    assert await collector.fetchval("SELECT lineset.make_month($1)", present) is False
    for month in (date(1999, 1, 1), date(2999, 1, 1), present.replace(day=2)):
        with pytest.raises(asyncpg.RaiseError, match="no partitions"):
            await collector.fetchval("SELECT lineset.make_month($1)", month)


async def test_nobody_but_the_shop_is_let_in(shop_config: ShopConfig) -> None:
    async with connected(shop_config.database("owner")) as owner:
        rights = await owner.fetch(
            "SELECT grantee, table_name FROM information_schema.role_table_grants "
            "WHERE table_schema IN ('lineset', 'record') AND grantee = 'PUBLIC'"
        )
        assert rights == []
