"""What still stands between a reading and being settled: time, a swing, or a display too coarse."""

from __future__ import annotations

from typing import NamedTuple

from lineset.engine.state import PointState


class Ahead(NamedTuple):
    """Of a reading or derived value that has not settled. One of the three at most is told, none when it is
    calm already and that must only be made sure of; SI, differences.

    `eta_s` [s] is about how long is still needed, None where that cannot be said; `amplitude` and `period_s` [s] of a
    swing that keeps it from settling, 0 without one; `step` of a display that is too coarse to prove it, else 0.
    """

    eta_s: float | None = None
    amplitude: float = 0.0
    period_s: float = 0.0
    step: float = 0.0


NEARLY = Ahead()  # what is left of its change is tolerable; that it is so must become surer


def ahead_of(place: PointState) -> Ahead | None:
    """What is ahead of a point or derived value; None where it is settled, or where nothing is known of it."""
    watch = place.detector
    if watch is None or watch.settled:
        return None
    if watch.coarse:
        return Ahead(step=max(watch.step, watch.resolution))
    hunt = place.hunting
    if hunt is not None:  # it seems to swing: a time that was reckoned before says nothing now
        return Ahead(amplitude=hunt.amplitude, period_s=hunt.period_s) if hunt.told else None
    if watch.eta_s < 0.0:
        return None
    return Ahead(rounded(watch.eta_s)) if watch.eta_s > 0.0 else NEARLY


def rounded(seconds: float) -> float:
    """An estimate no finer than it is good for: 5 s below a minute, 10 s below three, 30 s below ten, then minutes.

    Always up, and never none: what is not settled yet needs some time still.
    """
    step = 5.0 if seconds < 60.0 else 10.0 if seconds < 180.0 else 30.0 if seconds < 600.0 else 60.0
    return max(-(-seconds // step), 1.0) * step
