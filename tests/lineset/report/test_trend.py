"""Lines across visits: coverage of slope and of the date at the limit, and honesty with few points."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.report.trend import Point, chi2_95, crossing, fit, trend


def noisy(chance: random.Random, slope: float, years: list[float], u: float) -> list[Point]:
    return [Point(at, 45.0 + slope * at + chance.gauss(0.0, u), u, f"v{at:g}") for at in years]


# 95 % quantiles of chi-squared, NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4 (from memory)
@pytest.mark.parametrize(("df", "quantile"), [(1, 3.841), (2, 5.991), (5, 11.070), (10, 18.307)])
def test_the_quantile_of_chi_squared(df: int, quantile: float) -> None:
    assert chi2_95(df) == pytest.approx(quantile, rel=0.03)


def test_when_nothing_moves_a_movement_is_said_in_one_of_twenty_at_most() -> None:
    chance = random.Random(4)
    years, runs = [0.0, 1.0, 2.1, 3.0, 3.9], 4000
    said = sum(trend("x", "F", noisy(chance, 0.0, years, 0.3)).says in ("falling", "rising") for _ in range(runs))
    assert said / runs <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / runs)


def test_the_interval_of_the_date_holds_the_true_date() -> None:
    chance = random.Random(5)
    runs, told, held = 3000, 0, 0
    for _ in range(runs):
        line = fit(noisy(chance, -0.6, [0.0, 1.0, 2.0, 3.0, 4.0], 0.15))
        assert line is not None
        met = crossing(line, 42.3)  # true: 4.5 years
        if met is None:
            continue
        told += 1
        held += met.early <= 4.5 and (met.late is None or met.late >= 4.5)
    assert told > 0.9 * runs
    assert held / told >= 0.95 - 3.0 * math.sqrt(0.05 * 0.95 / told)


@given(st.floats(-2.0, 2.0), st.floats(10.0, 60.0), st.lists(st.floats(0.05, 1.0), min_size=3, max_size=8))
def test_points_on_a_line_give_the_line(slope: float, level: float, uncertainties: list[float]) -> None:
    points = [Point(float(n), level + slope * n, u, "v") for n, u in enumerate(uncertainties)]
    line = fit(points)
    assert line is not None
    assert line.slope == pytest.approx(slope, abs=1e-6)
    assert line.at(0.0)[0] == pytest.approx(level, abs=1e-5)
    assert line.chi2 == pytest.approx(0.0, abs=1e-6)


def test_two_visits_give_no_date() -> None:
    points = [Point(0.0, 45.0, 0.1, "a"), Point(1.0, 43.0, 0.1, "b")]
    found = trend("herm_capacitance", "F", points, limit=42.3, wears_down=True)
    assert found.says == "falling"
    assert found.crossing is None


def test_visits_of_one_season_give_no_line() -> None:
    points = [Point(0.0, 45.0, 0.1, "a"), Point(0.1, 44.0, 0.1, "b"), Point(0.2, 43.0, 0.1, "c")]
    assert trend("herm_capacitance", "F", points, limit=42.3).says == "few"


def test_a_rise_is_a_new_part_and_the_line_begins_there() -> None:
    points = [
        Point(0.0, 44.0, 0.1, "a"),
        Point(1.0, 43.0, 0.1, "b"),
        Point(2.0, 45.1, 0.1, "c"),
        Point(3.0, 44.6, 0.1, "d"),
    ]
    found = trend("herm_capacitance", "F", points, limit=42.3, wears_down=True)
    assert found.renewed == "c"
    assert [point.visit for point in found.counted] == ["c", "d"]


def test_points_that_scatter_too_much_are_no_line() -> None:
    points = [
        Point(0.0, 45.0, 0.1, "a"),
        Point(1.0, 42.0, 0.1, "b"),
        Point(2.0, 45.0, 0.1, "c"),
        Point(3.0, 41.0, 0.1, "d"),
    ]
    found = trend("compressor_common_current", "A", points, limit=50.0)
    assert found.says == "scattered"
    assert found.crossing is None


def test_moving_away_from_the_limit_gives_no_date() -> None:
    points = [Point(float(n), 45.0 + n, 0.1, "v") for n in range(4)]
    assert trend("x", "F", points, limit=42.3).crossing is None


def test_a_limit_that_was_met_already_gives_no_date() -> None:
    points = [Point(float(n), 45.0 - n, 0.1, "v") for n in range(4)]
    assert trend("x", "F", points, limit=43.5).crossing is None
    assert trend("x", "F", points, limit=41.5).crossing is not None


def test_a_point_without_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        fit([Point(0.0, 1.0, 0.0, "a"), Point(1.0, 2.0, 0.1, "b")])
