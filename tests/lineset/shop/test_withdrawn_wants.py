"""A want that was taken back, at the shop: the record has both entries, and nobody is asked for it any more."""

from __future__ import annotations

from shop_rows import Rows, rows

from lineset.shop.database import connected
from lineset.shop.queries import Questions
from lineset.shop.shop_config import DatabaseAddress, ShopConfig


async def test_what_was_taken_back_is_wanted_no_longer_and_stays_on_record(shop_config: ShopConfig) -> None:
    async with rows(shop_config) as connection:
        put = Rows(connection)
        id_ = await put.visit("van-1", "spring-1")
        other = await put.visit("van-2", "spring-2")
        await put.observation(id_, 10)
        await put.observation(id_, 11, sign="pan_cracked", wants=("part",))
        await put.observation(id_, 12, sign="", wants=("return_visit",))
        await put.observation(other, 10, wants=("approval",))  # the same number of another visit
        await put.observation(id_, 20, wants=("part",), withdraws=10)  # approved; the part is still to come
        await put.observation(id_, 21, sign="", text="one was in the van", wants=(), withdraws=11)
        await put.observation(id_, 22, sign="", wants=(), withdraws=99)  # an entry that does not take anything back
        await put.observation(id_, 23, sign="", wants=("approval",), withdraws=30)  # nor does one that comes later
        await put.observation(id_, 30, sign="", wants=("approval",))

    def address(role: str) -> DatabaseAddress:
        return shop_config.database(role)  # type: ignore[arg-type]

    questions = Questions(address)
    try:
        page = await questions.wants()
        assert [(each.visit, each.seq, each.wants) for each in page.wants] == [
            ("spring-2", 10, ("approval",)),
            ("spring-1", 12, ("return_visit",)),
            ("spring-1", 20, ("part",)),
            ("spring-1", 23, ("approval",)),
            ("spring-1", 30, ("approval",)),
        ]
        held = await questions.held("van-1", "spring-1")
        assert held is not None
        assert [each.seq for each in (await questions.visit(held)).wants] == [12, 20, 23, 30]
        seen = (await questions.observations(held)).observations
        assert [(each.seq, each.wants, each.withdraws) for each in seen][:4] == [
            (10, ("part", "approval"), 0),
            (11, ("part",), 0),
            (12, ("return_visit",), 0),
            (20, ("part",), 10),
        ]
    finally:
        await questions.close()
    async with connected(shop_config.database("auditor")) as auditor:
        told = await auditor.fetch("SELECT seq, withdrawn_by FROM record.observations WHERE withdrawn_by IS NOT NULL")
        assert {row["seq"]: row["withdrawn_by"] for row in told} == {10: 20, 11: 21}
