"""The settled detector: when a reading has become useful for a verdict.

Settled means: what is still to come of a change, and its swing, lie inside the band that a verdict tolerates, and its
drift stays inside it over the verdict's horizon. Single odd samples fall out (median of three); samples are averaged
in blocks, older blocks in groups of four; the blocks are explained by tails and by a line (`tails`), and twice in a
row the probability must be high. It is let go by another rule: a jump, or newest blocks that leave the track of those
before them. What swings is reported (`hunting_amplitude`, `hunting_period_s`); a display whose step is wider than the
band is `coarse` and never settles; a value that stands still though it flickered before is `stuck` and does not count.

Where no creep outlasts the verdict's horizon (a hand-held meter) the slope alone tells, through as few of the newest
blocks as can prove it (`lines`).

The cost of a sample does not depend on the window: a few sums, and once a block a fit through at most 51 blocks.
"""

from __future__ import annotations

import math
from operator import mul
from typing import NamedTuple

import msgspec

from lineset.measure.bands import band_of
from lineset.measure.blocks import BLOCKS_A_HOLD, NS, Blocks
from lineset.measure.hunting import Swing
from lineset.measure.lines import Line, line
from lineset.measure.tails import Outlook, outlook
from lineset_drivers.quantity import Quantity

# Found on the tuning streams of the settle bench, and judged on others.
SURE = 0.93  # probability needed, twice in a row
_PASSES = 2
_FEWEST = 5  # blocks
_LOOK_AGAIN, _LOOK_LATER = 6, 20  # blocks, while settled: in the first hold, and after it
_MORE = 0.04  # of the window: so much longer it has to be for the next look
_STEEP, _STEEP_U = 1.1, 1.0  # times the slope tolerated, after so many standard uncertainties: let go
# bands that the newest two, three or five blocks may leave their track by, beside their noise
_TWO, _THREE, _FIVE = 0.6, 0.5, 0.3
_TRUSTED = 12  # blocks since it settled, before they are their own track
_JOINED_COUNT = 1.5  # what four joined blocks count for: correlated noise does not fall with the number of samples
_CHOSEN = 1.3  # a moment chosen because it looks steady looks steadier than it is
# for so long a creep is likely: after it was let go, and after it moved fast
_DISTURBED_HOLDS, _MOVED_HOLDS = 4.0, 5.0
# where the newest blocks lie away from what explains them, something new has begun: bands at least, times the misfit of
# all, bands at most
_AWAY, _AWAY_MISFIT, _AWAY_MOST = 0.15, 1.5, 0.3
_MISFIT = 0.53  # bands: what swings so far about its explanation is not calm
_FLOOR = 0.05  # bands: no block mean is taken to be surer
_NEWEST = 20  # blocks that tell their own noise
# where the slope alone tells
_LADDER = (4, 5, 6, 8, 11, 15, 20, 28)  # newest blocks that it is tried on
_SLOPE_U, _SLOPE_SHARE = 1.0, 1.05  # after so many standard uncertainties: times the slope tolerated
_SLOPE_MISFIT = 0.5  # bands
_LINE_CHOSEN = 1.4  # and more so where the newest few of a ladder of windows were enough
_NOTHING = 2.0  # bands: what a meter shows that is not on its wire
_SLOPE_LAST = 0.7  # bands that the newest sample may lie away
_BLOCKS_A_QUICK_HOLD = 20


class Fit(NamedTuple):
    """What was declared: value now, slope a second with its 95 % half width, scatter of samples, uncertainty."""

    mean: float
    slope: float
    slope_half: float
    scatter: float
    u_mean: float
    window_s: float
    samples: int


