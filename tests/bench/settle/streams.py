"""Seeded streams of readings whose noiseless truth is known.

A stream is a row of regimes (at rest, start, then disturbances). In a regime the noiseless signal is

    slow(t) + sum of c e^(-t/tau) + A(t) sin(2 pi t/P)

`slow` is the final value, or the legitimate ramp that it follows; the exponentials are the pull-down and the creep of
contact and thermal mass; the sine is a hunting valve. A meter then filters, quantises, drops, holds and disturbs it.

Truth: the signal is settled from the moment when, until the regime's end, it stays within the band of `slow` and its
slope stays below band/hold. A hunting signal counts by its amplitude (its slope averages out over a period), unless
its period is longer than the hold: then its slope counts too.

Seeds for tuning and seeds for judging come from different strings, so no number makes them equal. All figures here
are invented (common practice, no source) except the bands and holds, which are the tolerances agreed for scoring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random

NS = 1_000_000_000
TUNING, JUDGING = "tuning", "judging"


@dataclass(frozen=True)
class Kind:
    """What is measured: its tolerance (SI), and how such a signal and its meters behave."""

    name: str
    quantity: str
    point: str  # a point of the catalogue that is of this kind
    band: float
    band_rel: float
    hold_s: float
    level: tuple[float, float]
    start_bands: tuple[float, float]  # size of the start's change, in bands
    fast_tau: tuple[float, float]
    slow_tau: tuple[float, float]
    steps: tuple[float, ...]  # display steps in use
    coarse: tuple[float, ...]  # steps too coarse to prove anything
    white: tuple[float, float]  # standard deviations, in bands
    correlated: tuple[float, float]
    filters: tuple[float, ...]  # time constants of the meter's own filter
    intervals: tuple[float, ...]
    chance_s: float  # a true interval shorter than this is no chance: neither found nor missed

    def band_at(self, value: float) -> float:
        return max(self.band, self.band_rel * abs(value))


_SLOW = (0.5, 1.0, 1.0, 2.0, 3.0)
KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        Kind("pipe temperature", "temperature", "vapor_line_temperature", 0.3, 0, 180, (2, 45), (20, 80),
             (15, 120), (200, 1200), (0.01, 0.05, 0.1 / 1.8, 0.1), (0.5, 1.0), (0.03, 0.15), (0.03, 0.12), (0, 1, 3, 5),
             _SLOW, 600),
        Kind("air temperature", "temperature", "supply_air_temperature", 0.2, 0, 180, (8, 38), (20, 70), (20, 180),
             (200, 1200), (0.01, 0.05, 0.1 / 1.8, 0.1), (0.5, 1.0), (0.04, 0.2), (0.05, 0.2), (0, 1, 3, 5), _SLOW,
             600),
        Kind("low pressure", "pressure_gauge", "vapor_service_pressure", 7e3, 0, 180, (350e3, 1100e3), (20, 80),
             (8, 60), (120, 600), (100, 689.4757, 1000, 3447.379), (10e3, 20e3), (0.04, 0.2), (0.03, 0.15),
             (0, 0.5, 1, 2), _SLOW, 600),
        Kind("high pressure", "pressure_gauge", "liquid_service_pressure", 15e3, 0, 180, (1200e3, 3200e3), (20, 80),
             (10, 90), (120, 600), (689.4757, 1000, 3447.379, 6894.757), (25e3, 50e3), (0.04, 0.2), (0.03, 0.15),
             (0, 0.5, 1, 2), _SLOW,
             600),
        Kind("running current", "current", "running_current", 0.15, 0.015, 180, (6, 28), (15, 60), (5, 60), (120, 600),
             (0.01, 0.01, 0.1), (0.5, 1.0), (0.05, 0.25), (0.03, 0.15), (0, 0.5, 1), _SLOW,
             600),
        Kind("spot current", "current", "compressor_common_current", 0.1, 0.01, 10, (1, 40), (0, 0), (0.15, 1.2),
             (0, 0), (0.01, 0.01, 0.1), (0.5, 1.0), (0.03, 0.2), (0.0, 0.12), (0, 0.3, 0.6),
             (0.1, 0.25, 0.33, 0.5), 20),
        Kind("capacitance", "capacitance", "herm_capacitance", 0.05e-6, 0.01, 2, (4e-6, 60e-6), (0, 0), (0.08, 0.3),
             (0, 0), (0.01e-6, 0.01e-6, 0.05e-6), (0.5e-6, 1e-6), (0.02, 0.15), (0.0, 0.08), (0, 0.1, 0.2),
             (0.1, 0.2, 0.25, 0.33), 4),
    )
}  # fmt: skip
SLOW = tuple(k.name for k in KINDS.values() if k.hold_s == 180)
SYSTEM = (
    "pipe temperature", "pipe temperature", "air temperature", "air temperature", "low pressure", "high pressure",
)  # fmt: skip


@dataclass
class Regime:
    """From `start` to `end` (s): see the formula above."""

    start: float
    end: float
    base: float
    ramp: float = 0.0
    tails: list[tuple[float, float]] = field(default_factory=list)  # (size at the start, time constant)
    amplitude: float = 0.0
    period: float = 1.0
    grow: float = 0.0  # time constant by which the oscillation comes up; 0: at once
    decay: float = 0.0  # time constant by which it dies; 0: never
    name: str = ""

    def slow(self, t: float) -> float:
        return self.base + self.ramp * (t - self.start)

    def tail(self, t: float) -> float:
        return sum(c * math.exp(-(t - self.start) / tau) for c, tau in self.tails)

    def swing(self, t: float) -> float:
        """Amplitude of the oscillation."""
        if not self.amplitude:
            return 0.0
        s = t - self.start
        size = self.amplitude
        if self.grow:
            size *= 1.0 - math.exp(-s / self.grow)
        if self.decay:
            size *= math.exp(-s / self.decay)
        return size

    def value(self, t: float) -> float:
        wave = self.swing(t) * math.sin(2 * math.pi * (t - self.start) / self.period) if self.amplitude else 0.0
        return self.slow(t) + self.tail(t) + wave

    def steady(self, t: float, band: float, hold: float) -> bool:
        s = t - self.start
        left = slope = 0.0
        for c, tau in self.tails:
            e = c * math.exp(-s / tau)
            left += e
            slope -= e / tau
        swing = self.swing(t)
        slope = abs(slope + self.ramp)
        if self.period > hold:
            slope += swing * 2 * math.pi / self.period
        return abs(left) + swing <= band and slope < band / hold


@dataclass
class Stream:
    """What a detector is given, and what is true."""

    kind: Kind
    label: str
    resolution: float
    response_s: float
    samples: list[tuple[int, float]]
    regimes: list[Regime]
    true: list[tuple[float, float]]  # s, settled from .. to
    coarse: bool = False

    @property
    def hours(self) -> float:
        return (self.regimes[-1].end - self.regimes[0].start) / 3600

    def regime(self, t: float) -> Regime:
        for r in self.regimes:
            if t < r.end:
                return r
        return self.regimes[-1]

    def value(self, t: float) -> float:
        """Noiseless value, a hunting one averaged over its period."""
        r = self.regime(t)
        return r.slow(t) + r.tail(t)

    def final(self, t: float) -> float:
        return self.regime(t).slow(t)

    def is_true(self, t: float) -> bool:
        return any(a <= t < b for a, b in self.true)


def truth(kind: Kind, regimes: list[Regime]) -> list[tuple[float, float]]:
    """Intervals in which the noiseless signal is settled, in s."""
    found: list[tuple[float, float]] = []
    step = kind.hold_s / 360
    for r in regimes:
        band = kind.band_at(r.base)
        n = int((r.end - r.start) / step)
        i = n
        while i >= 0 and r.steady(r.start + i * step, band, kind.hold_s):
            i -= 1
        start = r.start + (i + 1) * step
        if i == n:
            continue
        if found and found[-1][1] == r.start and i < 0:
            found[-1] = (found[-1][0], r.end)  # the disturbance was none
        else:
            found.append((max(start, r.start), r.end))
    return found


def _log(rng: Random, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _tails(rng: Random, kind: Kind, change: float, creep: bool) -> list[tuple[float, float]]:
    """The way from the old value to the new one: fast, and often with a slow part."""
    share = rng.uniform(0.2, 0.6) if creep else rng.uniform(0.03, 0.2) if rng.random() < 0.6 else 0.0
    tails = [(change * (1 - share), _log(rng, *kind.fast_tau))]
    if share:
        tails.append((change * share, _log(rng, *kind.slow_tau)))
    return tails


DISTURBED = (
    "step",
    "step",
    "creep",
    "creep",
    "ramp",
    "ramp",
    "fast ramp",
    "hunting",
    "small hunting",
    "damped",
    "none",
)


def slow_regimes(rng: Random, kind: Kind, times: list[float]) -> list[Regime]:
    """At rest, start, and disturbances at the given times (the last one is the end)."""
    level = rng.uniform(*kind.level)
    band = kind.band_at(level)
    rest = level + rng.choice((-1, 1)) * band * rng.uniform(*kind.start_bands)
    regimes = [Regime(times[0], times[1], rest, name="rest")]
    for i, (start, end) in enumerate(pairwise(times[1:])):
        last = regimes[-1]
        now = last.value(start)
        what = "start" if i == 0 else rng.choice(DISTURBED)
        sign = rng.choice((-1.0, 1.0))
        limit = band / kind.hold_s
        r = Regime(start, end, last.slow(start), name=what)
        if what == "start":
            r.base = level
        elif what in ("step", "creep", "damped"):
            r.base += sign * band * _log(rng, 1.5, 20)
        elif what == "ramp":
            r.ramp = sign * limit * rng.uniform(0.1, 0.7)
        elif what == "fast ramp":
            r.ramp = sign * limit * rng.uniform(1.4, 4)
        elif what == "none":
            r.ramp = last.ramp
        if what in ("start", "step") and rng.random() < 0.4:
            r.ramp = sign * limit * rng.uniform(0.05, 0.6)
        if what == "hunting":
            r.amplitude, r.period = band * _log(rng, 1.5, 6), _log(rng, 30, 240)
            r.grow = r.period * rng.uniform(0.3, 2)
        elif what == "small hunting":
            r.amplitude, r.period = band * rng.uniform(0.2, 0.7), _log(rng, 20, 120)
            r.grow = r.period
        elif what == "damped":
            r.amplitude, r.period = abs(r.base - now) * rng.uniform(0.2, 0.6), _log(rng, 40, 150)
            r.decay = r.period * rng.uniform(0.6, 2)
        # what was left of the old tails goes on; a jump of the sine at its end is smoothed by the new fast part
        s = start - last.start
        r.tails = [(c * math.exp(-s / tau), tau) for c, tau in last.tails if abs(c) * math.exp(-s / tau) > 0.001 * band]
        left = now - r.base - sum(c for c, _ in r.tails)
        if abs(left) > 1e-6 * band:
            r.tails += _tails(rng, kind, left, what == "creep" or (what == "start" and rng.random() < 0.3))
        regimes.append(r)
    return regimes


def spot_regimes(rng: Random, kind: Kind) -> list[Regime]:
    """A hand-held meter goes from one conductor (or capacitor) to the next, through zero."""
    regimes: list[Regime] = []
    t = 0.0
    fast = kind.hold_s / 10
    for _ in range(rng.randint(4, 8)):
        gap, dwell = fast * _log(rng, 2, 12), fast * _log(rng, 15, 80)
        before = regimes[-1].value(t) if regimes else 0.0
        away = Regime(t, t + gap, 0.0, tails=[(before, 0.03 * kind.hold_s / 10)], name="away")
        level = math.exp(rng.uniform(math.log(kind.level[0]), math.log(kind.level[1])))
        band = kind.band_at(level)
        t += gap
        r = Regime(t, t + dwell, level, name="measured")
        change = away.value(t) - level
        # the meter finds its range; a motor just started, or a jaw not yet closed, takes a little longer
        r.tails = [(change, _log(rng, *kind.fast_tau))]
        if rng.random() < 0.3:
            extra = level * rng.uniform(0.02, 0.2)
            r.tails[0] = (change - extra, r.tails[0][1])
            r.tails.append((extra, _log(rng, kind.fast_tau[1], 3 * kind.fast_tau[1])))
        choice = rng.random()
        # the circuit is still pulling down; or a loose jaw, a cycling load
        if choice < 0.3 and kind.name == "spot current":
            r.ramp = rng.choice((-1, 1)) * band / kind.hold_s * rng.uniform(0.05, 0.6)
        elif choice < 0.36 and kind.name == "spot current":
            r.amplitude, r.period = band * rng.uniform(1.5, 6), rng.uniform(1.5, 8)
        regimes += [away, r]
        t += dwell
    return regimes


def measure(rng: Random, kind: Kind, regimes: list[Regime], label: str, coarse: bool = False) -> Stream:
    """Read the signal with an ordinary, imperfect meter."""
    band = kind.band_at(max(abs(r.base) for r in regimes))
    small = kind.hold_s < 60
    step = rng.choice(kind.coarse if coarse else kind.steps)
    if not coarse and step > kind.band_at(min(abs(r.base) for r in regimes if r.name not in ("away", "rest"))) * 0.7:
        step = kind.steps[0]
    interval, irregular = rng.choice(kind.intervals), rng.random() < 0.35
    tau_f = rng.choice(kind.filters)
    white, corr = band * rng.uniform(*kind.white), band * rng.uniform(*kind.correlated)
    if kind.band_rel:  # noise of such a meter goes with its reading
        white, corr = white / band, corr / band
    tau_c = rng.uniform(1, 12) * kind.hold_s / 180
    hours = (regimes[-1].end - regimes[0].start) / 3600
    unit = kind.hold_s / 180  # a second of a slow channel
    per_hour = 3600 / unit
    drop, spike, stuck = 2 / per_hour, 3 / per_hour, 0.7 / per_hour  # chances a scaled second
    switch = (
        rng.uniform(0.6, 1.2) * max(abs(r.base) for r in regimes) if rng.random() < 0.15 and not coarse else math.inf
    )
    samples: list[tuple[int, float]] = []
    t, end = regimes[0].start, regimes[-1].end
    k = 0
    noise_c = 0.0
    seen: float | None = None
    stuck_to, ranged = -1.0, False
    last = t
    while True:
        dt = rng.expovariate(1 / interval) + 0.1 * interval if irregular else interval * rng.gauss(1, 0.03)
        t += max(dt, 0.2 * interval)
        if rng.random() < drop * dt:
            t += unit * _log(rng, 10, 90)
        if t >= end:
            break
        while t >= regimes[k].end:
            k += 1
        size = kind.band_at(regimes[k].base) if kind.band_rel else 1.0
        gap = t - last
        last = t
        rho = math.exp(-gap / tau_c)
        noise_c = noise_c * rho + math.sqrt(1 - rho * rho) * rng.gauss(0, 1)
        raw = regimes[k].value(t)
        live = abs(raw) > 0.02 * kind.band or not small
        x = raw + ((corr * noise_c + white * rng.gauss(0, 1)) * size if live else 0.0)
        if tau_f and seen is not None:
            seen += (x - seen) * (1 - math.exp(-gap / tau_f))
        else:
            seen = x
        shown = seen
        if rng.random() < spike * dt:
            shown += rng.choice((-1, 1)) * band * _log(rng, 3, 30)
        q = step
        if abs(shown) > switch and 10 * step < 0.5 * band:
            q = 10 * step
            if not ranged:
                ranged = True
                t += 2 * unit  # the meter changes its range
        elif ranged:
            ranged = False
        if t < stuck_to and samples:
            samples.append((round(t * NS), samples[-1][1]))
            continue
        if rng.random() < stuck * dt:
            stuck_to = t + unit * _log(rng, 20, 120)
        samples.append((round(t * NS), round(shown / q) * q))
    assert hours > 0
    return Stream(kind, label, step, tau_f, samples, regimes, truth(kind, regimes), coarse)


def _times(rng: Random) -> list[float]:
    times = [0.0, rng.uniform(60, 400)]
    for _ in range(rng.randint(3, 5)):
        times.append(times[-1] + _log(rng, 900, 2700))
    return times


def stream(purpose: str, kind_name: str, n: int, coarse: bool = False) -> Stream:
    """Stream number `n` of a kind, for tuning or for judging."""
    label = f"{purpose}/{kind_name}/{'coarse/' if coarse else ''}{n}"
    rng = Random(label)
    kind = KINDS[kind_name]
    regimes = slow_regimes(rng, kind, _times(rng)) if kind_name in SLOW else spot_regimes(rng, kind)
    return measure(rng, kind, regimes, label, coarse)


def system(purpose: str, n: int) -> list[Stream]:
    """One system's channels, disturbed together."""
    label = f"{purpose}/system/{n}"
    rng = Random(label)
    times = _times(rng)
    streams = []
    for i, name in enumerate(SYSTEM):
        own = Random(f"{label}/{i}")
        streams.append(measure(own, KINDS[name], slow_regimes(own, KINDS[name], times), f"{label}/{i}"))
    return streams
