"""Instruments compared at rest: against atmosphere, and side by side. Pure; SI.

A gauge that is open to the air ought to read zero: what it reads is taken off. Thermometers that lie together ought
to agree: each is brought to their mean, weighted by the inverse of their variances. The error of that mean is common
to all of them from then on, so that it cancels from a split; it is carried as a shared reference (covariance by
shared variables: JCGM 100:2008, F.1.2.3).

What a comparison at one point proves of the whole range is our judgement (common practice, no source): half of the
variance behind a maker's fixed limit is offset, which goes; the other half (slope, curvature, warmth) stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import msgspec

from lineset.visit import words_comparing as words
from lineset_drivers.quantity import Quantity

Q = Quantity
WINDOW_S = 15.0
FEWEST = 5
PATIENCE_S = 180.0
"""After so long without standing still a comparison is given up, and said so"""
# By how much a mean may move over a window and still be called still (common practice, no source).
STILL = {Q.PRESSURE_GAUGE: 700.0, Q.PRESSURE_DIFFERENCE: 1.5, Q.TEMPERATURE: 0.15, Q.CURRENT: 0.05}
_OFFSET_SHARE = 0.5
_SQRT3, _SQRT12 = math.sqrt(3.0), math.sqrt(12.0)
_PLAUSIBLE = 3.0  # times the stated limit: beyond it nothing is taken off, for it is no zero error any more
_LEAST_U = {Q.PRESSURE_GAUGE: 1_000.0, Q.PRESSURE_DIFFERENCE: 1.0, Q.TEMPERATURE: 0.5, Q.CURRENT: 0.05}
_CLAMP_AT_REST_A = 0.3


class Correction(msgspec.Struct, frozen=True):
    """What a comparison found of a channel, taken off its readings from then on. SI.

    `u` is the standard uncertainty of the offset, this channel's own; `kept` the part of the maker's fixed limit that
    stays; `reference` and `reference_u` as in a calibration, "" where the comparison has none.
    """

    offset: float
    u: float
    kept: float = 1.0
    reference: str = ""
    reference_u: float = 0.0


class Window(msgspec.Struct):
    """The readings of one channel while it is compared: sums for mean, scatter and slope over the window."""

    since: int = -1  # ns
    last: int = 0
    n: int = 0
    mean: float = 0.0
    spread: float = 0.0  # sum of squares about the mean
    mean_t: float = 0.0
    spread_t: float = 0.0
    joint: float = 0.0

    def push(self, t: int, value: float) -> None:
        """Take a reading [SI] at `t` ns."""
        if self.since < 0:
            self.since = t
        self.last, self.n = t, self.n + 1
        at = (t - self.since) * 1e-9
        away, away_t = value - self.mean, at - self.mean_t
        self.mean += away / self.n
        self.mean_t += away_t / self.n
        self.spread += away * (value - self.mean)
        self.spread_t += away_t * (at - self.mean_t)
        self.joint += away * (at - self.mean_t)

    @property
    def span_s(self) -> float:
        """Seconds from the first reading to the last."""
        return 0.0 if self.since < 0 else (self.last - self.since) * 1e-9

    @property
    def full(self) -> bool:
        """Whether there is enough to judge by."""
        return self.n >= FEWEST and self.span_s >= WINDOW_S

    def still(self, quantity: Quantity, resolution: float) -> bool:
        """Whether it stood still: what a straight line through it moves by, and its scatter, are small."""
        band = max(STILL[quantity], resolution)
        moved = abs(self.joint / self.spread_t) * self.span_s if self.spread_t > 0.0 else 0.0
        return moved <= band and math.sqrt(self.spread / max(self.n - 1, 1)) <= band

    @property
    def u_mean(self) -> float:
        """Standard uncertainty of the mean from its scatter (JCGM 100:2008, 4.2.3)."""
        return math.sqrt(self.spread / max(self.n - 1, 1) / max(self.n, 1))


@dataclass(frozen=True, slots=True)
class Stood:
    """A channel that stood still: its mean, the scatter of the mean, and what is stated of it. SI.

    `fixed` is the standard uncertainty of the maker's fixed limit, `u` that of the whole reading.
    """

    mean: float
    u_mean: float
    fixed: float
    u: float
    resolution: float = 0.0

    @property
    def own(self) -> float:
        """Standard uncertainty of the mean as it was read: scatter and last digit."""
        return math.hypot(self.u_mean, self.resolution / _SQRT12)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a comparison found of a channel: the offset (what it reads too high) and what is to be done with it.

    `found` is None where nothing may be taken off; `reason` then says why and what to look at.
    """

    offset: float
    u: float
    found: Correction | None
    reason: str = ""


