"""Comparisons at rest: what a correction is worth, by properties and by errors drawn at random (all invented)."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.visit.comparison import Outcome, Stood, Window, drifted, side_by_side, zeroed
from lineset_drivers.quantity import Quantity

Q = Quantity
NS = 1_000_000_000


def stood(mean: float, u: float, *, fixed: float | None = None, scatter: float = 0.01) -> Stood:
    return Stood(mean, scatter, u if fixed is None else fixed, u)


near = st.floats(-0.4, 0.4)
uncertain = st.floats(0.1, 1.5)


@given(st.lists(st.tuples(near, uncertain), min_size=2, max_size=6))
def test_compared_thermometers_agree_and_none_becomes_less_certain(rows: list[tuple[float, float]]) -> None:
    read = [stood(24.0 + away * u, u) for away, u in rows]
    found = side_by_side(read, Q.TEMPERATURE, "r")
    assert all(each.found is not None for each in found)
    brought = [one.mean - each.found.offset for one, each in zip(read, found, strict=True) if each.found]
    assert max(brought) - min(brought) < 1e-9
    for one, each in zip(read, found, strict=True):
        assert each.found is not None
        after = math.hypot(each.found.reference_u, each.found.kept * one.fixed)
        assert after <= one.u * (1 + 1e-9)
        assert each.found.reference == "r"
    # the mean is at least as good as the best of them
    assert found[0].found is not None
    assert found[0].found.reference_u <= min(u for _, u in rows) * (1 + 1e-9)


@given(st.permutations([(24.0, 0.3), (24.2, 0.5), (23.9, 0.4), (31.0, 0.3)]))
def test_one_that_lies_elsewhere_is_told_whatever_the_order(rows: list[tuple[float, float]]) -> None:
    found = side_by_side([stood(mean, u) for mean, u in rows], Q.TEMPERATURE, "r")
    for (mean, _), each in zip(rows, found, strict=True):
        assert (each.found is None) == (mean == 31.0)
        if mean == 31.0:
            assert "is it with them" in each.reason


def test_two_that_disagree_cannot_be_told_apart() -> None:
    found = side_by_side([stood(24.0, 0.3), stood(29.0, 0.3)], Q.TEMPERATURE, "r")
    assert [each.found for each in found] == [None, None]


def test_the_stated_uncertainty_of_corrected_readings_covers_their_errors() -> None:
    # errors as the makers state them: half the variance an offset, half a slope that acts away from the comparison
    draw = random.Random(7)
    us = (0.3, 0.3, 0.6)
    ratios: list[float] = []
    splits: list[float] = []
    for _ in range(4000):
        offsets = [draw.gauss(0.0, u * math.sqrt(0.5)) for u in us]
        slopes = [draw.gauss(0.0, u * math.sqrt(0.5)) for u in us]
        found = side_by_side([stood(24.0 + off, u, scatter=0.0) for off, u in zip(offsets, us, strict=True)],
                             Q.TEMPERATURE, "r")  # fmt: skip
        if any(each.found is None for each in found):
            continue
        corrections = [each.found for each in found if each.found is not None]
        errors = [off - fix.offset + slope for off, fix, slope in zip(offsets, corrections, slopes, strict=True)]
        for error, fix, u in zip(errors, corrections, us, strict=True):
            ratios.append(error / math.hypot(fix.reference_u, fix.kept * u))
        apart = math.hypot(corrections[0].kept * us[0], corrections[1].kept * us[1])
        splits.append((errors[0] - errors[1]) / apart)
    for found_ratios in (ratios, splits):
        rms = math.sqrt(sum(r * r for r in found_ratios) / len(found_ratios))
        assert 0.75 < rms < 1.1


@given(st.floats(-2000.0, 2000.0))
def test_a_zero_error_within_reason_is_taken_off_whole(offset: float) -> None:
    found = zeroed(stood(offset, 4000.0, scatter=20.0), Q.PRESSURE_GAUGE)
    assert found.found is not None
    assert found.found.offset == offset
    assert found.u == 20.0


@given(st.floats(25_000.0, 3e6))
def test_pressure_is_never_zeroed_away(offset: float) -> None:
    found = zeroed(stood(offset, 4000.0), Q.PRESSURE_GAUGE)
    assert found.found is None
    assert "still connected" in found.reason


def test_a_sealed_transducer_at_altitude_is_allowed_for() -> None:
    low = stood(-19_000.0, 2000.0)  # about 1600 m of standard atmosphere
    assert zeroed(low, Q.PRESSURE_GAUGE).found is None
    assert zeroed(low, Q.PRESSURE_GAUGE, allowance=17_900.0).found is not None


@given(st.floats(-5.0, 5.0), st.floats(0.001, 1.0), st.floats(0.001, 1.0))
def test_drift_counts_beyond_what_both_comparisons_can_be_off(offset: float, now: float, then: float) -> None:
    assert drifted(Outcome(offset, now, None), then) == (abs(offset) > 1.96 * math.hypot(now, then))


@given(st.lists(st.floats(-50.0, 50.0), min_size=5, max_size=40), st.floats(0.2, 5.0))
def test_a_window_knows_mean_scatter_and_slope(values: list[float], every_s: float) -> None:
    window = Window()
    for i, value in enumerate(values):
        window.push(round(i * every_s * NS), value)
    n = len(values)
    mean = sum(values) / n
    assert window.mean == pytest.approx(mean, abs=1e-9)
    spread = sum((value - mean) ** 2 for value in values)
    assert window.u_mean == pytest.approx(math.sqrt(spread / (n - 1) / n), abs=1e-6)
    assert window.full == (n >= 5 and (n - 1) * every_s >= 15.0 - 1e-9)


def test_a_drifting_or_noisy_channel_does_not_stand_still() -> None:
    steady, drifting, noisy = Window(), Window(), Window()
    for i in range(40):
        t = i * NS // 2
        steady.push(t, 24.0 + 0.02 * (i % 2))
        drifting.push(t, 24.0 + 0.02 * i)
        noisy.push(t, 24.0 + 0.5 * (i % 2))
    assert steady.still(Q.TEMPERATURE, 0.1)
    assert not drifting.still(Q.TEMPERATURE, 0.1)
    assert not noisy.still(Q.TEMPERATURE, 0.1)
