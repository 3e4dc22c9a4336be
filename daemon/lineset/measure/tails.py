"""What is still to come of a change: an outlook from block means, by weighing several explanations.

What falls off slowly (a probe warming its clamp, a coil drying, a room following) and what ramps for good look alike
for a while. Both are fitted to the same blocks: two exponential tails, one four times as quick as the other, for each
of a row of time constants; and a line with one tail. Each explanation is weighed by how well it fits (its likelihood,
with the blocks' own scatter widened for correlation between neighbours) and gives the probability that the change
still to come and the present slope lie inside what is tolerated. A line has nothing still to come: only its slope
counts.

Earlier, larger parts of a change count less, because no two exponentials describe them all.
Pure functions of lists; no state.
"""

from __future__ import annotations

import math
from operator import mul
from typing import NamedTuple

from lineset.measure.uncertainty import Z95, student_t95

_TAUS = 7  # from the longest; each next one is half as long
# explanations: indices of the two shapes; 0 is the line, 1 the longest tail
_PAIRS = (*((k, k + ratio) for ratio in (2, 3, 4) for k in range(1, 8 - ratio)), *((0, k) for k in (4, 5, 6)))
_TAIL_PAIRS = sum(i > 0 for i, _ in _PAIRS)
# How likely a line is before looking, against all tails together. A creep is what is left of a larger change: where
# the blocks hold one (`_LARGE` bands), a tail is the likelier, and so, less, where something was lately disturbed.
_LARGE = 3.0
_LINE_AFTER_CHANGE = 0.1
_LINE_DISTURBED = 0.2
_LINE_IN_CALM = 0.85
_SINGLES = (0, 1, 2, 3)  # shapes that may also stand alone: where nothing quick went before, one is enough
_SINGLE_SHARE = 0.5
_TAPER = 0.04  # of a block's distance from the present value is what two exponentials do not describe
_FAR = 1.0  # bands; from there on ever more so
_RHO_BIAS = 2.0  # over the number of residuals: the estimate of a correlation from few is too low
_NEGLIGIBLE = 1e-5  # weight of an explanation that is left out
_SQRT2 = math.sqrt(2.0)


class Outlook(NamedTuple):
    """What the blocks say of the present and of what is still to come, in the unit of the values."""

    probability: float  # that the rest and the slope are inside what is tolerated
    value: float  # now
    u: float  # its standard uncertainty, such that 1.96 of it is a 95 % interval
    slope: float  # a second
    slope_u: float
    misfit: float  # rms of the blocks of the last hold about the likeliest explanation
    eta_s: float  # until the rest is tolerable; below 0: cannot be said (a ramp too steep)
    last: float  # how far the newest three blocks lie from the likeliest explanation


def _inside(center: float, sd: float, limit: float) -> float:
    if sd <= 0.0:
        return 1.0 if abs(center) < limit else 0.0
    scale = 1.0 / (sd * _SQRT2)
    return 0.5 * (math.erf((limit - center) * scale) - math.erf((-limit - center) * scale))


