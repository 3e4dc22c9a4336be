"""The textbook detectors, each with what a fair engineer would tune: its limit, its window, its patience.

All of them know the band and the hold of the quantity. Their value is the mean of the window (or of the samples of
the last third of the hold) with the naive standard uncertainty: standard deviation over the root of n.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from itertools import product

from score import Judge
from streams import NS, Kind, Stream


class Windowed:
    """Samples of the last `window_s`, with running sums for mean, scatter and slope."""

    def __init__(self, window_s: float) -> None:
        self.settled = False
        self.window_s = window_s
        self.q: deque[tuple[float, float]] = deque()
        self.t0: int | None = None
        self.x0 = 0.0
        self.sx = self.sxx = self.st = self.stt = self.stx = 0.0
        self.pushed = 0

    def take(self, t: int, value: float) -> bool:
        """True when the window is full."""
        if self.t0 is None:
            self.t0, self.x0 = t, value
        time, x = (t - self.t0) / NS, value - self.x0
        self.q.append((time, x))
        self.sx += x
        self.sxx += x * x
        self.st += time
        self.stt += time * time
        self.stx += time * x
        while len(self.q) > 2 and self.q[1][0] <= time - self.window_s:
            ot, ox = self.q.popleft()
            self.sx -= ox
            self.sxx -= ox * ox
            self.st -= ot
            self.stt -= ot * ot
            self.stx -= ot * ox
        self.pushed += 1
        if self.pushed % 2000 == 0:  # keep the sums exact
            self.sx = sum(x for _, x in self.q)
            self.sxx = sum(x * x for _, x in self.q)
            self.st = sum(t for t, _ in self.q)
            self.stt = sum(t * t for t, _ in self.q)
            self.stx = sum(t * x for t, x in self.q)
        return time - self.q[0][0] >= 0.95 * self.window_s and len(self.q) >= 3

    def sd(self) -> float:
        n = len(self.q)
        return math.sqrt(max(self.sxx - self.sx * self.sx / n, 0.0) / (n - 1))

    def slope(self) -> float:
        n = len(self.q)
        stt = self.stt - self.st * self.st / n
        return (self.stx - self.st * self.sx / n) / stt if stt > 0 else 0.0

    def value(self) -> tuple[float, float]:
        n = len(self.q)
        return self.x0 + self.sx / n, self.sd() / math.sqrt(n)

    def decide(self, steady: bool | None) -> bool:
        if steady is None or steady == self.settled:
            return False
        self.settled = steady
        return True


class MovingDeviation(Windowed):
    """Settled when the standard deviation of the window is below a share of the band; lost above `leave` times it."""

    def __init__(self, kind: Kind, window: float, share: float, leave: float) -> None:
        super().__init__(window * kind.hold_s)
        self.kind, self.share, self.leave = kind, share, leave

    def push(self, t: int, x: float) -> bool:
        if not self.take(t, x):
            return False
        limit = self.share * self.kind.band_at(x)
        sd = self.sd()
        return self.decide(True if sd <= limit else False if sd > self.leave * limit else None)


class SlopeTest(Windowed):
    """Settled when the window's slope (with its naive 95 % half width) is below a share of band/hold."""

    def __init__(self, kind: Kind, window: float, share: float, leave: float) -> None:
        super().__init__(window * kind.hold_s)
        self.kind, self.share, self.leave = kind, share, leave

    def push(self, t: int, x: float) -> bool:
        if not self.take(t, x):
            return False
        limit = self.share * self.kind.band_at(x) / self.kind.hold_s
        slope = abs(self.slope())
        n = len(self.q)
        stt = self.stt - self.st * self.st / n
        sse = max(self.sxx - self.sx * self.sx / n - slope * slope * stt, 0.0)
        half = 2 * math.sqrt(sse / max(n - 2, 1) / stt) if stt > 0 else math.inf
        return self.decide(True if slope + half <= limit else False if slope > self.leave * limit else None)


class WeightedVariance(Windowed):
    """Exponentially weighted mean and variance (Glass; Breuker and Braun); sampled each `every` holds."""

    def __init__(self, kind: Kind, factor: float, every: float, share: float) -> None:
        super().__init__(kind.hold_s / 3)
        self.kind, self.factor, self.every, self.share = kind, factor, every * kind.hold_s, share
        self.m: float | None = None
        self.v = math.inf
        self.next = 0.0

    def push(self, t: int, x: float) -> bool:
        self.take(t, x)
        at = t / NS
        if at < self.next:
            return False
        self.next = at + self.every
        if self.m is None:
            self.m, self.v = x, (10 * self.kind.band_at(x)) ** 2
            return False
        a = self.factor
        self.m = a * self.m + (1 - a) * x
        self.v = a * self.v + (1 - a) * (x - self.m) ** 2
        limit = (self.share * self.kind.band_at(x)) ** 2
        return self.decide(True if self.v <= limit else False if self.v > 2 * limit else None)


