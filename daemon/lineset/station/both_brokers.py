"""What the announcer speaks to: the station's own broker, and the shop's while there is one. Payloads are made once."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from lineset.stream.publisher import Publisher

_FRESH_S = 2.0


class BothBrokers:
    """Live values go to the station's own broker alone, states to both. `make` gives the `now` messages."""

    def __init__(self, own: Publisher, make: Callable[[], Iterable[tuple[str, bytes]]]) -> None:
        self.live = own.live
        self.shop: Publisher | None = None
        self._own, self._make = own, make
        self._made: list[tuple[str, bytes]] = []
        self._made_at = float("-inf")

    def state(self, topic: str, payload: bytes) -> None:
        """A retained state, as `Publisher.state`."""
        self._own.state(topic, payload)
        if self.shop is not None:
            self.shop.state(topic, payload)

    def refresh(self) -> None:
        """Say the station's own message again."""
        self._own.refresh()
        if self.shop is not None:
            self.shop.refresh()

    def now(self) -> list[tuple[str, bytes]]:
        """The `now` messages, made anew."""
        self._made = list(self._make())
        self._made_at = time.monotonic()
        return self._made

    def now_again(self) -> list[tuple[str, bytes]]:
        """The `now` messages as they were just made, or made anew when that is a while ago."""
        return self._made if time.monotonic() - self._made_at < _FRESH_S else self.now()
