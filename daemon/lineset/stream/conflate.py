"""Live values to a rate: the first of a topic goes at once, then the newest of each interval. No I/O, no clock."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

Payload = bytes | Callable[[], bytes]


class Conflator:
    """Holds at most one payload a topic. `period` in seconds of whatever clock gives `now`."""

    def __init__(self, period: float) -> None:
        if not period > 0:
            raise ValueError(f"a period must be above zero, not {period}")
        self._period = period
        self._held: dict[str, Payload | None] = {}  # topics that were sent less than a period ago
        self._due: deque[tuple[float, str]] = deque()  # when their period ends; grows at the end, as time does
        self.replaced = 0

    def offer(self, topic: str, payload: Payload, now: float) -> bool:
        """True: send it now. False: kept, in place of what was kept before."""
        if topic not in self._held:
            self._held[topic] = None
            self._due.append((now + self._period, topic))
            return True
        if self._held[topic] is not None:
            self.replaced += 1
        self._held[topic] = payload
        return False

    def deadline(self) -> float | None:
        """When `release` has something to do next."""
        return self._due[0][0] if self._due else None

    def release(self, now: float) -> list[tuple[str, Payload]]:
        """What is to be sent at `now`."""
        out: list[tuple[str, Payload]] = []
        while self._due and self._due[0][0] <= now:
            _, topic = self._due.popleft()
            payload = self._held[topic]
            if payload is None:
                del self._held[topic]
                continue
            self._held[topic] = None
            self._due.append((now + self._period, topic))
            out.append((topic, payload))
        return out

    def clear(self) -> None:
        """Forget everything: held values of an outage are not sent afterwards."""
        self._held.clear()
        self._due.clear()
