"""Across visits: how a value of one system went from year to year, and when a fading one may reach its limit.

A straight line through the visits, each weighted by its own uncertainty (weighted least squares). The uncertainties
are known, so the line's own come from them alone; where the points scatter more than they allow (chi-squared beyond
its 95 % quantile) no line is drawn. The date at which it meets the limit has its interval from the same line
(Fieller): all dates at which the line's interval holds the limit. Two visits give two points: what they say is told,
but a date is given from three on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Z95 = 1.959963984540054
LEAST_FOR_A_DATE = 3
LEAST_SPAN_YEARS = 0.5  # judgement: less than a season says nothing of years
FARTHEST_YEARS = 30.0  # judgement: beyond a unit's life no date is told


@dataclass(frozen=True, slots=True)
class Point:
    """A value (SI) of one visit: when (years since 1970), with its standard uncertainty, and which visit."""

    years: float
    value: float
    u: float
    visit: str


@dataclass(frozen=True, slots=True)
class Line:
    """value = level + slope x (years - centre); standard uncertainties of level and slope, which are independent."""

    centre: float
    level: float
    slope: float  # per year
    level_u: float
    slope_u: float
    chi2: float
    points: int

    def at(self, years: float) -> tuple[float, float]:
        """Value and standard uncertainty of the line at a date."""
        away = years - self.centre
        return self.level + self.slope * away, math.hypot(self.level_u, self.slope_u * away)

    @property
    def straight(self) -> bool:
        """Whether the points scatter no more than their uncertainties allow."""
        return self.points <= 2 or self.chi2 <= chi2_95(self.points - 2)

    @property
    def moves(self) -> bool:
        """Whether the slope is shown to be other than nothing, at 95 %."""
        return self.straight and abs(self.slope) > Z95 * self.slope_u


def chi2_95(df: int) -> float:
    """95 % quantile of chi-squared, by Wilson and Hilferty's approximation (within 1 % from one degree on: memory)."""
    part = 2.0 / (9.0 * df)
    return df * (1.0 - part + 1.6448536 * math.sqrt(part)) ** 3


def fit(points: Sequence[Point]) -> Line | None:
    """The weighted straight line; None with fewer than two points, or all of one moment.

    Raises ValueError for an uncertainty that is not above zero.
    """
    if len(points) < 2:
        return None
    if any(not point.u > 0.0 for point in points):
        raise ValueError("a point of a trend needs an uncertainty above zero")
    weights = [1.0 / (point.u * point.u) for point in points]
    whole = sum(weights)
    centre = sum(w * point.years for w, point in zip(weights, points, strict=True)) / whole
    level = sum(w * point.value for w, point in zip(weights, points, strict=True)) / whole
    spread = sum(w * (point.years - centre) ** 2 for w, point in zip(weights, points, strict=True))
    if not spread > 0.0:
        return None
    slope = sum(w * (p.years - centre) * (p.value - level) for w, p in zip(weights, points, strict=True)) / spread
    chi2 = sum(
        w * (p.value - level - slope * (p.years - centre)) ** 2 for w, p in zip(weights, points, strict=True)
    )  # fmt: skip
    return Line(centre, level, slope, 1.0 / math.sqrt(whole), 1.0 / math.sqrt(spread), chi2, len(points))


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the line meets the limit (years since 1970). `late` is None where the interval has no end."""

    at: float
    early: float
    late: float | None


def crossing(line: Line, limit: float) -> Crossing | None:
    """When a moving line meets a limit; None where it does not move, or moves away from it.

    The interval holds all dates after the line's centre at which |line - limit| <= 1.96 u (Fieller).
    """
    if not line.moves:
        return None
    gap = limit - line.level
    if gap * line.slope <= 0.0:
        return None
    at = line.centre + gap / line.slope
    # (gap - slope x)^2 = z^2 (level_u^2 + slope_u^2 x^2)
    a = line.slope**2 - (Z95 * line.slope_u) ** 2
    b = -2.0 * gap * line.slope
    c = gap * gap - (Z95 * line.level_u) ** 2
    root = b * b - 4.0 * a * c
    if a <= 0.0 or root < 0.0:
        return Crossing(at, at, None)
    low, high = sorted(((-b - math.sqrt(root)) / (2.0 * a), (-b + math.sqrt(root)) / (2.0 * a)))
    return Crossing(at, line.centre + low, line.centre + high)


@dataclass(frozen=True, slots=True)
class Trend:
    """One value across visits. `renewed`: it rose more than its uncertainty allows at that visit (a new part), and the
    line begins there. `crossing` only where a date is told."""

    name: str
    unit: str
    points: tuple[Point, ...]
    counted: tuple[Point, ...]
    line: Line | None
    limit: float | None = None
    crossing: Crossing | None = None
    renewed: str = ""
    outdoors: tuple[float | None, ...] = ()  # Cel, at each point
    comparable: bool = True

    @property
    def says(self) -> str:
        """few, scattered, level, falling or rising."""
        if self.line is None or len(self.counted) < 2 or _span(self.counted) < LEAST_SPAN_YEARS:
            return "few"
        if not self.line.straight:
            return "scattered"
        if not self.line.moves:
            return "level"
        return "falling" if self.line.slope < 0.0 else "rising"


def _span(points: Sequence[Point]) -> float:
    return max(point.years for point in points) - min(point.years for point in points)


def trend(
    name: str, unit: str, points: Sequence[Point], *, limit: float | None = None, wears_down: bool = False,
    outdoors: Sequence[float | None] = (), comparable: bool = True,
) -> Trend:  # fmt: skip
    """The trend of one value. `wears_down`: it can only fall by itself, so a rise is a new part."""
    ordered = sorted(points, key=lambda point: point.years)
    counted, renewed = ordered, ""
    if wears_down:
        for n in range(1, len(ordered)):
            one, two = ordered[n - 1], ordered[n]
            # 2.576: 99 %, so that scatter is seldom taken for a new part
            if two.value - one.value > 2.576 * math.hypot(one.u, two.u):
                counted, renewed = ordered[n:], two.visit
    line = fit(counted)
    met = None
    enough = len(counted) >= LEAST_FOR_A_DATE and _span(counted) >= LEAST_SPAN_YEARS
    if line is not None and limit is not None and enough and comparable:
        met = crossing(line, limit)
        # a limit that was met already is the check's to tell
        if met is not None and not 0.0 < met.at - counted[-1].years <= FARTHEST_YEARS:
            met = None
    return Trend(name, unit, tuple(ordered), tuple(counted), line, limit, met, renewed, tuple(outdoors), comparable)
