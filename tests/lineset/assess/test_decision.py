"""Decision rules (JCGM 106:2012) and their properties."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.assess.decision import Finding, Rule, State, decide, find, probability_of_conformance

values = st.floats(-50, 50)
spreads = st.floats(0.01, 20)


def test_probability_of_conformance_of_a_normal_distribution() -> None:
    # standard normal table: 95.45 % within two, 50 % beyond one limit at the value, 84.13 % below one
    assert probability_of_conformance(0.0, 1.0, -2.0, 2.0) == pytest.approx(0.9545, abs=5e-5)
    assert probability_of_conformance(1.0, 1.0, None, 1.0) == pytest.approx(0.5)
    assert probability_of_conformance(0.0, 1.0, None, 1.0) == pytest.approx(0.8413, abs=5e-5)


def test_the_published_example_would_never_pass_with_a_guard_band() -> None:
    # +/- 3 degF of interval against a tolerance of +/- 3 degF: only the very middle could pass
    u = 3.0 / 1.96
    assert decide(0.1, u, -3.0, 3.0, Rule.GUARDED).state is State.UNDECIDED
    assert decide(0.1, u, -3.0, 3.0, Rule.SIMPLE).state is State.PASS
    assert decide(0.1, u, -3.0, 3.0, Rule.SIMPLE).probability == pytest.approx(0.95, abs=0.01)


def test_a_value_on_the_limit_is_within() -> None:
    assert find(3.0, -3.0, 3.0) is Finding.WITHIN
    assert decide(-3.0, 0.1, -3.0, 3.0, Rule.SIMPLE).state is State.PASS
    with pytest.raises(ValueError, match="not a number"):
        find(math.nan, -3.0, 3.0)


@given(values, spreads)
def test_a_guard_band_never_passes_what_simple_acceptance_fails(value: float, u: float) -> None:
    simple, guarded = (decide(value, u, -3.0, 5.0, rule).state for rule in (Rule.SIMPLE, Rule.GUARDED))
    if simple is State.FAIL:
        assert guarded is not State.PASS
    if simple is State.PASS:
        assert guarded is not State.FAIL


@given(values, spreads)
def test_decisions_are_symmetric(value: float, u: float) -> None:
    for rule in Rule:
        here, mirrored = decide(value, u, -3.0, 5.0, rule), decide(-value, u, -5.0, 3.0, rule)
        assert here.state is mirrored.state
        assert here.probability == pytest.approx(mirrored.probability, abs=1e-12)
        swapped = {Finding.LOW: Finding.HIGH, Finding.HIGH: Finding.LOW}
        assert mirrored.finding is swapped.get(here.finding, here.finding)


@given(values, spreads, st.floats(1.01, 5))
def test_a_better_meter_never_turns_a_decision_around(value: float, u: float, better: float) -> None:
    coarse = decide(value, u, -3.0, 5.0, Rule.GUARDED).state
    fine = decide(value, u / better, -3.0, 5.0, Rule.GUARDED).state
    assert coarse in (State.UNDECIDED, fine)


@given(values, spreads)
def test_a_guarded_pass_conforms_with_95_percent(value: float, u: float) -> None:
    decision = decide(value, u, -3.0, 5.0, Rule.GUARDED)
    assert 0.0 <= decision.probability <= 1.0
    if decision.state is State.PASS:
        assert decision.probability >= 0.95 - 1e-12
    if decision.state is State.FAIL:
        assert decision.probability <= 0.025 + 1e-12


def test_the_interval_that_decides_is_the_one_that_is_told() -> None:
    # JCGM 100:2008, 4.3.7 and G.1.3: a single rectangular source is covered to 95 % by 1.65 of its standard uncertainty
    near: dict[str, Any] = {"value": 2.8, "u": 0.11, "low": -3.0, "high": 3.0, "rule": Rule.GUARDED}
    assert decide(**near).state is State.UNDECIDED
    assert decide(**near, coverage=1.65).state is State.PASS