class Detector(Blocks):
    """Settled or not, for one stream of samples. Mutable, and part of the engine's state.

    Made by `detector(quantity, ...)`. `push(t, x)` takes time in ns and a value in SI, and returns True when
    `settled` changed.
    """

    coarse: bool = False  # the display's step is wider than the band
    eta_s: float = -1.0  # how long is still needed; below 0: cannot be said
    why: str = ""  # why it last stopped being settled
    swing: Swing = msgspec.field(default_factory=Swing)
    declared: Fit | None = None
    passes: int = 0
    rung: int = 0  # of the ladder of windows: where it is tried first
    wait: int = 0  # blocks to let pass before the next look
    noise: float = 0.0  # rms of block means about the fit when it was declared
    slope: float = 0.0
    track_x: float = 0.0
    track_t: float = 0.0
    declared_t: float = 0.0
    disturbed: float = 0.0  # until then a creep is likely: it was let go lately
    since: int = 0  # blocks since it was declared

    @property
    def quick(self) -> bool:
        """Whether no creep that is reckoned with outlasts the verdict's horizon, so that the slope alone tells."""
        return self.tail_s < self.hold_s

    @property
    def hunting_amplitude(self) -> float:
        """Half of peak to peak, SI, of a reading that swings wider than is tolerated; 0 when it does not."""
        wide = self.swing.amplitude
        return wide if wide > 0.7 * self._band() else 0.0

    @property
    def hunting_period_s(self) -> float:
        """Period of the swing, s; 0 when it does not hunt."""
        return self.swing.period_s if self.hunting_amplitude else 0.0

    def reset(self) -> None:
        """Forget the window: the probe was moved, the phase changed, or the run state did."""
        self.settled = self.coarse = self.stuck = False
        self.declared = None
        self.same = 0
        self.flicker = self.disturbed = 0.0
        self.t_last = -1
        self.swing = Swing()
        self._clear()

    def _clear(self) -> None:
        self._empty()
        self.passes = self.wait = self.rung = 0
        self.eta_s = -1.0

    def _closed(self) -> bool:
        self.swing.take(self.ts[-1], self.xs[-1], self._band())
        return self._watch() if self.settled else self._judge()

    def _jumped(self) -> bool:
        return self._let_go("it jumped away from where it had settled")

    def _look(self, band: float) -> Outlook | None:
        ts = self.old_ts + self.ts
        now = self.ts[-1]
        ages = [now - t for t in ts]
        fine = len(self.ts)
        each = sum(self.ns) / fine
        # correlated noise does not fall with the number of samples; a joined block counts for little more than one
        counts = [_JOINED_COUNT] * len(self.old_ts) + [1.0 if n >= 0.5 * each else 0.5 for n in self.ns]
        recent = self.vs[-10:]
        scatter2 = sum(recent) / len(recent)
        step = max(self.step, self.resolution)
        # second differences of the newest blocks tell their own noise: neither a slope nor a slow curve enters
        xs = self.xs[-_NEWEST:]
        bent = [a - 2.0 * b + c for a, b, c in zip(xs, xs[1:], xs[2:], strict=False)]
        floor = max(_FLOOR * band, 0.25 * step, math.sqrt(sum(map(mul, bent, bent)) / (6.0 * len(bent))))
        hidden = step * math.exp(-0.5 * max(scatter2 / (step * step) - 0.08, 0.0) * 20.0) / 3.5 if step > 0.0 else 0.0
        return outlook(
            ages,
            self.old_xs + self.xs,
            counts,
            band,
            self.hold_s,
            self.tail_s,
            floor,
            hidden,
            now < self.disturbed,
        )

    def _swings(self, limit: float) -> bool:
        # a meter that goes from wire to wire swings too, but takes longer than a quick reading needs
        return self.swing.amplitude > limit and (not self.quick or self.swing.period_s < 2.0 * self.hold_s)

    def _line(self, newest: int, band: float) -> Line:
        recent = self.vs[-newest:]
        scatter2 = sum(recent) / len(recent)
        each = sum(self.ns[-newest:]) / len(recent)
        step = max(self.step, self.resolution)
        floor = max(_FLOOR * band, 0.25 * step, math.sqrt(scatter2 / each) if each > 1.5 else 0.0)
        hidden = step * math.exp(-0.5 * max(scatter2 / (step * step) - 0.08, 0.0) * 20.0) / 3.5 if step > 0.0 else 0.0
        return line(self.ts, self.xs, newest, floor, hidden)

    def _by_slope(self, band: float) -> bool:
        """No creep outlasts the verdict's horizon: the slope alone tells, through as few blocks as can prove it."""
        limit = _SLOPE_SHARE * band / self.hold_s
        xs, ts = self.xs, self.ts
        if abs(xs[-1] - xs[-4]) > 0.5 * band + 2.0 * limit * (ts[-1] - ts[-4]):
            self.rung = 0  # cheap: it moves
            return False
        n = len(xs)
        # a meter that reads nothing may not have been put on yet: it has to do so for the whole horizon
        dwell = self.dwell_s
        if self.relative and abs(self.x0 + xs[-1]) <= _NOTHING * self.band:
            dwell = max(dwell, self.hold_s)
        rung = self.rung
        while (newest := _LADDER[rung]) <= n:
            if ts[-1] - ts[-newest] >= dwell - 0.5 * self.block_s:
                found = self._line(newest, band)
                slope = abs(found.slope)
                if slope + _SLOPE_U * found.slope_u < limit:
                    break
                if slope > 2.0 * limit and slope > 3.0 * found.slope_u:
                    self.rung = 0  # it moves: more blocks would only tell of what was
                    return False
            if rung == len(_LADDER) - 1:
                return False
            rung += 1
        else:
            return False
        self.rung = max(rung - 1, 0)  # next time begin where there was something to prove
        if found.misfit > _SLOPE_MISFIT * band or abs(self.raw_1 - found.value) > max(
            _SLOPE_LAST * band, 3.5 * found.misfit
        ):
            return False
        scatter = math.sqrt(sum(self.vs[-newest:]) / newest + found.misfit**2)
        self._declare(_told(found), scatter, max(band, 4.5 * scatter), found.misfit)
        return True

    def _judge(self) -> bool:
        xs = self.xs
        band = self._band()
        if len(xs) < (_LADDER[0] if self.quick else _FEWEST):
            return False
        oldest = self.old_ts[0] if self.old_ts else self.ts[0]
        if self.ts[-1] - oldest < self.dwell_s - self.block_s:
            return False
        step = max(self.step, self.resolution)
        wide = step > 1.001 * band
        # limits in proportion to the value say nothing of a meter that reads zero: a clamp before it is closed
        self.coarse = wide and (self.relative == 0.0 or abs(self.x0 + xs[-1]) > step)
        if wide:
            return False
        if self.quick:
            return not self._swings(0.9 * band) and self._by_slope(band)
        # cheap: the newest blocks' slope is far beyond what is tolerated
        change = abs(xs[-1] + xs[-2] - xs[-4] - xs[-5]) * 0.5
        if change > 0.5 * band + 3.0 * self.block_s * band / self.hold_s:
            self.passes = 0
            self.disturbed = max(self.disturbed, self.ts[-1] + _MOVED_HOLDS * self.hold_s)
            return False
        if self.wait > 0:
            self.wait -= 1
            return False
        found = self._look(band)
        if found is None:
            return False
        self.eta_s = found.eta_s
        if found.probability < SURE:  # a little more of what was seen so far cannot make it sure
            self.wait = int(_MORE * (self.ts[-1] - oldest) / self.block_s)
        if found.probability < 0.3:  # far from it: look again when a good part of the time still needed has passed
            ahead = found.eta_s if found.eta_s >= 0.0 else self.hold_s
            self.wait = int(min(0.2 * ahead / self.block_s, BLOCKS_A_HOLD / 6.0)) + 1
        calm = _calm(found, band) and not self._swings(0.9 * band)
        if not calm or found.probability < SURE:
            self.passes = 0
            return False
        self.passes += 1
        if self.passes < _PASSES:
            return False
        recent = self.vs[-10:]
        scatter = math.sqrt(sum(recent) / len(recent) + found.misfit**2)
        jump = max(band, 4.5 * scatter)
        if abs(self.raw_1 - found.value) > jump:
            return False  # the newest sample, not yet in a block, has already left
        # few blocks fit themselves too well
        self._declare(found, scatter, jump, found.misfit * math.sqrt(len(self.xs) / (len(self.xs) - 3.0)))
        return True

    def _declare(self, found: Outlook, scatter: float, jump: float, noise: float) -> None:
        self.settled = True
        self.wait = _LOOK_AGAIN
        self.why = ""
        self.eta_s = 0.0
        self.noise = noise
        self.slope = found.slope
        self._state(found, scatter)
        self.since = 0
        self.track_x, self.track_t = found.value, self.ts[-1]
        self.expect = found.value
        self.jump = jump

    def _watch(self) -> bool:
        """Newest blocks against the track of those before them."""
        xs, ts = self.xs, self.ts
        band = self._band()
        self.since += 1
        slope = self.slope
        if self.since >= _TRUSTED:
            first = max(len(xs) - 21, len(xs) - self.since)
            before, times = xs[first:-5], ts[first:-5]
            count = len(before)
            ref, at = sum(before) / count, sum(times) / count
        else:  # blocks from before it was declared may hold the change that went before
            ref, at = self.track_x, self.track_t
        noise = max(self.noise, 0.25 * max(self.step, self.resolution))
        d1 = xs[-1] - ref - slope * (ts[-1] - at)
        d2 = xs[-2] - ref - slope * (ts[-2] - at)
        d3 = xs[-3] - ref - slope * (ts[-3] - at)
        two, three = abs(d1 + d2) / 2.0, abs(d1 + d2 + d3) / 3.0
        if two > _TWO * band + 3.0 * noise or three > _THREE * band + 2.2 * noise:
            return self._let_go("it is drifting")
        if self.since >= 5 and not self.quick:
            d4 = xs[-4] - ref - slope * (ts[-4] - at)
            d5 = xs[-5] - ref - slope * (ts[-5] - at)
            if abs(d1 + d2 + d3 + d4 + d5) / 5.0 > _FIVE * band + 1.5 * noise:
                return self._let_go("it is drifting")
        if self._swings(1.1 * band):
            return self._let_go("it swings to and fro")
        self.expect = ref + slope * (ts[-1] - at)
        # the track itself follows, so that a legitimate ramp may change its slope and a tail may end
        self.wait -= 1
        if self.wait <= 0:
            self.wait = _LOOK_AGAIN if self.since < BLOCKS_A_HOLD else _LOOK_LATER
            found: Outlook | None
            if self.quick:
                self.wait = 2 * _LOOK_AGAIN
                found = _told(self._line(min(self.since + 4, len(xs)), band))
            else:
                found = self._look(band)
            if found is not None:
                self.slope = found.slope
                self.noise += 0.3 * (found.misfit - self.noise)
                recent = self.vs[-10:]
                self._state(found, math.sqrt(sum(recent) / len(recent) + found.misfit**2))
                if abs(found.slope) - _STEEP_U * found.slope_u > _STEEP * band / self.hold_s:
                    return self._let_go("its slope is too steep")
        return False

    def _let_go(self, why: str) -> bool:
        self.settled = False
        self.why = why
        self.disturbed = (self.t_last - self.t0) * NS + _DISTURBED_HOLDS * self.hold_s
        keep_t, keep_x, keep_n, keep_v = self.ts[-3:], self.xs[-3:], self.ns[-3:], self.vs[-3:]
        n, st, sx, sxx, srr = self.n, self.st, self.sx, self.sxx, self.srr
        self._clear()
        self.ts, self.xs, self.ns, self.vs = keep_t, keep_x, keep_n, keep_v
        self.n, self.st, self.sx, self.sxx, self.srr = n, st, sx, sxx, srr
        return True

    def _state(self, found: Outlook, scatter: float) -> None:
        """Put what the blocks say now into the form in which it is told."""
        step = max(self.step, self.resolution)
        digit = 0.0
        if step > 0.0:  # noise wider than the step smooths it away
            digit = step / math.sqrt(12.0) * math.exp(-20.0 * max((scatter / step) ** 2 - 0.08, 0.0))
        oldest = self.old_ts[0] if self.old_ts else self.ts[0]
        self.declared = Fit(
            self.x0 + found.value,
            found.slope,
            1.96 * found.slope_u,
            math.hypot(scatter, step / math.sqrt(12.0)),
            math.hypot(_CHOSEN * found.u, digit),
            self.ts[-1] - oldest,
            int(sum(self.ns) + sum(self.old_ns)),
        )
        self.declared_t = self.ts[-1]

    def fit(self) -> Fit:
        """The settled value as it stands now, carried on with its slope from the last look at the blocks.

        Raises ValueError before anything has settled.
        """
        told = self.declared
        if told is None:
            raise ValueError("nothing has settled yet: there is no value to tell")
        since = (self.t_last - self.t0) * NS - self.declared_t
        return told._replace(mean=told.mean + told.slope * since)


def _told(found: Line) -> Outlook:
    u = _LINE_CHOSEN * found.value_u
    return Outlook(1.0, found.value, u, found.slope, found.slope_u, found.misfit, 0.0, 0.0)


def _calm(found: Outlook, band: float) -> bool:
    away = min(max(_AWAY * band, _AWAY_MISFIT * found.misfit), _AWAY_MOST * band)
    return found.misfit < _MISFIT * band and abs(found.last) < away


def detector(
    quantity: Quantity, *, resolution: float = 0.0, response_s: float = 0.0, point: str = ""
) -> Detector | None:
    """A detector for `quantity` at `point`; None where no band is.

    Its dwell is stretched to four time constants of the probe.
    """
    band = band_of(quantity, point)
    if band is None:
        return None
    return Detector(
        band=band.band,
        relative=band.relative,
        hold_s=band.hold_s,
        dwell_s=max(band.dwell_s, 4.0 * response_s),
        tail_s=band.tail_s,
        block_s=band.hold_s / (BLOCKS_A_HOLD if band.tail_s >= band.hold_s else _BLOCKS_A_QUICK_HOLD),
        resolution=resolution,
    )
