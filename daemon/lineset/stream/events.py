"""Record events from the journal to the broker: in order, after the commit, never twice with another content.

The journal is the queue. The pump reads committed rows behind the outbox pointer, keeps a bounded window of them on
their way, and moves the pointer when the broker has acknowledged. After an outage it first sends again the very bytes
of the last seconds and those that were on their way, then goes on: some brokers acknowledge before they have stored
or passed on, and lose that when they are killed. An acknowledgement proves nothing about anybody else.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple, Protocol

import structlog

from lineset.stream.link import WINDOW, Session

log = structlog.get_logger(__name__)

_BATCH = 256
_SOURCE_RETRY_S = 1.0
_AGAIN_S, _AGAIN_ROWS = 5.0, 512  # acknowledged this shortly before a loss: sent again


class EventRow(NamedTuple):
    """One message of a committed entry. The same `seq` must always give the same bytes."""

    seq: int
    topic: str
    payload: bytes
    retain: bool = False


class EventSource(Protocol):
    """A journal, seen from the stream. Several rows may share a seq; they come in one batch."""

    async def rows(self, after: int, limit: int) -> Sequence[EventRow]:
        """Committed events with a seq above `after`, in order, about `limit` of them; empty when there are none."""
        ...

    async def pointer(self) -> int:
        """The last seq that the broker has acknowledged, 0 at first; kept over restarts."""
        ...

    async def advance(self, seq: int) -> None:
        """Everything up to `seq` was acknowledged."""
        ...


class _Queue:
    """One source and how far it is: `read` was taken from it, `unsent` was taken and is not acknowledged."""

    def __init__(self, source: EventSource) -> None:
        self.source = source
        self.read: int | None = None
        self.acknowledged = 0  # the pointer, as far as it was moved here
        self.unsent: deque[EventRow] = deque()
        self.recent: deque[tuple[float, EventRow]] = deque(maxlen=_AGAIN_ROWS)
        self.empty = asyncio.Event()


class EventPump:
    """Serves the attached sources in the order of attaching, while a connection stands."""

    def __init__(self, *, window: int = WINDOW, batch: int = _BATCH) -> None:
        self._window, self._batch = window, batch
        self._queues: list[_Queue] = []
        self._wake = asyncio.Event()
        self._sparing = False
        self.acknowledged = 0
        self.sent_again = 0

    @property
    def unfinished(self) -> int:
        """How many sources hold something that is not acknowledged."""
        return sum(not queue.empty.is_set() for queue in self._queues)

    def attach(self, source: EventSource) -> None:
        """Send what `source` holds behind its pointer, and what comes later."""
        self._queues.append(_Queue(source))
        self._wake.set()

    def detach(self, source: EventSource) -> None:
        """Forget `source`; what is not acknowledged stays behind its pointer. Unknown sources are no error."""
        self._queues = [queue for queue in self._queues if queue.source is not source]
        self._wake.set()

    def wake(self) -> None:
        """A commit has brought events."""
        for queue in self._queues:
            queue.empty.clear()
        self._wake.set()

    def spare(self, on: bool) -> None:
        """While `on`, send nothing: the broker would have to store it, and cannot."""
        self._sparing = on
        self._wake.set()

    async def drained(self, source: EventSource) -> None:
        """Return when all that `source` held was acknowledged (at once for one that is not attached)."""
        for queue in self._queues:
            if queue.source is source:
                await queue.empty.wait()

    async def run(self, session: Session) -> None:
        """Pump until the session ends. Raises ConnectionLost; nothing is lost by that."""
        for queue in self._queues:
            self._take_back(queue)
        while True:
            self._wake.clear()
            if self._sparing:
                await self._wake.wait()
                continue
            busy = False
            for queue in list(self._queues):
                try:
                    await self._fill(queue)
                except Exception as error:  # the journal's trouble must not end live values
                    log.exception("events wait: the journal cannot be read", error=str(error))
                    await asyncio.sleep(_SOURCE_RETRY_S)
                    busy = True
                    continue
                if queue.unsent:
                    busy = True
                    await self._send(queue, session)
                elif not self._wake.is_set():
                    queue.empty.set()
            if not busy:
                await self._wake.wait()

    def _take_back(self, queue: _Queue) -> None:
        """Put what was acknowledged just before the loss back in front of what was on its way."""
        if not queue.recent:
            self.sent_again += len(queue.unsent)
            return
        since = queue.recent[-1][0] - _AGAIN_S
        queue.unsent.extendleft(row for at, row in reversed(queue.recent) if at >= since)
        queue.recent.clear()
        self.sent_again += len(queue.unsent)

    async def _fill(self, queue: _Queue) -> None:
        """Take the next batch, once the last one is through."""
        if queue.read is None:
            queue.read = await queue.source.pointer()
        if not queue.unsent:
            queue.unsent.extend(await queue.source.rows(queue.read, self._batch))
            if queue.unsent:
                queue.read = queue.unsent[-1].seq

    async def _send(self, queue: _Queue, session: Session) -> None:
        """Send the batch with a window on its way; what was acknowledged in order leaves `unsent`."""
        waiting = iter(list(queue.unsent))
        flying: deque[asyncio.Task[None]] = deque()
        done = 0
        now = asyncio.get_running_loop().time
        try:
            while True:
                while len(flying) < self._window and not self._sparing and (row := next(waiting, None)) is not None:
                    # tasks start in the order of their making, so messages leave in the order of the journal
                    flying.append(asyncio.create_task(session.publish(row.topic, row.payload, row.retain)))
                if not flying:
                    break
                await flying[0]
                flying.popleft()
                row = queue.unsent.popleft()
                queue.recent.append((now(), row))
                self.acknowledged += 1
                if row.seq > queue.acknowledged and (not queue.unsent or queue.unsent[0].seq != row.seq):
                    done = queue.acknowledged = row.seq
        finally:
            for task in flying:
                task.cancel()
            await asyncio.gather(*flying, return_exceptions=True)
            if done:
                await queue.source.advance(done)
