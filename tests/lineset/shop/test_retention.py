"""Months that the policy no longer keeps are removed whole, by the owner's word alone."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from engine_entries import NS
from shop_blocks import bodies, sent, write_journal
from shop_record import assert_whole
from typer.testing import CliRunner

from lineset.cli.shop import app
from lineset.contract import entry as e
from lineset.shop.auditing import audit_received
from lineset.shop.database import connected
from lineset.shop.received import Selection, opened
from lineset.shop.retention import retain, state_policy
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store


@pytest.fixture
async def owner(shop_config: ShopConfig) -> AsyncIterator[Any]:
    async with connected(shop_config.database("owner")) as connection:
        yield connection


async def age(owner: Any, visit: str, months: int) -> None:
    """Make a visit's record as old as if it had come so many months ago."""
    then = await owner.fetchval(
        "SELECT (date_trunc('month', now() AT TIME ZONE 'UTC') - make_interval(months => $1))::date", months
    )
    for table in await owner.fetchval("SELECT lineset.monthly()"):
        part = f"lineset.{table}_{then:%Y_%m}"
        await owner.execute(
            f"CREATE TABLE IF NOT EXISTS {part} PARTITION OF lineset.{table} "
            f"FOR VALUES FROM ('{then}') TO ('{then}'::date + interval '1 month')"
        )
        await owner.execute(f"UPDATE lineset.{table} SET month = $1 WHERE visit_id = "
                            "(SELECT id FROM lineset.visit WHERE visit = $2)", then, visit)  # fmt: skip
    await owner.execute(
        "UPDATE lineset.visit SET month = $1, last_received_at = $1::date + interval '5 days' WHERE visit = $2",
        then,
        visit,
    )


async def fill(config: ShopConfig, folder: Path, **ages: int) -> dict[str, Any]:
    """Three visits, stored now; by their station's clock so many months ago."""
    now = time.time_ns()
    rows = [row for row in bodies() if not isinstance(row[1], e.WallClock)]
    visits = {
        name: sent(write_journal(folder, rows, visit=name, wall_ns=now - ages.get(name, 0) * 31 * 86400 * NS))
        for name in ("old", "older", "new")
    }
    store = Store(config.database("collector"), "k0")
    for visit in visits.values():
        await store.store([visit.arrived(*each) for each in visit.all])
    await store.close()
    return visits


async def test_old_months_go_and_the_rest_stays(shop_config: ShopConfig, owner: Any, tmp_path: Path) -> None:
    visits = await fill(shop_config, tmp_path / "j", old=13, older=15)
    await age(owner, "old", 13)
    await age(owner, "older", 15)
    async with connected(shop_config.database("collector")) as collector:
        assert await retain(collector) == []  # no policy, nothing goes
        await state_policy(owner, 12)
        would = await retain(collector, dry=True)
        assert [each.visits for each in would] == [1, 1]
        assert all(each.size > 0 for each in would)
        for visit in visits.values():
            await assert_whole(owner, visit)
        # something came late of one of them
        await owner.execute("UPDATE lineset.visit SET last_received_at = now() WHERE visit = 'old'")
        assert [each.month for each in await retain(collector)] == [would[0].month]
        await assert_whole(owner, visits["old"])
        assert await retain(collector) == []
    await assert_whole(owner, visits["new"])
    row = await owner.fetchrow("SELECT removed_at, blocks, sealed_at FROM lineset.visit WHERE visit = 'older'")
    assert None not in tuple(row)
    # its station asks again: it has its receipt; nothing of it comes back
    store = Store(shop_config.database("collector"), "k0")
    stored = await store.store([visits["older"].arrived(*each) for each in visits["older"].all])
    await store.close()
    (receipt,) = stored.receipts.values()
    assert (receipt.sealed, receipt.problem, stored.blocks) == (True, "", 0)


