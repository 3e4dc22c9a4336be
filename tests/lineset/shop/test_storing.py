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

from lineset.journal.seal import StationKey
from lineset.shop import storing
from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import DatabaseAwayError, Store


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


async def test_what_cannot_go_on_is_not_looked_at_again_until_something_comes(
    store: Store, auditor: Any, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j"), part=300)
    first, last = visit.payloads[1][0], visit.payloads[-1][-1]
    come = [visit.arrived(1, payload) for payload in visit.payloads[0]]
    stored = await store.store([*come, visit.arrived(2, first)])
    # one part of block 2 is here, and looking again changes nothing until another comes
    assert (stored.blocks, stored.waits, stored.more) == (1, 1, set())
    # what claims to come after the last block waits, and the seal leaves it where it is
    beyond = len(visit.payloads) + 1
    claim = changed(last, n=beyond, seal=None, parts=1, part=0)
    assert (await store.store([visit.arrived(beyond, claim)])).more == set()
    # parts that say different things of one block, and never become one
    odd = changed(visit.payloads[1][1], t=1)
    assert (await store.store([visit.arrived(2, odd)])).more == set()
    stored = await store.store([visit.arrived(*each) for each in visit.all])
    assert ([receipt.sealed for receipt in stored.receipts.values()], stored.more) == ([True], set())
    await assert_whole(auditor, visit)
    assert (await store.store([], [("van-1", "visit-1")])).more == set()


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


async def test_two_visits_of_a_station_whose_key_is_not_known_yet(store: Store, auditor: Any, tmp_path: Path) -> None:
    visits = [sent(write_journal(tmp_path / "j", visit=f"v{n}")) for n in range(2)]
    other = sent(write_journal(tmp_path / "j", visit="v2", key=StationKey.generate(tmp_path / "other")))
    stored = await store.store([visit.arrived(*each) for visit in (*visits, other) for each in visit.all])
    assert stored.aside == {"key": 1}
    assert [stored.receipts["van-1", f"v{n}"].sealed for n in range(3)] == [True, True, False]
    assert await auditor.fetchval("SELECT count(*) FROM lineset.visit WHERE sealed_at IS NOT NULL") == 2


async def test_what_the_database_refuses_is_put_aside_alone(
    store: Store, shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    """Nothing that is known makes the server refuse a row; here a constraint does."""
    good = sent(write_journal(tmp_path / "j", station="van-1"))
    bad = sent(write_journal(tmp_path / "j", station="van-2", visit="visit-2"))
    async with connected(shop_config.database("owner")) as owner:
        await owner.execute(
            "CREATE FUNCTION lineset.odd() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "IF (SELECT station FROM lineset.visit WHERE id = NEW.visit_id) = 'van-2' THEN "
            "RAISE EXCEPTION 'odd' USING ERRCODE = 'data_exception'; END IF; RETURN NEW; END $$;"
            "CREATE TRIGGER odd BEFORE INSERT ON lineset.finding FOR EACH ROW EXECUTE FUNCTION lineset.odd()"
        )
        last = len(bad.payloads)
        batch = [visit.arrived(*each) for visit in (bad, good) for each in visit.all]
        stored = await store.store(batch)
        await assert_whole(auditor, good)
        receipt = stored.receipts["van-2", "visit-2"]
        assert (receipt.blocks, receipt.problem, stored.aside) == (last - 1, "unreadable", {"unreadable": 1})
        # what waits and is refused does not stop what comes either
        await owner.execute("DROP TRIGGER odd ON lineset.finding")
    (receipt,) = (await store.store([bad.arrived(last, bad.payloads[-1][0])])).receipts.values()
    assert (receipt.sealed, receipt.problem) == (True, "")
    await assert_whole(auditor, bad)


async def test_what_is_put_aside_is_there_or_comes_again(
    store: Store, auditor: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another collector has taken a block of the visit at that very moment."""
    visit = sent(write_journal(tmp_path / "j"))
    await store.store([visit.arrived(1, visit.payloads[0][0])])

    async def moved_on(*_: object) -> bool:
        return False

    with monkeypatch.context() as patch:
        patch.setattr(storing, "write", moved_on)
        with pytest.raises(DatabaseAwayError, match="another collector"):
            await store._put_aside(("van-1", "visit-1"), [visit.arrived(2, b"odd")], "the database refuses it")
    stored = await store._put_aside(("van-1", "visit-1"), [visit.arrived(2, b"odd")], "the database refuses it")
    assert stored.aside == {"unreadable": 1}
    assert await auditor.fetchval("SELECT count(*) FROM lineset.set_aside") == 1


@pytest.mark.parametrize("other", ["journal = repeat('f', 32)", "head = '\\x00'", "visit = 'another'"])
async def test_a_database_that_was_put_back_under_a_collector_gets_no_block_of_another_record(
    store: Store, shop_config: ShopConfig, auditor: Any, tmp_path: Path, other: str
) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    await store.store([visit.arrived(*each) for each in visit.all[:3]])
    async with connected(shop_config.database("owner")) as owner:
        await owner.execute(f"UPDATE lineset.visit SET {other}")
    stored = await store.store([visit.arrived(*visit.all[3])])
    assert stored.blocks == 0
    assert await auditor.fetchval("SELECT count(*) FROM lineset.block") == 3


async def test_what_is_carried_and_cannot_be_read_costs_no_block(
    store: Store, shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    await store.store([visit.arrived(*each) for each in visit.all[:4]])
    async with connected(shop_config.database("owner")) as owner:
        await owner.execute("UPDATE lineset.visit SET carried = 'nonsense'")
    store.forget(list(store._known))
    (receipt,) = (await store.store([visit.arrived(*each) for each in visit.all])).receipts.values()
    assert (receipt.sealed, receipt.problem) == (True, "")


async def test_a_missing_right_is_no_fault_of_a_message(
    store: Store, shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    batch = [visit.arrived(*each) for each in visit.all]
    async with connected(shop_config.database("owner")) as owner:
        await owner.execute("REVOKE INSERT ON lineset.block FROM lineset_collector")
        with pytest.raises(DatabaseAwayError, match=r"right.*lineset shop run"):
            await store.store(batch[:1])
        await owner.execute("GRANT INSERT ON lineset.block TO lineset_collector")
    await store.store(batch)
    await assert_whole(auditor, visit)
    assert await auditor.fetchval("SELECT count(*) FROM lineset.set_aside") == 0


async def test_a_month_without_tables_is_made_by_whoever_comes_first(
    shop_config: ShopConfig, store: Store, auditor: Any, tmp_path: Path
) -> None:
    visits = [sent(write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}")) for n in range(2)]
    async with connected(shop_config.database("owner")) as owner:
        for table in await owner.fetchval("SELECT lineset.monthly()"):
            parts = await owner.fetch(
                "SELECT inhrelid::regclass::text AS name FROM pg_inherits WHERE inhparent = to_regclass($1)",
                f"lineset.{table}",
            )
            for part in parts:
                await owner.execute(f"DROP TABLE {part['name']}")
    other = Store(shop_config.database("collector"), "k1")
    await asyncio.gather(
        store.store([visits[0].arrived(*each) for each in visits[0].all]),
        other.store([visits[1].arrived(*each) for each in visits[1].all]),
    )
    await other.close()
    for visit in visits:
        await assert_whole(auditor, visit)
