"""The clock: visit time with a rate, never backwards, and sleeping until a moment of it."""

from __future__ import annotations

import asyncio
import time

import pytest

from lineset_drivers import clock as clocks
from lineset_drivers.clock import NS, VisitClock, boot_ns


class Boot:
    """A boot clock that is set by hand."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ns = 5_000 * NS
        monkeypatch.setattr(clocks, "boot_ns", lambda: self.ns)


@pytest.fixture
def boot(monkeypatch: pytest.MonkeyPatch) -> Boot:
    return Boot(monkeypatch)


def test_boot_time_never_steps_back() -> None:
    seen = [boot_ns() for _ in range(1000)]
    assert seen == sorted(seen)


def test_boot_time_falls_back_to_monotonic_time_where_the_system_has_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(time, "CLOCK_BOOTTIME", raising=False)
    before = time.monotonic_ns()
    assert before <= boot_ns() <= time.monotonic_ns()


@pytest.mark.parametrize(("rate", "after"), [(1.0, 3 * NS), (20.0, 60 * NS), (0.5, 3 * NS // 2)])
def test_visit_time_grows_with_its_rate_from_where_it_started(boot: Boot, rate: float, after: int) -> None:
    clock = VisitClock(rate=rate, start=7 * NS)
    assert clock.now() == 7 * NS
    boot.ns += 3 * NS
    assert clock.now() == 7 * NS + after


def test_at_the_rate_of_the_world_not_a_nanosecond_is_lost_in_years(boot: Boot) -> None:
    clock = VisitClock()
    boot.ns += 10 * 365 * 86_400 * NS + 1  # beyond 2**53 ns a float would round
    assert clock.now() == 10 * 365 * 86_400 * NS + 1


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan")])
def test_a_rate_that_is_not_above_zero_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="rate must be above zero"):
        VisitClock(rate=rate)


def test_wall_time_is_the_systems_own_whatever_the_rate() -> None:
    before = time.time_ns()
    assert before <= VisitClock(rate=50.0).wall() <= time.time_ns()


async def test_sleeping_until_a_moment_ends_at_or_after_it_and_the_past_ends_at_once() -> None:
    clock = VisitClock(rate=100.0)
    until = clock.now() + NS
    await clock.sleep_until(until)
    assert clock.now() >= until
    async with asyncio.timeout(60):
        await clock.sleep_until(clock.now() - 1)


async def test_sleep_looks_at_the_clock_again_so_that_a_suspend_does_not_prolong_it(
    boot: Boot, monkeypatch: pytest.MonkeyPatch
) -> None:
    naps: list[float] = []

    async def nap(seconds: float) -> None:
        naps.append(seconds)
        boot.ns += round(seconds * NS)
        if len(naps) == 3:
            boot.ns += 3600 * NS  # the lid was closed for an hour

    monkeypatch.setattr(asyncio, "sleep", nap)
    clock = VisitClock()
    await clock.sleep_until(600 * NS)
    assert naps == [1.0, 1.0, 1.0]