class CaoRhinehart(Windowed):
    """The R-statistic of Cao and Rhinehart (J. Proc. Control 5(6) 363, 1995); sampled each `every` holds."""

    # lower (settled below) and upper (lost above) critical values: 20,000 Monte Carlo runs, independent Gaussian noise
    FILTERS = (
        (0.2, 0.1, 0.1, 1.145, 1.559),
        (0.1, 0.1, 0.1, 1.352, 1.86),
        (0.05, 0.05, 0.05, 1.241, 1.515),
        (0.2, 0.2, 0.2, 0.993, 1.976),
    )

    def __init__(self, kind: Kind, filters: int, every: float, dwell: int) -> None:
        super().__init__(kind.hold_s / 3)
        self.l1, self.l2, self.l3, self.low, self.high = self.FILTERS[filters]
        self.every, self.dwell = every * kind.hold_s, dwell
        self.floor = 1e-12 * kind.band**2
        self.xf: float | None = None
        self.last = self.v = self.d = 0.0
        self.passes = self.count = 0
        self.next = 0.0

    def push(self, t: int, x: float) -> bool:
        self.take(t, x)
        at = t / NS
        if at < self.next:
            return False
        self.next = at + self.every
        if self.xf is None:
            self.xf = self.last = x
            return False
        self.v = self.l2 * (x - self.xf) ** 2 + (1 - self.l2) * self.v
        self.xf = self.l1 * x + (1 - self.l1) * self.xf
        self.d = self.l3 * (x - self.last) ** 2 + (1 - self.l3) * self.d
        self.last = x
        self.count += 1
        # a constant display gives nothing over nothing: taken as steady
        r = (2 - self.l1) * self.v / self.d if self.d > self.floor else (9.9 if self.v > self.floor else 0.0)
        self.passes = self.passes + 1 if r <= self.low else 0
        if self.count < 2 / self.l2:
            return False
        return self.decide(True if self.passes >= self.dwell else False if r > self.high else None)


class Timer(Windowed):
    """The protocol's timer: so long after the last large change. (15 minutes for slow channels.)"""

    def __init__(self, kind: Kind, wait: float, jump: float) -> None:
        super().__init__(kind.hold_s / 3)
        self.kind, self.wait, self.jump = kind, wait * kind.hold_s, jump
        self.since: float | None = None
        self.ref = 0.0
        self.odd = 0

    def push(self, t: int, x: float) -> bool:
        self.take(t, x)
        at = t / NS
        if self.since is None:
            self.since, self.ref = at, x
        # the timer starts anew when someone does something: seen as a change of several bands against the window
        mean = self.x0 + self.sx / len(self.q)
        self.odd = self.odd + 1 if abs(x - mean) > self.jump * self.kind.band_at(x) else 0
        if self.odd >= 3:
            self.since = at
            return self.decide(False)
        return self.decide(True) if at - self.since >= self.wait and not self.settled else False


Builder = Callable[[Kind], Judge]


def rivals(slow: bool) -> dict[str, dict[str, Builder]]:
    """Name -> settings -> builder: what the tuning chooses from."""

    def grid(cls: Callable[..., Judge], *choices: tuple[float, ...]) -> dict[str, Builder]:
        def made(args: tuple[float, ...]) -> Builder:
            return lambda kind: cls(kind, *args)

        return {", ".join(f"{a:g}" for a in args): made(args) for args in product(*choices)}

    waits = (5.0,) if slow else (0.5, 1.0, 2.0)
    return {
        "moving deviation": grid(MovingDeviation, (0.33, 0.67, 1.0, 1.67), (0.1, 0.17, 0.25, 0.35), (1.5, 2.5)),
        "slope test": grid(SlopeTest, (0.33, 0.67, 1.0, 1.67), (0.3, 0.6, 1.0), (1.5, 3.0)),
        "weighted variance": grid(WeightedVariance, (0.6, 0.7, 0.8), (0.03, 0.1, 0.3), (0.05, 0.1, 0.2, 0.3)),
        "Cao-Rhinehart R": grid(CaoRhinehart, (0, 1, 2, 3), (0.02, 0.06, 0.15), (1, 4, 10)),
        "timer (15 min)" if slow else "timer": grid(Timer, waits, (2.0, 4.0, 8.0)),
    }


def maker(builder: Builder) -> Callable[[Stream], Judge]:
    return lambda stream: builder(stream.kind)