def zeroed(stood: Stood, quantity: Quantity, allowance: float = 0.0) -> Outcome:
    """A channel that ought to read zero. `allowance` [SI] is what altitude may add for a sealed transducer."""
    offset, u = stood.mean, stood.own
    if quantity is Q.CURRENT:
        if abs(offset) > _CLAMP_AT_REST_A + _PLAUSIBLE * stood.fixed * _SQRT3:
            why = words.CLAMP_READS
        else:
            why = words.CLAMP_ZERO
        return Outcome(offset, u, None, why)
    limit = _PLAUSIBLE * (stood.fixed * _SQRT3 or _LEAST_U[quantity]) + allowance
    if abs(offset) > limit:
        return Outcome(offset, u, None, words.BEYOND)
    kept = math.sqrt(1.0 - _OFFSET_SHARE) if stood.fixed else 1.0
    return Outcome(offset, u, Correction(offset, u, kept))


def side_by_side(stood: Sequence[Stood], quantity: Quantity, reference: str) -> list[Outcome]:
    """Channels that ought to read alike, each against the weighted mean of all that agree; in the same order.

    One that disagrees with the others by more than three standard uncertainties takes no part, and is told; two that
    disagree cannot be told apart, so that nothing is taken off either.
    """
    us = [each.u or _LEAST_U[quantity] for each in stood]
    inside = list(range(len(stood)))
    while len(inside) > 2:
        middle = median(stood[i].mean for i in inside)
        typical = median(us[i] for i in inside)
        worst = max(inside, key=lambda i: (abs(stood[i].mean - middle) / math.hypot(us[i], typical), i))
        if abs(stood[worst].mean - middle) <= 3.0 * math.hypot(us[worst], typical):
            break
        inside.remove(worst)
    alone = len(inside) < 2
    if len(inside) == 2:
        one, other = inside
        alone = abs(stood[one].mean - stood[other].mean) > 3.0 * math.hypot(us[one], us[other])
    weight = sum(us[i] ** -2 for i in inside)
    mean = sum(stood[i].mean * us[i] ** -2 for i in inside) / weight
    reference_u = weight**-0.5
    found = []
    for i, each in enumerate(stood):
        offset, u = each.mean - mean, each.own
        if alone:
            found.append(Outcome(offset, u, None, words.DISAGREE))
        elif i not in inside:
            found.append(Outcome(offset, u, None, words.ONE_DISAGREES))
        else:
            found.append(Outcome(offset, u, Correction(offset, u, _kept(us[i], each.fixed, reference_u), reference,
                                                       reference_u)))  # fmt: skip
    return found


def _kept(u: float, fixed: float, reference_u: float) -> float:
    """The part of the maker's fixed limit that stays, so that a comparison never makes a reading less certain."""
    if not fixed:
        return 1.0
    left = min(_OFFSET_SHARE, (u * u - reference_u * reference_u) / (fixed * fixed))
    return math.sqrt(max(left, 0.0))


def drifted(now: Outcome, u_then: float) -> bool:
    """Whether a channel has moved since it was corrected by more than both comparisons can be off (95 %)."""
    return abs(now.offset) > 1.96 * math.hypot(now.u, u_then)
