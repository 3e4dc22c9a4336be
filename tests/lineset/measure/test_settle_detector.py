"""The settled detector against a plain full-window recomputation, and what it must and must not call settled."""

from __future__ import annotations

import math
import random

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lineset.measure.settle import BANDS, Detector, detector
from lineset_drivers.quantity import Quantity

Q = Quantity
NS = 1_000_000_000


def feed(watch: Detector, values: list[float], every_s: float = 1.0, start_s: float = 0.0) -> list[tuple[float, bool]]:
    changes = []
    for n, value in enumerate(values):
        t = start_s + (n + 1) * every_s
        if watch.push(round(t * NS), value):
            changes.append((t, watch.settled))
    return changes


def noisy(seed: int, count: int, sigma: float, level: float = 10.0, slope: float = 0.0) -> list[float]:
    chance = random.Random(seed)
    return [level + slope * n + chance.gauss(0.0, sigma) for n in range(count)]


def temperature(**more: float) -> Detector:
    made = detector(Q.TEMPERATURE, **more)
    assert made is not None
    return made


def test_steady_readings_settle_and_stay_settled() -> None:
    for seed in range(20):
        changes = feed(temperature(resolution=0.05), noisy(seed, 600, 0.05))
        assert len(changes) == 1, seed
        assert changes[0][1] is True
        assert changes[0][0] <= 2.5 * BANDS[Q.TEMPERATURE].window_s


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), times=st.floats(2.5, 20.0), sign=st.sampled_from([-1, 1]))
def test_a_drift_well_beyond_the_band_never_settles(seed: int, times: float, sign: int) -> None:
    band = BANDS[Q.TEMPERATURE]
    slope = sign * times * band.drift / band.window_s
    assert feed(temperature(resolution=0.05), noisy(seed, 400, 0.03, slope=slope)) == []


def test_a_slow_pull_down_is_not_called_settled_while_it_still_moves() -> None:
    watch = temperature(resolution=0.05)
    chance = random.Random(3)
    values = [10.0 + 15.0 * math.exp(-t / 120.0) + chance.gauss(0.0, 0.05) for t in range(1, 1500)]
    changes = feed(watch, values)
    assert [settled for _, settled in changes] == [True]
    assert 15.0 * math.exp(-changes[0][0] / 120.0) < 0.6


def test_drift_hidden_in_the_last_digit_does_not_settle_early() -> None:
    # half a degree a minute on a display with steps of half a degree: flat for a minute at a time
    watch = temperature(resolution=0.5)
    values = [round((10.0 + n / 120.0) / 0.5) * 0.5 for n in range(600)]
    assert feed(watch, values) == []


def test_a_display_too_coarse_is_known_for_it() -> None:
    watch = temperature(resolution=2.0)
    feed(watch, [10.0 + 2.0 * (n % 2) for n in range(600)])
    assert watch.coarse
    assert not watch.settled


def test_a_jump_is_seen_within_three_samples_and_one_odd_sample_is_not_a_jump() -> None:
    watch = temperature(resolution=0.05)
    feed(watch, noisy(1, 300, 0.03))
    assert watch.settled
    assert not watch.push(301 * NS, 12.5)
    assert not watch.push(302 * NS, 10.0)
    assert watch.settled
    changes = feed(watch, [15.0] * 3, start_s=302)
    assert changes == [(305.0, False)]
    assert "jumped" in watch.why


def test_it_does_not_chatter_near_the_limit() -> None:
    band = BANDS[Q.TEMPERATURE]
    for seed in range(10):
        slope = 0.9 * band.drift / band.window_s
        changes = feed(temperature(resolution=0.05), noisy(seed, 3000, 0.03, slope=slope))
        assert len(changes) <= 3, seed


def test_a_beacon_that_speaks_every_ten_seconds_can_settle() -> None:
    assert feed(temperature(resolution=0.01), noisy(5, 60, 0.03), every_s=10.0)[0][1]


def test_a_slow_probe_has_a_longer_window() -> None:
    assert temperature(response_s=40.0).window_s == 160.0
    assert temperature(response_s=1.0).window_s == 60.0


def test_a_quantity_without_a_band_has_no_detector() -> None:
    assert detector(Q.ENERGY) is None


def naive(ts: list[float], xs: list[float]) -> tuple[float, float, float]:
    """Mean, slope and residual scatter by the textbook sums over the whole window."""
    n = len(ts)
    mean_t, mean_x = sum(ts) / n, sum(xs) / n
    s_tt = sum((t - mean_t) ** 2 for t in ts)
    slope = sum((t - mean_t) * (x - mean_x) for t, x in zip(ts, xs, strict=True)) / s_tt
    sse = sum((x - mean_x - slope * (t - mean_t)) ** 2 for t, x in zip(ts, xs, strict=True))
    return mean_x, slope, math.sqrt(sse / (n - 2))


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.tuples(st.floats(0.1, 5.0), st.floats(-3.0, 3.0)), min_size=12, max_size=400),
    level=st.floats(-1e3, 1e3),
)
def test_running_sums_agree_with_the_whole_window(steps: list[tuple[float, float]], level: float) -> None:
    watch = temperature()
    t = 0.0
    for dt, x in steps:
        t += dt
        watch.push(round(t * NS), level + x)
    ts, xs = watch.ts[watch.head :], [watch.x0 + x for x in watch.xs[watch.head :]]
    if len(ts) < 4:
        return
    mean, slope, scatter = naive(ts, xs)
    fit = watch.fit()
    assert fit.mean == pytest.approx(mean, rel=1e-9, abs=1e-9)
    assert fit.slope == pytest.approx(slope, rel=1e-6, abs=1e-9)
    assert fit.scatter == pytest.approx(scatter, rel=1e-6, abs=1e-6)


def test_its_window_and_so_its_cost_do_not_grow_with_the_stream() -> None:
    watch = temperature(resolution=0.05)
    longest = 0
    for n in range(20_000):
        watch.push(n * NS // 10 + 1, 10.0 + (n % 7) * 0.01)
        longest = max(longest, len(watch.ts))
    assert longest <= 10 * watch.window_s * 10  # samples a second x windows kept before the sums are taken anew


@settings(max_examples=20, deadline=None)
@given(cut=st.integers(1, 399), seed=st.integers(0, 99))
def test_a_snapshot_goes_on_bit_for_bit(cut: int, seed: int) -> None:
    values = noisy(seed, 400, 0.2)
    whole, part = temperature(resolution=0.05), temperature(resolution=0.05)
    feed(whole, values)
    feed(part, values[:cut])
    part = msgspec.msgpack.decode(msgspec.msgpack.encode(part), type=Detector)
    feed(part, values[cut:], start_s=cut)
    assert part == whole
