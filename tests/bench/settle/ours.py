"""Our detector, brought to the scorer's form."""

from __future__ import annotations

from streams import Stream

from lineset.measure.settle import detector
from lineset_drivers.quantity import Quantity


class Ours:
    """The detector that the daemon uses, by the kind of point."""

    def __init__(self, stream: Stream) -> None:
        made = detector(
            Quantity(stream.kind.quantity),
            resolution=stream.resolution,
            response_s=stream.response_s,
            point=stream.kind.point,
        )
        assert made is not None
        self.detector = made

    def push(self, t: int, x: float) -> bool:
        return self.detector.push(t, x)

    @property
    def settled(self) -> bool:
        return self.detector.settled

    def value(self) -> tuple[float, float]:
        fit = self.detector.fit()
        return fit.mean, fit.u_mean


def ours(stream: Stream) -> Ours:
    return Ours(stream)
