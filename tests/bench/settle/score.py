"""Score a detector against truth.

- false: it declared settled at a moment when the truth was not settled (no grace, not even for a second).
- missed: a true interval long enough to be a chance (`chance_s`) in which it never was settled.
- delay: from the beginning of such an interval to the first declaration in it; none where it was settled already.
- value error: declared value less the noiseless value at that moment, in bands; also against the final value.
- coverage: share of declared 95 % intervals that hold the noiseless value, of declarations in a true interval.
- release: from the end of a true interval to the moment when it is told to be settled no more (at latest the
  beginning of the next true interval).
- events per true interval: declarations in true intervals over true intervals that had any; 1 means no flapping.
"""

from __future__ import annotations

import heapq
import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from streams import NS, Stream

Z95 = 1.959963984540054


class Judge(Protocol):
    """What is scored: a rival's or our detector."""

    @property
    def settled(self) -> bool: ...

    def push(self, t: int, x: float) -> bool: ...

    def value(self) -> tuple[float, float]: ...  # declared value and its standard uncertainty


Maker = Callable[[Stream], Judge]


@dataclass
class Score:
    hours: float = 0.0
    events: int = 0
    false: int = 0
    chances: int = 0
    missed: int = 0
    visited: int = 0  # true intervals with at least one declaration
    good: int = 0  # declarations in true intervals
    covered: int = 0
    delays: list[float] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    to_final: list[float] = field(default_factory=list)
    releases: list[float] = field(default_factory=list)
    samples: int = 0
    cpu_s: float = 0.0
    where: list[str] = field(default_factory=list)  # of each false event, to look into

    def add(self, other: Score) -> None:
        for name in self.__dataclass_fields__:
            setattr(self, name, getattr(self, name) + getattr(other, name))

    def figures(self) -> dict[str, float]:
        return {
            "false_per_hour": self.false / self.hours if self.hours else math.nan,
            "false_pct": 100 * self.false / self.events if self.events else math.nan,
            "missed_pct": 100 * self.missed / self.chances if self.chances else math.nan,
            "delay_median_s": quantile(self.delays, 0.5),
            "delay_p95_s": quantile(self.delays, 0.95),
            "error_p95_bands": quantile(self.errors, 0.95),
            "to_final_p95_bands": quantile(self.to_final, 0.95),
            "coverage_pct": 100 * self.covered / self.good if self.good else math.nan,
            "release_p95_s": quantile(self.releases, 0.95),
            "events_per_interval": self.good / self.visited if self.visited else math.nan,
            "us_per_sample": 1e6 * self.cpu_s / self.samples if self.samples else math.nan,
        }


def quantile(values: Sequence[float], q: float) -> float:
    if not values:
        return math.nan
    ordered = sorted(values)
    at = q * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (at - low)


def score(stream: Stream, judge: Judge) -> Score:
    """One stream, one detector."""
    changes: list[tuple[float, bool]] = []
    got = Score(hours=stream.hours, samples=len(stream.samples))
    began = time.process_time()
    push = judge.push
    for t, x in stream.samples:
        if push(t, x):
            at = t / NS
            changes.append((at, judge.settled))
            if judge.settled:
                value, u = judge.value()
                got.events += 1
                if stream.is_true(at):
                    got.good += 1
                    band = stream.kind.band_at(stream.regime(at).base)
                    error = abs(value - stream.value(at))
                    got.errors.append(error / band)
                    got.to_final.append(abs(value - stream.final(at)) / band)
                    got.covered += error <= Z95 * u
                else:
                    got.false += 1
                    got.where.append(f"{stream.label} {at:.1f} s {stream.regime(at).name}")
    got.cpu_s = time.process_time() - began
    intervals(got, stream.true, changes, stream.kind.chance_s, stream.regimes[-1].end)
    return got


def intervals(
    got: Score, true: list[tuple[float, float]], changes: list[tuple[float, bool]], chance_s: float, end: float
) -> None:
    """Missed, delay, release and flapping, from the moments at which the detector changed its mind."""
    for i, (a, b) in enumerate(true):
        state = next((s for t, s in reversed(changes) if t < a), False)
        declared = [t for t, s in changes if s and a <= t < b]
        got.visited += bool(declared)
        if b - a >= chance_s:
            got.chances += 1
            if state:
                pass  # found, but its delay says nothing: it never let go before
            elif declared:
                got.delays.append(declared[0] - a)
            else:
                got.missed += 1
        at_end = next((s for t, s in reversed(changes) if t < b), False)
        if at_end and b < end:
            limit = true[i + 1][0] if i + 1 < len(true) else end
            if limit - b > 1e-9:
                released = next((t for t, s in changes if not s and t >= b), limit)
                got.releases.append(min(released, limit) - b)


def score_system(streams: list[Stream], maker: Maker) -> Score:
    """All channels of a system settled together, against the truth of all together."""
    judges = [maker(s) for s in streams]
    true = streams[0].true
    for other in streams[1:]:
        true = [(max(a, c), min(b, d)) for a, b in true for c, d in other.true if max(a, c) < min(b, d)]
    got = Score(hours=streams[0].hours, samples=sum(len(s.samples) for s in streams))
    changes: list[tuple[float, bool]] = []
    together = False
    queue: Iterable[tuple[int, int, float]] = heapq.merge(
        *([(t, i, x) for t, x in s.samples] for i, s in enumerate(streams))
    )
    for t, i, x in queue:
        if judges[i].push(t, x):
            now = all(j.settled for j in judges)
            if now != together:
                together = now
                at = t / NS
                changes.append((at, now))
                if now:
                    got.events += 1
                    if any(a <= at < b for a, b in true):
                        got.good += 1
                    else:
                        got.false += 1
                        got.where.append(f"{streams[0].label} {at:.1f} s {streams[0].regime(at).name}")
    intervals(got, true, changes, streams[0].kind.chance_s, streams[0].regimes[-1].end)
    return got
