"""Sources of uncertainty: what the error of a value is made of, kept apart so that what inputs share is joined once.

A value's parts map each source to its effect on the value: one standard uncertainty of the source, times the
sensitivity, with its sign. Sources are independent of each other; whatever two inputs have in common (one probe used
twice, one meter's two channels, one barometer, one reference standard) stands in both under one name, so that the
effects add up before they are squared. This is the law of propagation with its covariances (JCGM 100:2008, 5.2.2;
covariance from shared variables: F.1.2.3).

A source is a text, "KIND WHOSE": "accuracy gauges/low", "installation vapor_line_temperature/contact".
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

Parts = Mapping[str, float]

# kind -> what it is, for people
KINDS: dict[str, str] = {
    "accuracy": "the maker's limits of error",
    "resolution": "the last digit of the display",
    "calibration": "the correction's own uncertainty",
    "reference": "the reference standard that it was corrected against",
    "installation": "how the probe sits",
    "stand-in": "measured elsewhere, or taken from a rating",
    "repeatability": "scatter within the window",
    "lag": "the probe follows slowly",
    "stated": "the +/- that was given",
    "barometer": "barometric pressure at the site",
    "frequency": "line frequency",
}
# Known by their limits only: equally probable anywhere between them (JCGM 100:2008, 4.3.7). The others are taken as
# normal.
BY_LIMITS = frozenset({"accuracy", "resolution", "installation", "stand-in", "barometer"})
_RECTANGLE = -1.2  # excess kurtosis of the rectangular distribution

# Coverage factor for 95 % by the excess kurtosis of the whole: computed by convolution for one rectangular source
# with a normal rest, for two unequal ones and for several equal ones; the largest of them, so that it is never short.
# From 1.645 (a single rectangular source, JCGM 100:2008, 4.3.7 and G.1.3) to 1.960 (normal).
_KURTOSIS = (-1.2, -1.087, -0.984, -0.816, -0.6, -0.4, -0.3, -0.108, 0.0)
_FACTOR = (1.645, 1.713, 1.766, 1.833, 1.901, 1.936, 1.939, 1.949, 1.960)


def source(kind: str, whose: str) -> str:
    """The name of a source. `kind` is one of KINDS."""
    return f"{kind} {whose}"


def split(name: str) -> tuple[str, str]:
    """Kind and owner of a source."""
    kind, _, whose = name.partition(" ")
    return kind, whose


def joined(partials: Iterable[float], parts: Sequence[Parts]) -> dict[str, float]:
    """Parts of a derived value from those of its inputs: what they share is added up with its sign.

    Raises ValueError when there are not as many partial derivatives as inputs.
    """
    whole: dict[str, float] = {}
    for partial, of_input in zip(partials, parts, strict=True):
        for name, effect in of_input.items():
            whole[name] = whole.get(name, 0.0) + partial * effect
    return whole


def combined(parts: Parts) -> float:
    """Combined standard uncertainty: the root of the sum of squares over independent sources."""
    return math.sqrt(sum(effect * effect for effect in parts.values()))


def covariance(one: Parts, other: Parts) -> float:
    """Covariance of two values: what they owe to the same sources (JCGM 100:2008, F.1.2.3)."""
    return sum(effect * other[name] for name, effect in one.items() if name in other)


def coverage95(parts: Parts) -> float:
    """Coverage factor for a 95 % interval of a value with these parts.

    Where one source known by its limits dominates, 1.96 standard uncertainties would cover nearly everything; the
    factor follows the shape of the whole by its kurtosis. Few independent samples do not ask for more: a window's
    repeatability comes widened by Student's factor for its own degrees of freedom (`measure/tails.py`), which is never
    shorter than effective degrees of freedom of the whole would be (Welch-Satterthwaite, JCGM 100:2008, G.4.1).
    """
    variance = fourth = 0.0
    for name, effect in parts.items():
        square = effect * effect
        variance += square
        if name.partition(" ")[0] in BY_LIMITS:
            fourth += square * square
    if not variance > 0.0:
        return _FACTOR[-1]
    kurtosis = _RECTANGLE * fourth / (variance * variance)
    for i in range(1, len(_KURTOSIS)):
        if kurtosis <= _KURTOSIS[i]:
            along = (kurtosis - _KURTOSIS[i - 1]) / (_KURTOSIS[i] - _KURTOSIS[i - 1])
            return _FACTOR[i - 1] + max(along, 0.0) * (_FACTOR[i] - _FACTOR[i - 1])
    return _FACTOR[-1]
