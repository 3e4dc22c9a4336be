"""A valve that hunts: turning points of a reading that swings to and fro, with amplitude and period."""

from __future__ import annotations

import msgspec

_TURNS = 5  # turning points kept; four swings in a row of like length are hunting
_REACH = 0.6  # of the band: a way back that is shorter is not a turn


class Swing(msgspec.Struct):
    """Follows a reading's turning points. `amplitude` (half of peak to peak) and `period_s` are 0 when it is calm."""

    up: bool = True
    t: float = 0.0
    x: float | None = None  # the extreme so far
    ts: list[float] = []
    xs: list[float] = []
    amplitude: float = 0.0
    period_s: float = 0.0

    def take(self, t: float, x: float, band: float) -> None:
        """One block mean `x` at `t` seconds."""
        best = self.x
        if best is None or (x >= best if self.up else x <= best):
            self.t, self.x = t, x
        elif abs(x - best) >= _REACH * band:
            self.ts.append(self.t)
            self.xs.append(best)
            if len(self.ts) > _TURNS:
                del self.ts[0], self.xs[0]
            self.up = not self.up
            self.t, self.x = t, x
            self._weigh()
        if self.period_s and t - self.ts[-1] > 1.2 * self.period_s:
            self.amplitude = self.period_s = 0.0  # a whole period without a turn: it has stopped

    def _weigh(self) -> None:
        ts, xs = self.ts, self.xs
        self.amplitude = self.period_s = 0.0
        if len(ts) < 4:
            return
        gaps = [b - a for a, b in zip(ts[-4:], ts[-3:], strict=False)]
        swings = [abs(b - a) for a, b in zip(xs[-4:], xs[-3:], strict=False)]
        if max(gaps) < 3.0 * min(gaps) and max(swings) < 3.0 * min(swings):
            self.amplitude = sum(swings) / (2.0 * len(swings))
            self.period_s = 2.0 * sum(gaps) / len(gaps)
