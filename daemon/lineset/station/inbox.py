"""The station's single inbox: where everything that happens gets its place in the total order.

Drivers put frames, states and losses in and never wait; the loop takes them out in batches, oldest first. It is
bounded, in all and for each instrument, so that one that floods takes nobody's place; who finds it full is told, and
counts what it had to drop.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable

from lineset_drivers.frame import Frame, InstrumentState, Loss

ROOM = 8192
ROOM_EACH = 2048
BATCH = 256

Item = Frame | InstrumentState | Loss


class Inbox:
    """A `Sink` for the drivers. `take(item)` is called in the loop for each item, `after()` once a batch."""

    def __init__(
        self,
        take: Callable[[Item], None],
        after: Callable[[], None],
        *,
        room: int = ROOM,
        room_each: int = ROOM_EACH,
        batch: int = BATCH,
    ) -> None:
        self._take, self._after = take, after
        self._room, self._room_each, self._batch = room, room_each, batch
        self._waiting: deque[Item] = deque()
        self._each: dict[str, int] = {}
        self._loop = asyncio.get_running_loop()
        self._scheduled = False
        self._shut = False
        self.refused = self.frames = self.samples = 0  # counted from the start
        self.losses: dict[str, int] = {}  # what was dropped, by kind of loss
        self.full_disk: Callable[[], bool] = lambda: False  # whether what comes now would be lost
        self.kept: Callable[[str], int] = lambda instrument: -1  # number of its last frame on record, -1: not known

    def frame(self, frame: Frame) -> bool:
        """Take a frame; False when there is no room for it."""
        if self._shut:
            return False
        if frame.spool and self.full_disk():
            return False  # a relay keeps what this station cannot store now
        each = self._each.get(frame.instrument, 0)
        if len(self._waiting) >= self._room or each >= self._room_each:
            self.refused += 1
            return False
        self._each[frame.instrument] = each + 1
        self._waiting.append(frame)
        self._schedule()
        return True

    def state(self, state: InstrumentState) -> None:
        """A change of state always finds room: there are few of them, and none may be missed."""
        self._waiting.append(state)
        self._schedule()

    def loss(self, loss: Loss) -> None:
        """A count of what was lost always finds room."""
        self.losses[loss.kind] = self.losses.get(loss.kind, 0) + loss.count
        self._waiting.append(loss)
        self._schedule()

    @property
    def depth(self) -> int:
        """How much waits to be taken."""
        return len(self._waiting)

    def shut(self) -> None:
        """Take what waits, then nothing more."""
        self._shut = True
        while self._waiting:
            self._drain()

    def _schedule(self) -> None:
        if not self._scheduled:
            self._scheduled = True
            self._loop.call_soon(self._drain)

    def _drain(self) -> None:
        waiting, each = self._waiting, self._each
        self._scheduled = False
        for _ in range(min(self._batch, len(waiting))):
            item = waiting.popleft()
            if type(item) is Frame:
                each[item.instrument] -= 1
                self.frames += 1
                self.samples += len(item.samples)
            self._take(item)
        self._after()
        if waiting and not self._shut:
            # let sockets and timers have their turn between batches
            self._schedule()
