"""Whoever changes a table of the shop's changes no block: every such change is found, at its entry."""

from __future__ import annotations

import random
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from sealed_journal import a_short_visit, seal_it
from shop_rig import Postgres
from shop_visit import put_visit

from lineset.audit.holding import Holding
from lineset.audit.shop_record import TableRecord
from lineset.shop.database import connected
from lineset.shop.received import Received


class Stored:
    """A visit in the database, inside a transaction that is rolled back."""

    def __init__(self, db: Any, received: Received, id: int) -> None:
        self.db, self.received, self.id = db, received, id

    async def check(self) -> dict[str, TableRecord]:
        visit = await self.received.visit(self.id)
        assert visit is not None
        holding, tables = Holding(visit), self.received.table_check(visit)
        async for block in self.received.blocks(visit):
            items = holding.take(block)
            assert items is not None
            await tables.take(items, block.block.first, block.block.last)
        return {table.table: table for table in await tables.finish()}


@pytest.fixture(scope="module")
def database(postgres: Postgres) -> Any:
    name = postgres.new_database()
    yield name
    postgres.drop(name)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return seal_it(a_short_visit(), tmp_path_factory.mktemp("visits") / "spring-1.journal")


@pytest.fixture
async def stored(postgres: Postgres, database: str, journal: Path) -> AsyncIterator[Stored]:
    address = postgres.address(database)
    async with connected(address) as db:
        await db.execute("BEGIN")
        yield Stored(db, Received(db, address, "north"), await put_visit(db, journal, None))


async def test_tables_as_a_collector_filled_them_agree(stored: Stored) -> None:
    tables = await stored.check()
    assert all(table.same for table in tables.values())
    assert tables["reading"].rows > 1000
    assert min(tables[name].rows for name in ("derived", "event", "settled", "placement", "check_verdict")) > 0


# table, what is set; each is tried on rows at random
CHANGES = (
    ("reading", "value = value + 0.5"),
    ("reading", "sent = sent * 1.0000000000000002"),
    ("reading", "point = 'liquid_line_temperature'"),
    ("reading", "at = at + interval '1 microsecond'"),
    ("reading", "flag = 'hold'"),
    ("derived", """ "values" = jsonb_set("values", '{total_superheat}', '[5.0, 0.1]')"""),
    ("event", """body = body || '{"by": "somebody"}'"""),
    ("event", "kind = 'note'"),
    ("settled", "value = value * 1.01"),
    ("settled", "settled = NOT settled"),
    ("placement", "system = 'upstairs'"),
    ("check_verdict", "state = 'pass'"),
    ("check_verdict", "probability = 0.99"),
)


@pytest.mark.parametrize(("table", "change"), CHANGES)
async def test_a_changed_row_is_found_at_its_entry(stored: Stored, table: str, change: str) -> None:
    chance = random.Random(change)
    seqs = [row[0] for row in await stored.db.fetch(f"SELECT DISTINCT seq FROM lineset.{table}")]
    for _ in range(2):
        seq = chance.choice(seqs)
        await stored.db.execute("SAVEPOINT before")
        before = await stored.db.fetch(f"SELECT * FROM lineset.{table} WHERE seq = $1", seq)
        await stored.db.execute(f"UPDATE lineset.{table} SET {change} WHERE seq = $1", seq)
        after = await stored.db.fetch(f"SELECT * FROM lineset.{table} WHERE seq = $1", seq)
        found = await stored.check()
        if before == after:
            assert found[table].same
        else:
            assert (found[table].same, found[table].first, found[table].differing) == (False, seq, 1)
        assert [name for name, record in found.items() if not record.same] in ([], [table])
        await stored.db.execute("ROLLBACK TO before")


async def test_rows_taken_out_and_put_in_are_found(stored: Stored) -> None:
    for table in ("reading", "derived", "event", "settled", "placement", "check_verdict", "instrument_channel"):
        await stored.db.execute("SAVEPOINT before")
        seq = await stored.db.fetchval(f"SELECT max(seq) FROM lineset.{table}")
        await stored.db.execute(f"DELETE FROM lineset.{table} WHERE seq = $1", seq)
        found = (await stored.check())[table]
        assert (found.same, found.first, found.rows < found.due) == (False, seq, True)
        await stored.db.execute("ROLLBACK TO before")
        # beyond the last entry of all, where no block looks
        await stored.db.execute(f"CREATE TEMP TABLE one ON COMMIT DROP AS SELECT * FROM lineset.{table} LIMIT 1")
        await stored.db.execute("UPDATE one SET seq = 1000000")
        await stored.db.execute(f"INSERT INTO lineset.{table} SELECT * FROM one")
        found = (await stored.check())[table]
        assert (found.same, found.rows > found.due) == (False, True)
        await stored.db.execute("ROLLBACK TO before")


async def test_what_the_visits_row_says_is_held_against_the_blocks(stored: Stored) -> None:
    for change in ("technician = 'somebody'", "opened_at = opened_at - interval '1 day'", "systems = '[]'"):
        await stored.db.execute("SAVEPOINT before")
        await stored.db.execute(f"UPDATE lineset.visit SET {change}")
        assert not (await stored.check())["visit"].same
        await stored.db.execute("ROLLBACK TO before")
