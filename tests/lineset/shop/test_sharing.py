"""Which collector takes which station."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.shop import sharing
from lineset.shop.database import connected
from lineset.shop.sharing import Heart, Share, owner_of
from lineset.shop.shop_config import ShopConfig

NAMES = st.lists(st.text("abcdefgh0123456789-", min_size=1, max_size=8), min_size=1, max_size=8, unique=True)


@given(NAMES, st.text(max_size=20))
def test_one_and_always_the_same(names: list[str], station: str) -> None:
    shares = [Share(name) for name in names]
    for share in shares:
        share.hear(reversed(names))
    assert [share.name for share in shares if share.mine(station)] == [owner_of(station, names)]


@given(NAMES.filter(lambda names: len(names) > 1), st.integers(0, 7))
def test_only_the_stations_of_who_goes_move(names: list[str], at: int) -> None:
    gone = names[at % len(names)]
    left = [name for name in names if name != gone]
    for n in range(50):
        before = owner_of(f"van-{n}", names)
        assert owner_of(f"van-{n}", left) == before or before == gone


def test_shares_are_about_even() -> None:
    counts = Counter(owner_of(f"van-{n}", ["c1", "c2", "c3"]) for n in range(3000))
    assert all(850 < count < 1150 for count in counts.values()), counts


def test_without_word_of_others_everything_is_mine() -> None:
    assert Share("c1").mine("van-1")
    assert owner_of("van-1", []) == ""


async def test_hearts_hear_each_other(shop_config: ShopConfig, monkeypatch: pytest.MonkeyPatch) -> None:
    address = shop_config.database("collector")
    one, two = Share("c1"), Share("c2")
    first, second = Heart(address, one), Heart(address, two)
    await first.beat()
    await second.beat()
    await first.beat()
    assert one.names == two.names == ("c1", "c2")
    async with connected(shop_config.database("owner")) as owner:  # c2 was not heard of for a while
        await owner.execute(
            "UPDATE lineset.collector SET heard_at = now() - make_interval(secs => $1) WHERE name = 'c2'",
            sharing.LIVE_S + 1,
        )
    await first.beat()
    assert one.names == ("c1",)
    await second.beat()
    await first.beat()
    assert one.names == ("c1", "c2")
    await second.leave()  # in good order: at once
    await first.beat()
    assert one.names == ("c1",)
    await first.leave()


async def test_one_that_ended_before_the_clock_was_put_back_is_gone(shop_config: ShopConfig) -> None:
    address, share = shop_config.database("collector"), Share("c1")
    heart = Heart(address, share)
    async with connected(shop_config.database("owner")) as owner:
        await owner.execute("INSERT INTO lineset.collector (name, heard_at) VALUES ('c2', now() + interval '1 hour')")
    await heart.beat()
    await heart.leave()
    assert share.names == ("c1",)