def outlook(
    ages: list[float],
    ys: list[float],
    counts: list[float],
    band: float,
    hold_s: float,
    tail_s: float,
    floor: float,
    hidden: float,
    disturbed: bool,
) -> Outlook | None:
    """Judge block means `ys` of `ages` seconds (oldest first; 0 is now) with relative `counts` of samples.

    `tail_s` is the longest time constant that is reckoned with, `floor` the least scatter that a block mean can
    have, `hidden` the change that the display's step can hide, `disturbed` whether it was let go lately.
    None when the blocks cannot carry a fit.
    """
    n = len(ys)
    now = sum(ys[-3:]) / 3.0
    base = floor * floor
    far = 1.0 / (_FAR * band) ** 2
    taper = _TAPER * _TAPER
    offs = [(y - now) ** 2 for y in ys]
    ws = [m / (base + taper * off * (1.0 + off * far)) for m, off in zip(counts, offs, strict=True)]
    y0 = ys[-1]
    ys = [y - y0 for y in ys]
    s = sum(ws)
    wy = list(map(mul, ws, ys))
    y_mean = sum(wy) / s
    syy = sum(map(mul, wy, ys)) - s * y_mean * y_mean
    # the shapes, each 1 at the oldest block: a line, and tails; with their values and slopes at the present moment
    span = ages[0]
    tau = tail_s
    shapes = [[a / span for a in ages]]
    taus = [0.0]
    ends = [0.0]
    slopes = [-1.0 / span]
    shape = [math.exp((a - span) / tau) for a in ages]
    for _ in range(_TAUS):
        shapes.append(shape)
        taus.append(tau)
        ends.append(math.exp(-span / tau))
        slopes.append(-ends[-1] / tau)
        shape = list(map(mul, shape, shape))
        tau *= 0.5
    weighted = [list(map(mul, ws, g)) for g in shapes]
    sums = [sum(wg) for wg in weighted]
    means = [wg / s for wg in sums]
    # the square of a tail is the next tail
    squares = [sum(map(mul, weighted[0], shapes[0])), *sums[2:], sum(map(mul, weighted[-1], shapes[-1]))]
    own = [g2 - s * m * m for g2, m in zip(squares, means, strict=True)]
    with_y = [sum(map(mul, wg, ys)) - wg_sum * y_mean for wg, wg_sum in zip(weighted, sums, strict=True)]
    # rows: misfit, the two shapes, prior, how much of each (c, f), and their unit variances and covariance
    rows: list[tuple[float, int, int, float, float, float, float, float, float]] = []
    line = _LINE_DISTURBED if disturbed else _LINE_IN_CALM
    if max(ys) - min(ys) > _LARGE * band:
        line = _LINE_AFTER_CHANGE
    for i, j in _PAIRS:
        prior = (1.0 - line) / _TAIL_PAIRS if i else line / 3.0
        cross = sum(map(mul, weighted[i], shapes[j])) - s * means[i] * means[j]
        d = own[i] * own[j] - cross * cross
        if d <= 1e-9 * own[i] * own[j] or d <= 0.0:
            continue
        c = (with_y[i] * own[j] - with_y[j] * cross) / d
        f = (with_y[j] * own[i] - with_y[i] * cross) / d
        rows.append((syy - c * with_y[i] - f * with_y[j], i, j, prior, c, f, own[j] / d, own[i] / d, -cross / d))
    for i in _SINGLES:
        if own[i] <= 0.0:
            continue
        prior = line if i == 0 else (1.0 - line) / (len(_SINGLES) - 1)
        c = with_y[i] / own[i]
        rows.append((syy - c * with_y[i], i, i, prior * _SINGLE_SHARE, c, 0.0, 1.0 / own[i], 0.0, 0.0))
    if not rows:
        return None
    chi, i, j, _, c, f, _, _, _ = min(rows)
    rest = c * ends[i] + f * ends[j]
    rate = c * slopes[i] + f * slopes[j]
    # residuals of the likeliest, for correlation between neighbours and for what the fit leaves
    recent = min(n, 20)
    zero = y_mean - c * means[i] - f * means[j]
    rs = [
        y - zero - c * g - f * h for y, g, h in zip(ys[-recent:], shapes[i][-recent:], shapes[j][-recent:], strict=True)
    ]
    tail_ws = ws[-recent:]
    zs = list(map(mul, rs, tail_ws))
    power = sum(map(mul, zs, rs))
    # what is far below the least scatter is arithmetic, and its correlation means nothing
    rho = sum(map(mul, zs, rs[1:])) / max(power, 0.3 * recent)
    rho = min(max(rho + _RHO_BIAS / recent, 0.0), 0.8)
    inflation = (1.0 + rho) / (1.0 - rho)
    scale = max(chi / (n - 3), power / (recent - 2), 0.05) * inflation
    wide = student_t95(max(n / inflation - 3.0, 3.0)) / Z95
    var_scale = scale * wide * wide
    drift = band / hold_s
    total = probability = mean = square = slope = slope2 = slope_var = 0.0
    for chi_k, i, j, prior, c, f, v_cc, v_ff, v_cf in rows:
        p = prior * math.exp(-0.5 * (chi_k - chi) / scale)
        if p < _NEGLIGIBLE:
            continue
        total += p
        a, b = ends[i], ends[j]
        sa, sb = slopes[i], slopes[j]
        to_a, to_b = a - means[i], b - means[j]
        value = y_mean + c * to_a + f * to_b
        var_v = 1.0 / s + to_a * to_a * v_cc + to_b * to_b * v_ff + 2.0 * to_a * to_b * v_cf
        rest_k = c * a + f * b
        rate_k = c * sa + f * sb
        hid = hidden / (1.0 - a)
        hid *= hid
        var_r = (a * a * v_cc + b * b * v_ff + 2.0 * a * b * v_cf) * var_scale + hid * a * a
        var_s = (sa * sa * v_cc + sb * sb * v_ff + 2.0 * sa * sb * v_cf) * var_scale + hid * sa * sa
        probability += p * min(_inside(rest_k, math.sqrt(var_r), band), _inside(rate_k, math.sqrt(var_s), drift))
        mean += p * value
        square += p * (value * value + var_v * var_scale)
        slope += p * rate_k
        slope2 += p * rate_k * rate_k
        slope_var += p * var_s
    mean /= total
    slope /= total
    return Outlook(
        probability / total,
        y0 + mean,
        math.sqrt(max(square / total - mean * mean, 0.0)),
        slope,
        math.sqrt(max(slope2 / total - slope * slope, 0.0) + slope_var / total),
        math.sqrt(power / sum(tail_ws)),
        _eta(rest, rate, band, drift),
        sum(rs[-3:]) / 3.0,
    )


def _eta(rest: float, rate: float, band: float, drift: float) -> float:
    """Time until rest and slope are clearly tolerable, s; below 0 when a steep line does not say."""
    over = max(abs(rest) / band, abs(rate) / drift) / 0.8
    if over <= 1.0:
        return 0.0
    if abs(rest) < 0.02 * band or rest * rate >= 0.0:
        return -1.0
    return -rest / rate * math.log(over)
