"""A straight line through the newest blocks: the slope of a reading now, and how sure it is.

Pure functions of lists; no state.
"""

from __future__ import annotations

import math
from operator import mul
from typing import NamedTuple

from lineset.measure.uncertainty import Z95, student_t95

_RHO_BIAS = 1.5  # over the number of blocks: the estimate of a correlation from few is too low


class Line(NamedTuple):
    """A line through blocks, in the unit of the values and in seconds."""

    value: float  # now, at the newest block
    value_u: float
    slope: float  # a second
    slope_u: float
    misfit: float  # rms of the blocks about the line, degrees of freedom counted
    span_s: float


def line(ts: list[float], xs: list[float], newest: int, floor: float, hidden: float) -> Line:
    """The line through the `newest` blocks (at least four) of times `ts` and means `xs`, oldest first.

    `floor` is the least scatter that a block mean can have, `hidden` the change that the display's step can hide.
    Neighbours that are alike tell less than they seem to: the uncertainties are widened for their correlation and for
    few degrees of freedom.
    """
    ts, xs = ts[-newest:], xs[-newest:]
    n = len(xs)
    t_mean, x_mean = sum(ts) / n, sum(xs) / n
    dt = [t - t_mean for t in ts]
    dx = [x - x_mean for x in xs]
    stt = sum(map(mul, dt, dt))
    slope = sum(map(mul, dt, dx)) / stt
    rs = [x - slope * t for x, t in zip(dx, dt, strict=True)]
    power = sum(map(mul, rs, rs))
    least = floor * floor
    rho = sum(map(mul, rs, rs[1:])) / max(power, 0.3 * n * least) + _RHO_BIAS / n
    rho = 0.0 if rho < 0.0 else 0.7 if rho > 0.7 else rho
    inflation = (1.0 + rho) / (1.0 - rho)
    noise = max(power / (n - 2), least) * inflation
    wide = student_t95(max(n / inflation - 2.0, 2.0)) / Z95 if power > (n - 2) * least else 1.0
    noise *= wide * wide
    span = ts[-1] - ts[0]
    end = dt[-1]
    unseen = hidden / span
    return Line(
        x_mean + slope * end,
        math.sqrt(noise * (1.0 / n + end * end / stt)),
        slope,
        math.sqrt(noise / stt + unseen * unseen),
        math.sqrt(power / (n - 2)),
        span,
    )
