"""The settled detector against a plain full-window recomputation, and what it must and must not call settled."""

from __future__ import annotations

import math
import random

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from lineset.measure.bands import BANDS
from lineset.measure.settle import Detector, detector
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
    taken = []
    for seed in range(20):
        changes = feed(temperature(resolution=0.05), noisy(seed, 600, 0.05))
        assert len(changes) == 1, seed
        assert changes[0][1] is True
        taken.append(changes[0][0])
    # a slow creep has to be ruled out, so it takes the better part of the verdict's horizon
    assert sorted(taken)[10] <= 0.85 * BANDS[Q.TEMPERATURE].hold_s
    assert max(taken) <= 1.6 * BANDS[Q.TEMPERATURE].hold_s


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), times=st.floats(2.5, 20.0), sign=st.sampled_from([-1, 1]))
def test_a_drift_well_beyond_the_band_never_settles(seed: int, times: float, sign: int) -> None:
    band = BANDS[Q.TEMPERATURE]
    slope = sign * times * band.band / band.hold_s
    assert feed(temperature(resolution=0.05), noisy(seed, 400, 0.03, slope=slope)) == []


def test_a_slow_pull_down_is_not_called_settled_while_it_still_moves() -> None:
    watch = temperature(resolution=0.05)
    chance = random.Random(3)
    values = [10.0 + 15.0 * math.exp(-t / 120.0) + chance.gauss(0.0, 0.05) for t in range(1, 1500)]
    changes = feed(watch, values)
    assert [settled for _, settled in changes] == [True]
    assert 15.0 * math.exp(-changes[0][0] / 120.0) < BANDS[Q.TEMPERATURE].band


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
        slope = 0.9 * band.band / band.hold_s
        changes = feed(temperature(resolution=0.05), noisy(seed, 3000, 0.03, slope=slope))
        assert len(changes) <= 3, seed


def test_a_beacon_that_speaks_every_ten_seconds_can_settle() -> None:
    assert feed(temperature(resolution=0.01), noisy(5, 60, 0.03), every_s=10.0)[0][1]


def test_a_slow_probe_is_watched_for_longer_before_it_is_judged() -> None:
    assert temperature(response_s=40.0).dwell_s == 160.0
    assert temperature(response_s=1.0).dwell_s == BANDS[Q.TEMPERATURE].dwell_s


def test_a_quantity_without_a_band_has_no_detector() -> None:
    assert detector(Q.ENERGY) is None


def test_its_window_and_so_its_cost_do_not_grow_with_the_stream() -> None:
    watch = temperature(resolution=0.05)
    longest = 0
    for n in range(20_000):
        watch.push(n * NS // 10 + 1, 10.0 + (n % 7) * 0.01)
        longest = max(longest, len(watch.ts) + len(watch.old_ts))
    assert 40 < longest < 60


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


def test_the_declared_interval_holds_the_truth_with_noise_that_remembers() -> None:
    held = 0
    for seed in range(60):
        chance = random.Random(seed)
        drift = 0.0
        watch = temperature(resolution=0.01)
        for n in range(1, 900):
            drift = 0.9 * drift + math.sqrt(1 - 0.81) * chance.gauss(0.0, 0.04)  # correlated over about ten seconds
            if watch.push(n * NS, 20.0 + drift + chance.gauss(0.0, 0.03)) and watch.settled:
                break
        assert watch.settled, seed
        held += abs(watch.fit().mean - 20.0) <= 1.96 * watch.fit().u_mean
    assert held >= 53  # 95 % of 60 is 57; fewer than 53 comes once in a hundred


def test_a_hunting_valve_is_told_with_amplitude_and_period_and_does_not_settle() -> None:
    watch = temperature(resolution=0.05)
    chance = random.Random(4)
    values = [8.0 + 1.5 * math.sin(2 * math.pi * n / 90.0) + chance.gauss(0.0, 0.03) for n in range(900)]
    assert feed(watch, values) == []
    assert 1.3 < watch.hunting_amplitude < 1.6
    assert 80.0 < watch.hunting_period_s < 100.0
    feed(watch, noisy(2, 600, 0.03, level=8.0), start_s=900)
    assert watch.hunting_amplitude == 0.0
    assert watch.settled


def test_a_swing_inside_the_band_settles() -> None:
    watch = temperature(resolution=0.01)
    values = [8.0 + 0.1 * math.sin(2 * math.pi * n / 60.0) for n in range(900)]
    assert any(settled for _, settled in feed(watch, values))
    assert watch.hunting_amplitude == 0.0


def test_a_step_that_no_profile_declares_is_found_out() -> None:
    watch = temperature(resolution=0.0)
    chance = random.Random(6)
    feed(watch, [round((20.0 + chance.gauss(0.0, 0.4)) / 0.5) * 0.5 for _ in range(600)])
    assert watch.coarse
    assert watch.step == 0.5
    assert not watch.settled


def test_a_value_that_stands_still_after_it_flickered_does_not_settle() -> None:
    watch = temperature(resolution=0.01)
    feed(watch, [30.0 - 0.05 * n + x for n, x in enumerate(noisy(7, 120, 0.03, level=0.0))])
    assert feed(watch, [24.0] * 100, start_s=120) == []
    assert watch.stuck


def test_it_says_how_long_is_still_needed() -> None:
    # 20 K falling with a time constant of 120 s: less than 0.2 K/180 s of slope after another 120 ln(...) s
    watch = temperature(resolution=0.01)
    chance = random.Random(8)
    feed(watch, [10.0 + 20.0 * math.exp(-n / 120.0) + chance.gauss(0.0, 0.02) for n in range(1, 361)])
    left = 120.0 * math.log(20.0 * math.exp(-360.0 / 120.0) / (0.8 * 0.3 * 120.0 / 180.0))
    assert not watch.settled
    assert 0.6 * left < watch.eta_s < 1.5 * left


def test_each_kind_of_point_has_its_own_band() -> None:
    low = detector(Q.PRESSURE_GAUGE, point="vapor_service_pressure")
    high = detector(Q.PRESSURE_GAUGE, point="liquid_service_pressure")
    air = detector(Q.TEMPERATURE, point="supply_air_temperature")
    assert low is not None
    assert high is not None
    assert air is not None
    assert (low.band, high.band, air.band) == (7e3, 15e3, 0.2)
