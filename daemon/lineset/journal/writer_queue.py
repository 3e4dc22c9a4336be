"""What waits between the event loop and the writer's thread: rows in order, gaps, orders; bounded and counted."""

from __future__ import annotations

import asyncio
import threading
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Sequence

import msgspec

from lineset.journal.file import JournalFile
from lineset.journal.row import Gap, Row


class WriterState(msgspec.Struct, frozen=True):
    """How the writer fares: `reason` is empty when ok; `waiting` rows are in memory, `dropped` ones are lost."""

    ok: bool
    reason: str
    waiting: int
    dropped: int


class WriterCounts(msgspec.Struct):
    """What writers have done from the start of the program; several may share one. Read it from anywhere."""

    rows: int = 0  # made durable, gaps counted as rows
    commits: int = 0
    failures: int = 0  # how often writing began to fail
    committed_at: float = 0.0  # seconds since 1970, of the last commit


class Order:
    """Something else to do in the writer's thread, in turn with the rows."""

    __slots__ = ("future", "work")

    def __init__(self, work: Callable[[JournalFile], object], future: asyncio.Future[object]) -> None:
        self.work, self.future = work, future


class Pending:
    """The queue. `put` in the event loop, `take` and `settled` in the writer's thread."""

    def __init__(self, last: int, *, limit_rows: int, limit_bytes: int) -> None:
        self.next_seq = last + 1
        self.rows = self.dropped = 0
        self._bytes = 0
        self._limit_rows, self._limit_bytes = limit_rows, limit_bytes
        self._lock = threading.Lock()
        self._items: deque[tuple[Row, ...] | Gap | Order] = deque()
        self._taken: deque[tuple[Row, ...] | Gap | Order] = deque()
        self._urgent = False
        self._since = 0.0  # monotonic time at which the oldest item now in the queue came
        self._oldest = 0.0  # since when rows wait and none was committed; 0 when none wait
        self._gap_firsts: list[int] = []
        self._gap_lasts: list[int] = []

    @property
    def empty(self) -> bool:
        return not self._items and not self._taken

    @property
    def crowded(self) -> bool:
        """True when nine tenths of the bound are used: who can hold back should."""
        return self.rows * 10 >= self._limit_rows * 9 or self._bytes * 10 >= self._limit_bytes * 9

    @property
    def has_room(self) -> bool:
        """True when less than half of the bound is used."""
        return self.rows * 2 < self._limit_rows and self._bytes * 2 < self._limit_bytes

    def put(self, rows: Sequence[Row], urgent: bool, now: float) -> tuple[bool, bool]:
        """Take rows that belong together, or make a gap of them. Returns whether they were taken; whether to ring."""
        size = sum(len(row.body) for row in rows)
        with self._lock:
            first = not self._items
            taken = self.rows + len(rows) <= self._limit_rows and self._bytes + size <= self._limit_bytes
            if taken:
                self._items.append(tuple(rows))
                self.rows += len(rows)
                self._bytes += size
            else:
                self._drop(rows)
            self.next_seq += len(rows)
            if first:
                self._since = now
            if not self._oldest:
                self._oldest = now
            ring = first or (urgent and not self._urgent)
            self._urgent = self._urgent or urgent
        return taken, ring

    def _drop(self, rows: Sequence[Row]) -> None:
        first, last = rows[0].seq, rows[-1].seq
        self.dropped += len(rows)
        newest = self._items[-1] if self._items else None
        if isinstance(newest, Gap) and newest.last + 1 == first:
            self._items[-1] = msgspec.structs.replace(newest, last=last)
            self._gap_lasts[-1] = last
        else:
            self._items.append(Gap(first, last, rows[0].t, "dropped: the disk did not take rows, memory was full"))
            self._gap_firsts.append(first)
            self._gap_lasts.append(last)

    def put_order(self, order: Order) -> None:
        """An order waits its turn and is urgent."""
        with self._lock:
            self._items.append(order)
            self._urgent = True

    def was_dropped(self, seq: int) -> bool:
        """True when the row `seq` was refused for want of room."""
        at = bisect_right(self._gap_firsts, seq) - 1
        return at >= 0 and seq <= self._gap_lasts[at]

    def oldest(self, now: float) -> float:
        """Monotonic time since which rows wait and none was committed; `now` when none wait."""
        return self._oldest or now

    def due_in(self, gather: float, now: float) -> float:
        """Seconds until the queue is to be taken; 0 or less: now."""
        with self._lock:
            return 0.0 if self._urgent or not self._items else self._since + gather - now

    def take(self, most: int) -> Iterator[list[Row | Gap] | Order]:
        """What waits at this moment, in order: runs of rows and gaps, and orders, one by one.

        A run ends after `most` rows, but never amid rows that were put in together: they share a transaction.
        """
        with self._lock:
            self._taken.extend(self._items)
            self._items.clear()
            self._urgent = False
        taken = self._taken
        while taken:
            if isinstance(taken[0], Order):
                order = taken.popleft()
                assert isinstance(order, Order)
                yield order
                continue
            run: list[Row | Gap] = []
            while taken and len(run) < most:
                item = taken[0]
                if isinstance(item, Order):
                    break
                if isinstance(item, Gap):
                    run.append(item)
                else:
                    run.extend(item)
                taken.popleft()
            yield run

    def settled(self, items: Sequence[Row | Gap], now: float) -> None:
        """`items` are durable at monotonic time `now`: make room."""
        rows = [item for item in items if isinstance(item, Row)]
        size = sum(len(row.body) for row in rows)
        with self._lock:
            self.rows -= len(rows)
            self._bytes -= size
            self._oldest = now if self._taken or self._items else 0.0  # the disk has answered: count anew

    def orders(self) -> list[Order]:
        """The orders that will not be done any more."""
        with self._lock:
            return [item for item in (*self._taken, *self._items) if isinstance(item, Order)]
