"""What a collector does now and then: months, old receipts, what waits in vain."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from shop_blocks import changed, sent, write_journal

from lineset.shop.database import connected
from lineset.shop.housekeeping import Housekeeping
from lineset.shop.sharing import Share
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store
from lineset.stream.errors import ConnectionLost


@pytest.fixture
async def owner(shop_config: ShopConfig) -> AsyncIterator[Any]:
    async with connected(shop_config.database("owner")) as connection:
        yield connection


class Broker:
    """What was cleared, or that it is away."""

    def __init__(self) -> None:
        self.cleared: list[tuple[str, str]] = []
        self.away = False

    async def clear(self, key: tuple[str, str]) -> None:
        if self.away:
            raise ConnectionLost("there is no connection to the broker")
        self.cleared.append(key)


async def test_old_receipts_are_taken_off_the_broker_once(shop_config: ShopConfig, owner: Any, tmp_path: Path) -> None:
    visits = [sent(write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}")) for n in range(3)]
    store = Store(shop_config.database("collector"), "k0")
    for visit in visits:
        await store.store([visit.arrived(*each) for each in visit.all])
    await owner.execute("UPDATE lineset.visit SET sealed_at = now() - interval '31 days' WHERE visit <> 'v2'")
    broker, share = Broker(), Share("k0")
    keeping = Housekeeping(shop_config.database("collector"), share, broker.clear)
    broker.away = True
    await keeping.round()
    broker.away = False
    await keeping.round()
    assert broker.cleared == [("van-0", "v0"), ("van-1", "v1")]
    await keeping.round()
    assert len(broker.cleared) == 2
    # one asks again, is answered, and its receipt is taken off again
    last = visits[0].all[-1]
    assert (await store.store([visits[0].arrived(*last)])).receipts["van-0", "v0"].sealed
    await store.close()
    await keeping.round()
    assert broker.cleared[2:] == [("van-0", "v0")]


async def test_what_waits_in_vain(shop_config: ShopConfig, owner: Any, tmp_path: Path) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    store = Store(shop_config.database("collector"), "k0")
    late = changed(visit.payloads[-1][0], n=len(visit.payloads) + 5)
    await store.store([visit.arrived(len(visit.payloads) + 5, late)])
    other = sent(write_journal(tmp_path / "j", visit="v2"))
    await store.store([other.arrived(3, other.payloads[2][0]), other.arrived(4, other.payloads[3][0])])
    await store.store([visit.arrived(*each) for each in visit.all])
    await owner.execute("UPDATE lineset.waiting_block SET received_at = now() - interval '31 days' WHERE n = 4")
    keeping = Housekeeping(shop_config.database("collector"), Share("k0"), Broker().clear)
    await keeping.round()
    assert [row["n"] for row in await owner.fetch("SELECT n FROM lineset.waiting_block")] == [3]
    aside = await owner.fetchrow("SELECT reason, payload FROM lineset.set_aside")
    assert (aside["reason"], aside["payload"]) == ("other_record", late)
    # the store did not hear of it, and goes on all the same
    (receipt,) = (await store.store([other.arrived(*each) for each in other.all])).receipts.values()
    assert (receipt.sealed, receipt.blocks) == (True, len(other.payloads))
    await store.close()
