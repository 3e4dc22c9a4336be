"""Samples made into blocks: single odd ones fall out, the rest is averaged; older blocks are joined in groups of four.

Also what can only be seen sample by sample: the display's step, a value that stands still, a jump.
"""

from __future__ import annotations

import math

import msgspec

BLOCKS_A_HOLD = 30
_FINE = 28  # blocks kept as they are; then four are joined
_JOINED = 20
_JOIN = 4
_SAME_TO_BE_STUCK = 12
_JUMPED = 3  # samples in a row
NS = 1e-9


class Blocks(msgspec.Struct):
    """The blocks of one stream. `_closed` and `_jumped` say what is to be done with them; both tell of a change."""

    band: float
    relative: float
    hold_s: float
    dwell_s: float
    tail_s: float
    block_s: float
    resolution: float
    settled: bool = False
    step: float = 0.0  # that step, declared or seen
    stuck: bool = False  # it stands still, though it flickered before
    # the samples of the block that is filling
    t0: int = 0
    x0: float = 0.0
    t_last: int = -1
    raw_1: float = 0.0
    raw_2: float = 0.0
    started: float = 0.0
    n: int = 0
    st: float = 0.0
    sx: float = 0.0
    sxx: float = 0.0
    srr: float = 0.0
    spike2: float = math.inf
    same: int = 0  # equal samples in a row
    moves: int = 0
    least_move: float = math.inf
    flicker: float = 0.0  # share of samples that differ from the one before, while it lived
    # blocks, oldest first: time, mean, samples; the fine ones also scatter
    ts: list[float] = []
    xs: list[float] = []
    ns: list[float] = []
    vs: list[float] = []
    old_ts: list[float] = []
    old_xs: list[float] = []
    old_ns: list[float] = []
    # what a settled reading is expected to be
    odd: int = 0
    expect: float = 0.0
    jump: float = math.inf

    def _closed(self) -> bool:
        """A block was closed. Returns whether `settled` changed."""
        raise NotImplementedError

    def _jumped(self) -> bool:
        """Samples in a row lie beyond `jump` from what was expected. Returns whether `settled` changed."""
        raise NotImplementedError

    def _empty(self) -> None:
        """Forget blocks and the samples of the one that is filling."""
        self.ts, self.xs, self.ns, self.vs = [], [], [], []
        self.old_ts, self.old_xs, self.old_ns = [], [], []
        self.n = self.odd = 0
        self.st = self.sx = self.sxx = self.srr = 0.0
        self.jump = math.inf

    def _band(self) -> float:
        size = self.relative * abs(self.x0 + (self.xs[-1] if self.xs else 0.0))
        return size if size > self.band else self.band

    def push(self, t: int, value: float) -> bool:
        """Take one sample at `t` ns. True when `settled` changed."""
        last_t = self.t_last
        if t <= last_t:
            return False  # two samples with one stamp tell nothing of a slope
        self.t_last = t
        if last_t < 0:
            self.t0, self.x0 = t, value
            self.raw_1 = self.raw_2 = 0.0
            self.same = 1
            self.started = 0.0
            return False
        x = value - self.x0
        a, b = self.raw_2, self.raw_1
        self.raw_2, self.raw_1 = b, x
        if x == b:
            self.same += 1
        else:
            self.same = 1
            self.moves += 1
            move = abs(x - b)
            if move < self.least_move:
                self.least_move = move
        # the median of three, at the middle one's time
        if a > b:
            a, b = b, a
        x = a if x < a else b if x > b else x
        rough = self.raw_2 - x
        rough *= rough  # what the median took away belongs to the scatter of samples; a spike does not
        if rough < self.spike2:
            self.srr += rough
        time = (last_t - self.t0) * NS
        n = self.n
        if n == 0:
            self.started = time
        self.n = n + 1
        self.st += time
        self.sx += x
        self.sxx += x * x
        if self.settled:
            if abs(self.raw_1 - self.expect) > self.jump:
                self.odd += 1
                if self.odd >= _JUMPED:
                    return self._jumped()
            else:
                self.odd = 0
        if (t - self.t0) * NS - self.started < self.block_s:
            return False
        return self._block()

    def _block(self) -> bool:
        n = self.n
        mean = self.sx / n
        time = self.st / n
        var = max(self.sxx / n - mean * mean, 0.0) + self.srr / n
        self.n = 0
        self.st = self.sx = self.sxx = self.srr = 0.0
        if self._stands_still(n):
            return False
        ts, xs = self.ts, self.xs
        ts.append(time)
        xs.append(mean)
        self.ns.append(n)
        self.vs.append(var)
        self.spike2 = self._band() ** 2
        if len(ts) >= _FINE + _JOIN:
            self._join()
        return self._closed()

    def _stands_still(self, n: int) -> bool:
        same = self.same
        if same >= _SAME_TO_BE_STUCK and self.flicker > 0.5 and same > n:
            self.stuck = same * self.block_s < self.hold_s * n  # after a whole hold the display is believed again
            return self.stuck
        self.stuck = False
        if same < _SAME_TO_BE_STUCK:
            share = self.moves / n
            self.flicker += 0.25 * ((share if share < 1.0 else 1.0) - self.flicker)
        if self.moves >= 8:
            seen = self.least_move
            self.step = seen if seen > 1.5 * self.resolution else self.resolution
            self.least_move = math.inf
            self.moves = 0
        else:
            self.moves = 0 if same >= _SAME_TO_BE_STUCK else self.moves
        return False

    def _join(self) -> None:
        ts, xs, ns = self.ts[:_JOIN], self.xs[:_JOIN], self.ns[:_JOIN]
        self.old_ts.append(sum(ts) / _JOIN)
        self.old_xs.append(sum(xs) / _JOIN)
        self.old_ns.append(sum(ns))
        del self.ts[:_JOIN], self.xs[:_JOIN], self.ns[:_JOIN], self.vs[:_JOIN]
        if len(self.old_ts) > _JOINED:
            del self.old_ts[0], self.old_xs[0], self.old_ns[0]
