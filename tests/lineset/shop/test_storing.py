"""Blocks into a real PostgreSQL: in any order, doubled, damaged, by two at once; every entry exactly once."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from shop_blocks import changed, sent, write_journal
from shop_record import assert_whole

from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store


@pytest.fixture
async def store(shop_config: ShopConfig) -> AsyncIterator[Store]:
    store = Store(shop_config.database("collector"), "k0")
    yield store
    await store.close()


@pytest.fixture
async def auditor(shop_config: ShopConfig) -> AsyncIterator[Any]:
    async with connected(shop_config.database("auditor")) as connection:
        yield connection


async def test_in_order_in_one_batch(store: Store, auditor: Any, tmp_path: Path) -> None:
    visit = sent(write_journal(tmp_path / "j", gap=True))
    stored = await store.store([visit.arrived(*each) for each in visit.all])
    (receipt,) = stored.receipts.values()
    assert (receipt.blocks, receipt.sealed, receipt.problem, receipt.wanted) == (len(visit.payloads), True, "", ())
    assert stored.aside == {}
    await assert_whole(auditor, visit)
    row = await auditor.fetchrow("SELECT * FROM lineset.visit")
    assert (row["technician"], row["phase"], row["closed_at"] is not None) == ("technician 7", "before", True)
    channels = await auditor.fetch(
        "SELECT channel, identity FROM lineset.instrument_channel WHERE instrument = 'pipes'"
    )
    assert {(each["channel"], each["identity"]) for each in channels} >= {("t1", ""), ("t1", "SN-1")}


@pytest.mark.parametrize("seed", range(4))
async def test_any_order_doubled_and_in_parts(store: Store, auditor: Any, tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    visit = sent(write_journal(tmp_path / "j"), part=300)
    messages = [visit.arrived(*each) for each in visit.all] * 2
    chance.shuffle(messages)
    while messages:
        n = chance.randint(1, 9)
        await store.store(messages[:n])
        messages = messages[n:]
        if chance.random() < 0.3:
            store.forget(list(store._known))
    await assert_whole(auditor, visit)
    assert await auditor.fetchval("SELECT count(*) FROM lineset.set_aside") == 0


async def test_a_gap_is_asked_for(store: Store, auditor: Any, tmp_path: Path) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    come = [visit.arrived(n, payload) for n, payload in visit.all if n not in (2, 4)]
    (receipt,) = (await store.store(come)).receipts.values()
    assert (receipt.blocks, receipt.wanted) == (1, (2, 4))
    (receipt,) = (await store.store([visit.arrived(4, visit.payloads[3][0])])).receipts.values()
    assert (receipt.blocks, receipt.wanted) == (1, (2,))
    (receipt,) = (await store.store([visit.arrived(2, visit.payloads[1][0])])).receipts.values()
    assert (receipt.blocks, receipt.sealed, receipt.wanted) == (len(visit.payloads), True, ())
    await assert_whole(auditor, visit)


async def test_two_stores_at_once_and_neither_knows_of_the_other(
    shop_config: ShopConfig, store: Store, auditor: Any, tmp_path: Path
) -> None:
    visits = [sent(write_journal(tmp_path / "j", visit=f"v{n}")) for n in range(3)]
    other = Store(shop_config.database("collector"), "k1")

    async def all_of_it(mine: Store, seed: int) -> None:
        chance = random.Random(seed)
        messages = [(visit, each) for visit in visits for each in visit.all]
        chance.shuffle(messages)
        for at in range(0, len(messages), 3):
            await mine.store([visit.arrived(*each) for visit, each in messages[at : at + 3]])

    await asyncio.gather(all_of_it(store, 1), all_of_it(other, 2))
    await other.close()
    for visit in visits:
        await assert_whole(auditor, visit)


async def test_one_refused_message_stops_no_other_station(store: Store, auditor: Any, tmp_path: Path) -> None:
    good = sent(write_journal(tmp_path / "j", station="van-1"))
    bad = sent(write_journal(tmp_path / "j", station="van-2", visit="visit-2"))
    forged = changed(bad.payloads[2][0], hash="A" * 43 + "=")
    batch = [bad.arrived(n, payload) for n, payload in bad.all if n != 3] + [bad.arrived(3, forged)]
    stored = await store.store([*batch, *(good.arrived(*each) for each in good.all)])
    await assert_whole(auditor, good)
    receipt = stored.receipts["van-2", "visit-2"]
    assert (receipt.blocks, receipt.problem) == (2, "forged")
    assert stored.aside == {"forged": 1}
    (receipt,) = (await store.store([bad.arrived(3, bad.payloads[2][0])])).receipts.values()
    assert (receipt.blocks, receipt.problem, receipt.sealed) == (len(bad.payloads), "", True)
    await assert_whole(auditor, bad)
    kept = await auditor.fetchrow("SELECT reason, payload, times FROM lineset.set_aside")
    assert (kept["reason"], kept["payload"], kept["times"]) == ("forged", forged, 1)
