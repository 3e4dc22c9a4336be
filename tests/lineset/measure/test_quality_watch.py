"""The watch over one channel: frozen displays, jumps that no quantity can make, and a probe that was moved."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.measure.quality import (
    FASTEST,
    FLAG_QUALITY,
    FROZEN_AFTER_S,
    FROZEN_SAMPLES,
    REASON,
    USABLE,
    Quality,
    Watch,
)
from lineset_drivers.frame import Flag
from lineset_drivers.quantity import Quantity

NS = 1_000_000_000
FAST = FASTEST[Quantity.TEMPERATURE]


def test_every_quality_has_words_for_the_technician_and_every_flag_a_quality() -> None:
    assert set(REASON) == set(Quality)
    assert set(FLAG_QUALITY) == set(Flag) - {Flag.OK}
    assert not set(FLAG_QUALITY.values()) & USABLE


@given(
    steps=st.lists(st.tuples(st.floats(0.05, 60.0), st.floats(-1.0, 1.0)), max_size=60),
    level=st.floats(-50.0, 150.0),
)
def test_what_changes_no_faster_than_the_quantity_can_is_good(steps: list[tuple[float, float]], level: float) -> None:
    watch, t = Watch(), 0.0
    for dt, share in [(1.0, 0.0), *steps]:
        t += dt
        level += 0.99 * share * FAST * max(dt, 0.1)
        assert watch.judge(round(t * NS), level, FAST, False) is Quality.GOOD


@given(jump=st.floats(1.01, 100.0), sign=st.sampled_from([-1, 1]), back=st.booleans())
def test_one_sample_that_jumps_is_held_back_and_the_next_decides(jump: float, sign: int, back: bool) -> None:
    watch = Watch()
    watch.judge(NS, 20.0, FAST, True)
    there = 20.0 + sign * jump * FAST
    assert watch.judge(2 * NS, there, FAST, True) is Quality.IMPLAUSIBLE_RATE
    assert watch.judge(3 * NS, 20.1 if back else there, FAST, True) is Quality.GOOD
    assert watch.last == (20.1 if back else there)


def test_interference_that_never_agrees_with_itself_is_never_taken() -> None:
    watch = Watch()
    watch.judge(0, 20.0, FAST, True)
    for n, value in enumerate((200.0, -80.0, 300.0, -150.0)):
        assert watch.judge(round((1 + n / 10) * NS), value, FAST, True) is Quality.IMPLAUSIBLE_RATE
    assert watch.last == 20.0


def test_electrical_quantities_switch_at_once() -> None:
    assert FASTEST.get(Quantity.CURRENT) is None
    watch = Watch()
    watch.judge(0, 0.0, None, True)
    assert watch.judge(NS // 100, 90.0, None, True) is Quality.GOOD


@pytest.mark.parametrize(("fine", "ends"), [(True, Quality.FROZEN), (False, Quality.GOOD)])
def test_a_fine_display_that_stands_still_is_frozen_and_a_coarse_one_may(fine: bool, ends: Quality) -> None:
    watch = Watch()
    found = [watch.judge(n * NS, 20.0, FAST, fine) for n in range(int(FROZEN_AFTER_S) + 1)]
    assert set(found[:-1]) == {Quality.GOOD}
    assert found[-1] is ends
    assert watch.judge(int(FROZEN_AFTER_S + 1) * NS, 20.1, FAST, fine) is Quality.GOOD
    assert watch.judge(int(FROZEN_AFTER_S + 2) * NS, 20.1, FAST, fine) is Quality.GOOD  # it begins to count anew


def test_few_samples_over_a_long_time_are_not_frozen() -> None:
    watch = Watch()
    found = [watch.judge(n * 30 * NS, 20.0, FAST, True) for n in range(FROZEN_SAMPLES)]
    assert set(found[:-1]) == {Quality.GOOD}
    assert found[-1] is Quality.FROZEN


@given(
    values=st.lists(st.sampled_from([20.0, 20.1, 90.0]), min_size=1, max_size=80),
    cut=st.integers(0, 80),
    fine=st.booleans(),
)
def test_a_snapshot_goes_on_alike(values: list[float], cut: int, fine: bool) -> None:
    whole, part = Watch(), Watch()
    for n, value in enumerate(values):
        if n == cut:
            part = msgspec.msgpack.decode(msgspec.msgpack.encode(part), type=Watch)
        assert whole.judge(n * 10 * NS, value, FAST, fine) is part.judge(n * 10 * NS, value, FAST, fine)
    assert whole == part
