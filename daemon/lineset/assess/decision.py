"""Decision rules: from a value, its uncertainty and its limits to a state (JCGM 106:2012).

Two rules. Simple acceptance (8.2.1) takes the value as it is: for published field tolerances that already allow for
instruments, once the instruments meet what the source asks of them. The guard band (8.3) wants the whole 95 %
interval inside to pass and outside to fail, and is undecided between. The probability of conformance (7.2, normal
distribution) is shown with both.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import NamedTuple

from lineset.measure.uncertainty import Z95


class State(StrEnum):
    """What a verdict says."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_APPLICABLE = "not_applicable"
    ADVISORY = "advisory"


class Rule(StrEnum):
    """How a value is held against its limits."""

    SIMPLE = "simple_acceptance"
    GUARDED = "guard_band"


class Finding(StrEnum):
    """On which side of the limits the value itself lies, whatever may be concluded from it."""

    LOW = "low"
    WITHIN = "within"
    HIGH = "high"


class Decision(NamedTuple):
    """State and finding, with the probability that the true value lies within the limits."""

    state: State
    finding: Finding
    probability: float


def _below(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def probability_of_conformance(value: float, u: float, low: float | None, high: float | None) -> float:
    """Probability that the true value lies in [low, high], taken as normal around `value` (JCGM 106:2012, 7.2)."""
    if u <= 0.0:
        return 1.0 if find(value, low, high) is Finding.WITHIN else 0.0
    under = 0.0 if low is None else _below((low - value) / u)
    over = 0.0 if high is None else _below((value - high) / u)
    return max(0.0, 1.0 - under - over)


def find(value: float, low: float | None, high: float | None) -> Finding:
    """On which side of the limits a value lies; a value on a limit is within. Raises ValueError for no number."""
    if not math.isfinite(value):
        raise ValueError("a value that is not a number cannot be held against limits")
    if low is not None and value < low - _rounding(low):
        return Finding.LOW
    if high is not None and value > high + _rounding(high):
        return Finding.HIGH
    return Finding.WITHIN


def _rounding(limit: float) -> float:
    # a tolerance given in whole degF and a reading brought to SI meet again only to the last bits
    return 1e-9 * (1.0 + abs(limit))


def decide(
    value: float, u: float, low: float | None, high: float | None, rule: Rule, coverage: float = Z95
) -> Decision:
    """Hold a value with standard uncertainty `u` against its limits. One of them may be None: open to that side.

    `coverage` is the factor from `u` to the half width of the 95 % interval.
    """
    finding = find(value, low, high)
    probability = probability_of_conformance(value, u, low, high)
    if rule is Rule.SIMPLE:
        return Decision(State.PASS if finding is Finding.WITHIN else State.FAIL, finding, probability)
    half = coverage * u
    bottom, top = find(value - half, low, high), find(value + half, low, high)
    if bottom is Finding.WITHIN and top is Finding.WITHIN:
        return Decision(State.PASS, finding, probability)
    if bottom is top:
        return Decision(State.FAIL, finding, probability)
    return Decision(State.UNDECIDED, finding, probability)
