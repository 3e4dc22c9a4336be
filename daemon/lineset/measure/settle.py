"""The settled detector: when a reading has become useful for a verdict.

Over a window fit for probe and quantity a line is fitted through the samples. The reading is settled when the
slope's 95 % confidence interval lies inside the drift that a verdict tolerates and twice the scatter lies inside the
spread that it tolerates, with enough samples. The interval is widened for correlation between neighbouring samples
(from the mean square successive difference: von Neumann 1941) and for drift that hides inside the last digit of a
coarse display. It leaves the settled state only at twice the limits (hysteresis), so that it does not chatter.

Sums run along with the window: the cost of a sample does not depend on the window's length.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import msgspec

from lineset.measure.uncertainty import student_t95
from lineset_drivers.quantity import Quantity

Q = Quantity


class Band(NamedTuple):
    """What a verdict tolerates, in SI units of the quantity.

    `drift` is the change allowed over one `window_s`; `spread` is twice the standard deviation allowed. Each is the
    larger of an absolute and a relative (to the value) figure.
    """

    window_s: float
    drift: float
    drift_rel: float
    spread: float
    spread_rel: float
    min_samples: int
    reason: str


# One table. The figures are our judgement (common practice, no source) from the tolerances that verdicts commonly
# have: superheat and subcooling a few kelvins, amps and microfarads a few percent; about a tenth is given to drift.
BANDS: dict[Quantity, Band] = {
    Q.TEMPERATURE: Band(60, 0.3, 0, 0.6, 0, 8, "a tenth of a 3 K superheat or subcooling tolerance"),
    Q.TEMPERATURE_DIFFERENCE: Band(90, 0.4, 0, 0.8, 0, 8, "a tenth of a 3 K tolerance, two probes deep"),
    Q.PRESSURE_GAUGE: Band(60, 6e3, 0.004, 14e3, 0.01, 8, "about 0.3 K of saturation temperature"),
    Q.PRESSURE_ABSOLUTE: Band(60, 6e3, 0.004, 14e3, 0.01, 8, "about 0.3 K of saturation temperature"),
    Q.PRESSURE_DIFFERENCE: Band(10, 2.5, 0.02, 5, 0.06, 6, "a hundredth of an inch of water on a static budget"),
    Q.RELATIVE_HUMIDITY: Band(60, 1.0, 0, 2.0, 0, 6, "0.3 K of wet bulb indoors"),
    Q.CURRENT: Band(6, 0.05, 0.01, 0.1, 0.03, 6, "a third of a 3 % capacitor or nameplate margin"),
    Q.VOLTAGE: Band(6, 0.5, 0.005, 1.0, 0.015, 6, "half a percent of line volts"),
    Q.CAPACITANCE: Band(5, 0.05e-6, 0.005, 0.1e-6, 0.015, 5, "a tenth of a 6 % capacitor tolerance"),
    Q.RESISTANCE: Band(5, 0.02, 0.005, 0.05, 0.015, 5, "half a percent of a winding"),
    Q.FREQUENCY: Band(5, 0.05, 0, 0.1, 0, 5, "a thousandth of line frequency"),
    Q.POWER: Band(20, 10, 0.01, 20, 0.03, 8, "one percent of input power"),
    Q.APPARENT_POWER: Band(20, 10, 0.01, 20, 0.03, 8, "one percent of apparent power"),
    Q.AIR_SPEED: Band(20, 0.05, 0.02, 0.1, 0.06, 8, "two percent of airflow"),
    Q.VOLUME_FLOW: Band(20, 0.005, 0.02, 0.01, 0.06, 8, "two percent of airflow"),
    Q.RATIO: Band(60, 0.02, 0.005, 0.05, 0.015, 8, "half a percent of a ratio of pressures"),
}

LEAVE = 2.0  # times the limits, to stop being settled
_REBASE_WINDOWS = 8.0
_LONGEST_WINDOWS = 8.0  # a slow beacon may stretch its window so far to gather its samples: one a minute can settle


class Fit(NamedTuple):
    """The window as it stands: mean, slope a second with its 95 % half width, scatter, and uncertainty of the mean."""

    mean: float
    slope: float
    slope_half: float
    scatter: float
    u_mean: float
    window_s: float
    samples: int


class Detector(msgspec.Struct):
    """Settled or not, for one stream of samples. Mutable, and part of the engine's state.

    Made by `detector(quantity, ...)`. `push(t, x)` takes time in ns and a value in SI, and returns True when
    `settled` changed.
    """

    window_s: float
    drift: float
    drift_rel: float
    spread: float
    spread_rel: float
    min_samples: int
    resolution: float
    settled: bool = False
    coarse: bool = False  # the display's step alone is wider than the limits
    why: str = ""  # why it last stopped being settled
    ts: list[float] = []
    xs: list[float] = []
    head: int = 0
    t0: int = 0
    x0: float = 0.0
    st: float = 0.0
    sx: float = 0.0
    stt: float = 0.0
    stx: float = 0.0
    sxx: float = 0.0
    sdd: float = 0.0  # sum of squared differences of neighbours
    outliers: int = 0

    def reset(self) -> None:
        """Forget the window: the probe was moved, the phase changed, or the run state did."""
        self.settled = False
        self.coarse = False
        self._clear()

    def _clear(self) -> None:
        self.ts = []
        self.xs = []
        self.head = 0
        self.st = self.sx = self.stt = self.stx = self.sxx = self.sdd = 0.0
        self.outliers = 0

    def _rebase(self) -> None:
        ts, xs = self.ts[self.head :], self.xs[self.head :]
        shift_t, shift_x = ts[0], xs[0]
        self.t0 += int(shift_t * 1e9)
        shift_t = int(shift_t * 1e9) * 1e-9
        self.x0 += shift_x
        self.ts = ts = [t - shift_t for t in ts]
        self.xs = xs = [x - shift_x for x in xs]
        self.head = 0
        self.st, self.sx = sum(ts), sum(xs)
        self.stt = sum(t * t for t in ts)
        self.stx = sum(t * x for t, x in zip(ts, xs, strict=True))
        self.sxx = sum(x * x for x in xs)
        self.sdd = sum((b - a) ** 2 for a, b in pairwise(xs))

    def push(self, t: int, value: float) -> bool:
        """Take one sample at `t` ns. True when `settled` changed."""
        ts, xs, head = self.ts, self.xs, self.head
        if not ts:
            self.t0, self.x0 = t, value
            ts.append(0.0)
            xs.append(0.0)
            return False
        time = (t - self.t0) * 1e-9
        x = value - self.x0
        if time <= ts[-1]:
            return False  # two samples with one stamp tell nothing of a slope
        d = x - xs[-1]
        ts.append(time)
        xs.append(x)
        self.st += time
        self.sx += x
        self.stt += time * time
        self.stx += time * x
        self.sxx += x * x
        self.sdd += d * d
        oldest = time - self.window_s
        farthest = time - self.window_s * _LONGEST_WINDOWS
        n = len(ts) - head
        # keep one sample at or beyond the window's start, and more where they come slowly
        while n > 2 and ((ts[head + 1] <= oldest and n > self.min_samples) or ts[head] < farthest):
            t_old, x_old = ts[head], xs[head]
            step = xs[head + 1] - x_old
            self.st -= t_old
            self.sx -= x_old
            self.stt -= t_old * t_old
            self.stx -= t_old * x_old
            self.sxx -= x_old * x_old
            self.sdd -= step * step
            head += 1
            n -= 1
        self.head = head
        if ts[head] > _REBASE_WINDOWS * self.window_s:
            self._rebase()
            ts, head = self.ts, 0
            time = ts[-1]
        span = time - ts[head]
        if n < self.min_samples or span < 0.95 * self.window_s:
            return False
        return self._judge(span)

    def _judge(self, span: float) -> bool:
        fit = self.fit()
        size = abs(fit.mean)
        drift = max(self.drift, self.drift_rel * size)
        spread = max(self.spread, self.spread_rel * size)
        change = abs(fit.slope) * self.window_s
        if not self.settled:
            if change + fit.slope_half * self.window_s <= drift and 2.0 * fit.scatter <= spread:
                # what is declared is computed afresh: running sums keep a trace of a spike that has left the window
                self._rebase()
                fit = self.fit()
                if abs(fit.slope) * self.window_s + fit.slope_half * self.window_s > drift or (
                    2.0 * fit.scatter > spread
                ):
                    return False
                self.settled = True
                self.why = ""
                return True
            hidden = 2.0 * self.resolution / span / math.sqrt(3.0) * self.window_s
            # limits in proportion to the value say nothing of a meter that reads zero: a clamp before it is closed
            meant = self.drift_rel == 0.0 or size > self.resolution
            self.coarse = meant and (hidden > drift or self.resolution > spread)
            return False
        # a jump is seen at once, not when it has filled the window; one odd sample is not a jump
        if abs(self.x0 + self.xs[-1] - fit.mean) > 2.0 * spread:
            self.outliers += 1
        else:
            self.outliers = 0
        if self.outliers >= 3:
            self.why = "it jumped away from where it had settled"
        elif change - fit.slope_half * self.window_s > LEAVE * drift:
            self.why = "it is drifting"
        elif 2.0 * fit.scatter > LEAVE * spread and self.outliers == 0:
            self.why = "it scatters too widely"
        else:
            return False
        self.settled = False
        keep = max(self.outliers, 1)
        last_t, last_x = self.ts[-keep:], self.xs[-keep:]
        t0, x0 = self.t0, self.x0
        self._clear()
        for old_t, old_x in zip(last_t, last_x, strict=True):
            self.push(t0 + round(old_t * 1e9), x0 + old_x)
        return True

    def fit(self) -> Fit:
        """The line through the window. Needs three samples."""
        head = self.head
        n = len(self.ts) - head
        mean_t, mean_x = self.st / n, self.sx / n
        s_tt = self.stt - n * mean_t * mean_t
        s_tx = self.stx - n * mean_t * mean_x
        s_xx = self.sxx - n * mean_x * mean_x
        slope = s_tx / s_tt if s_tt > 0 else 0.0
        sse = s_xx - slope * s_tx
        if sse < 0.0:
            sse = 0.0
        span = self.ts[-1] - self.ts[head]
        digit_var = self.resolution * self.resolution / 12.0
        var = sse / (n - 2) + digit_var
        # successive differences carry the slope too; take it out before asking how neighbours agree
        stepped = self.sdd - slope * slope * span * span / (n - 1)
        rho = 0.0
        if sse > 0.0:
            rho = 1.0 - stepped / (2.0 * sse)
            rho = 0.0 if rho < 0.0 else 0.95 if rho > 0.95 else rho
        inflation = (1.0 + rho) / (1.0 - rho)
        n_eff = n / inflation
        t95 = student_t95(max(n_eff - 2.0, 1.0))
        hidden = self.resolution / span if span > 0 else 0.0
        slope_half = t95 * math.sqrt(var * inflation / s_tt) + 2.0 * hidden / math.sqrt(3.0) if s_tt > 0 else 0.0
        return Fit(self.x0 + mean_x, slope, slope_half, math.sqrt(var), math.sqrt(var / max(n_eff, 1.0)), span, n)


def detector(quantity: Quantity, *, resolution: float = 0.0, response_s: float = 0.0) -> Detector | None:
    """A detector for `quantity`, its window stretched to four time constants of the probe; None where no band is."""
    band = BANDS.get(quantity)
    if band is None:
        return None
    return Detector(
        window_s=max(float(band.window_s), 4.0 * response_s),
        drift=band.drift,
        drift_rel=band.drift_rel,
        spread=band.spread,
        spread_rel=band.spread_rel,
        min_samples=band.min_samples,
        resolution=resolution,
    )