async def test_readings_go_sooner_and_their_blocks_stay(shop_config: ShopConfig, owner: Any, tmp_path: Path) -> None:
    visits = await fill(shop_config, tmp_path / "j", old=5, older=15)
    await age(owner, "old", 5)
    await age(owner, "older", 15)
    await state_policy(owner, 12, 3)
    async with connected(shop_config.database("collector")) as collector:
        would = await retain(collector, dry=True)
        assert [(each.what, each.visits) for each in would] == [("record", 1), ("readings", 1)]
        await assert_whole(owner, visits["old"])
        assert [(row.what, row.month) for row in await retain(collector)] == [(row.what, row.month) for row in would]
        assert await retain(collector) == []
    rows = "SELECT count(*) FROM lineset.{} JOIN lineset.visit v ON v.id = visit_id WHERE v.visit = 'old'"
    for table, there in (("reading", False), ("derived", False), ("settled", True), ("block", True), ("photo", True)):
        assert bool(await owner.fetchval(rows.format(table))) == there, table
    await assert_whole(owner, visits["new"])
    async with opened(shop_config.database("auditor"), "north") as received:
        (name,) = await received.names(Selection(visits=("old",)))
        visit = await received.visit(name.id)
        assert visit is not None
        found = await audit_received(received, visit)
    assert not [remark for remark in found.remarks if remark.wrong]
    assert any("removed the rows of readings" in remark.text for remark in found.remarks)
    assert found.shop is not None
    assert not {"reading", "derived"} & {each.table for each in found.shop.tables}
    # what comes late of an old visit has its place
    await owner.execute(
        'INSERT INTO lineset.derived (month, visit_id, seq, at, t_ns, system, "values") '
        "SELECT month, id, 9999, now(), 0, 'main', '{}' FROM lineset.visit WHERE visit = 'old'"
    )


async def test_a_clock_that_is_or_was_wrong_removes_nothing(
    shop_config: ShopConfig, owner: Any, tmp_path: Path
) -> None:
    visits = await fill(shop_config, tmp_path / "j")
    await state_policy(owner, 12, 3)
    # the shop's clock was far behind while these came, and their station's was right
    await age(owner, "old", 200)
    await age(owner, "older", 200)
    assert await retain(owner) == []
    # the shop's clock is far ahead of everything that any station wrote down
    opened = "UPDATE lineset.visit SET opened_at = {0}, closed_at = {0} WHERE visit = $1"
    for name in visits:
        await age(owner, name, 17)
        await owner.execute(opened.format("now() - interval '17 months'"), name)
    assert [each.visits for each in await retain(owner)] == [0]  # the month that is empty now
    for visit in visits.values():
        await assert_whole(owner, visit)
    # a station's clock that is far ahead keeps nothing for ever
    await owner.execute(opened.format("now()"), "new")
    await age(owner, "old", 18)
    await age(owner, "new", 0)
    await owner.execute(opened.format("now() + interval '9 years'"), "old")
    assert [(each.what, each.visits) for each in await retain(owner)] == [("record", 1), ("record", 1)]
    await assert_whole(owner, visits["new"])


async def said(*arguments: str) -> tuple[int, str, str]:
    """Exit code, output and errors of `lineset shop`, in a thread, since it runs a loop of its own."""
    result = await asyncio.to_thread(CliRunner().invoke, app, arguments)
    return result.exit_code, result.stdout, result.stderr


async def test_the_verb(shop_config: ShopConfig, owner: Any, tmp_path: Path) -> None:
    await fill(shop_config, tmp_path / "j", old=shop_config.retention.months + 1, new=30)
    await age(owner, "old", shop_config.retention.months + 1)
    arguments = ("retain", "--folder", str(shop_config.folder), "--json")
    _, dry, _ = await said(*arguments, "--dry-run")
    assert len(json.loads(dry)["removed"]) == 1
    assert await owner.fetchval("SELECT count(*) FROM lineset.policy") == 0
    code, done, _ = await said(*arguments)
    assert (code, json.loads(done)["removed"][0]["visits"]) == (0, 1)
    _, again, _ = await said(*arguments[:-1])
    assert "Nothing is older than the 84 months" in again
    settings = shop_config.folder / "shop.toml"
    settings.write_text(settings.read_text().replace("reading_months = 0", "reading_months = 24"))
    await age(owner, "new", 30)
    code, out, _ = await said(*arguments[:-1])
    assert (code, ": readings of 1 visit, " in out, out.strip().endswith("MB removed")) == (0, True, True), out
    settings.write_text(settings.read_text().replace("reading_months = 24", "reading_months = 85"))
    code, _, err = await said(*arguments)
    assert (code, "from 0 to 84" in err) == (2, True)
