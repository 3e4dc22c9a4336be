"""Residuals: what was measured less what a sound system would show, with their joint uncertainty.

A residual inside its neutral band (99 %) says nothing. Residuals that share a probe, a gauge or the weather's reading
share its error, and `Residuals.covariance` keeps that: it is what tells a fault from one instrument that is off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lineset.assess.evidence import Evidence
from lineset.assess.expectation import Footing, expected
from lineset.assess.features import FEATURES, Conditions, Feature, Moment, moment, standing
from lineset.assess.gaussian import Matrix

Z99 = 2.5758293035489004  # two-sided 99 % quantile of the normal distribution


@dataclass(frozen=True, slots=True)
class Residual:
    """One feature against its expectation; SI. `u` is the combined standard uncertainty, `by` its sources."""

    feature: Feature
    value: float
    expected: float
    u: float
    own_u: float  # of the expectation alone
    by: Mapping[str, float]
    footing: Footing
    source: str

    @property
    def name(self) -> str:
        return self.feature.name

    @property
    def residual(self) -> float:
        return self.value - self.expected

    @property
    def band(self) -> float:
        """Half width of the neutral band."""
        return Z99 * self.u

    @property
    def sign(self) -> int:
        """-1 below, +1 above, 0 inside the neutral band."""
        if abs(self.residual) <= self.band:
            return 0
        return 1 if self.residual > 0.0 else -1


@dataclass(frozen=True)
class Residuals:
    """All residuals of a visit, in the order of FEATURES, with the standard uncertainty of each source they share."""

    rows: tuple[Residual, ...]
    sources: Mapping[str, float]
    conditions: Conditions | None = None

    def get(self, name: str) -> Residual | None:
        return next((row for row in self.rows if row.name == name), None)

    @property
    def outside(self) -> tuple[Residual, ...]:
        """Those beyond their neutral band."""
        return tuple(row for row in self.rows if row.sign)

    def covariance(self) -> Matrix:
        """Joint covariance of the residuals: shared sources, and each expectation's own."""
        return [
            [
                sum(slope * other.by.get(point, 0.0) * self.sources[point] ** 2 for point, slope in row.by.items())
                + (row.own_u**2 if row is other else 0.0)
                for other in self.rows
            ]
            for row in self.rows
        ]

    def without(self, *names: str) -> Residuals:
        """The same without some features."""
        return Residuals(tuple(row for row in self.rows if row.name not in names), self.sources, self.conditions)


def residuals(evidence: Evidence, *, at_rest: Evidence | None = None, earlier: Sequence[Evidence] = ()) -> Residuals:
    """The residuals of what has settled in a running system.

    `at_rest` is what had settled in the same visit while the system stood; `earlier` are running moments of this
    system's own earlier visits, at which it was found sound. Empty without outdoor and return air, by which all is
    judged.
    """
    now = moment(evidence)
    if now is None:
        return Residuals((), {})
    before = [then for each in earlier if (then := moment(each)) is not None]
    parts: list[tuple[Moment, Sequence[Moment]]] = [(now, before)]
    stood = standing(at_rest) if at_rest is not None else None
    if stood is not None:
        parts.append((stood, ()))
    sources: dict[str, float] = {}
    rows: dict[str, Residual] = {}
    for part, own in parts:
        for name, measured in part.features.items():
            found = expected(name, evidence.system, part.conditions, own)
            by = dict(measured.by)
            if part is now:
                for point, slope in found.by.items():
                    by[point] = by.get(point, 0.0) - slope
            variance = found.u**2 + sum((slope * part.sources.get(point, 0.0)) ** 2 for point, slope in by.items())
            rows[name] = Residual(
                FEATURES[name],
                measured.value,
                found.value,
                math.sqrt(variance),
                found.u,
                by,
                found.footing,
                found.source,
            )
        for point, u in part.sources.items():
            sources.setdefault(point, u)
    for row in rows.values():
        for point in row.by:
            sources.setdefault(point, 0.0)
    return Residuals(tuple(rows[name] for name in FEATURES if name in rows), sources, now.conditions)
