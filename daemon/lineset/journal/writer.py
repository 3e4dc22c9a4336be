"""The thread that writes a journal, as the event loop sees it: hand rows in, hear what is committed.

    submit -> queue in memory (bounded) -> thread: one transaction a group -> call_soon_threadsafe -> on_commit

While the disk does not take them, rows stay in the queue in order and are tried again with growing pauses;
nothing is lost in silence. When the queue's bound is reached, the newest rows are refused and counted, and
a gap record takes their place in the chain as soon as the disk works again.
"""

from __future__ import annotations

import asyncio
import heapq
import queue
import threading
import time
from collections.abc import Callable, Sequence
from itertools import count
from typing import Protocol

import structlog

from lineset.journal.block import Block
from lineset.journal.errors import (
    CannotWriteError,
    DiskFullError,
    JournalError,
    LockedFileError,
    RowsLostError,
    SealedFileError,
    WriterClosedError,
)
from lineset.journal.file import JournalFile
from lineset.journal.row import Gap, Row, check_row
from lineset.journal.seal import Seal, StationKey
from lineset.journal.writer_queue import Order, Pending, WriterCounts, WriterState

_log = structlog.get_logger(__name__)
_BATCH = 5000  # rows a transaction at most, so that a backlog is given back in steps


class Rotation(Protocol):
    """Decides when a file is full and gives the next one; called in the writer's thread."""

    def due(self, journal: JournalFile) -> bool:
        """True when the next rows belong in another file."""
        ...

    def rotate(self, journal: JournalFile) -> JournalFile:
        """Close `journal` and open the next, or raise JournalError and leave `journal` open."""
        ...


class Writer:
    """Owns `journal` from now on. Make it, and call it, in the event loop's thread only.

    `committed` is the highest seq that is durable. `on_commit(seq)` is called in the loop once a commit;
    `on_state(state)` at each change between ok and failing, and when rows had to be dropped.
    """

    def __init__(
        self,
        journal: JournalFile,
        *,
        on_commit: Callable[[int], None] | None = None,
        on_state: Callable[[WriterState], None] | None = None,
        rotation: Rotation | None = None,
        gather: float = 0.05,
        retry: tuple[float, float] = (0.1, 5.0),
        stall_after: float = 5.0,
        limit_rows: int = 200_000,
        limit_bytes: int = 64 * 1024 * 1024,
        counts: WriterCounts | None = None,
    ) -> None:
        """`gather`, `retry` (first, longest pause) and `stall_after` are real seconds; the limits bound the queue."""
        self._journal, self._rotation = journal, rotation
        self._on_commit, self._on_state = on_commit, on_state
        self.counts = counts or WriterCounts()
        self._gather, self._retry, self._stall_after = gather, retry, stall_after
        self._loop = asyncio.get_running_loop()
        self._pending = Pending(journal.last, limit_rows=limit_rows, limit_bytes=limit_bytes)
        self._bell: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._give_up_at = float("inf")
        self._committed = journal.last
        self._state = WriterState(True, "", 0, 0)
        self._waiters: list[tuple[int, int, asyncio.Future[None]]] = []
        self._tickets = count()
        self._ended = asyncio.Event()
        self._closing = self._sealing = False
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="lineset journal", daemon=True)
        self._thread.start()

    # ---- in the event loop

    @property
    def committed(self) -> int:
        """Highest committed seq (gaps count as passed)."""
        return self._committed

    @property
    def next_seq(self) -> int:
        """The seq that the next submitted row must have."""
        return self._pending.next_seq

    @property
    def state(self) -> WriterState:
        """ok or failing, why, and how many rows wait in memory or were dropped."""
        return WriterState(self._state.ok, self._state.reason, self._pending.rows, self._pending.dropped)

    @property
    def waited_s(self) -> float:
        """Seconds for which rows have waited without one being committed; 0 when none wait."""
        now = time.monotonic()
        return now - self._pending.oldest(now)

    @property
    def crowded(self) -> bool:
        """True while memory is nearly at its bound, because the disk does not take rows: soon some are dropped."""
        return self._pending.crowded

    @property
    def has_room(self) -> bool:
        """True while the disk takes rows and less than half of the bound is used."""
        return self._state.ok and self._pending.has_room

    def submit(self, rows: Sequence[Row], *, urgent: bool = False) -> bool:
        """Hand in rows that follow each other and share a transaction; never blocks. False only when memory is at its
        bound: they are dropped, counted, and recorded as a gap.

        `urgent` commits at once, else within `gather` seconds. Raises RowError, and then takes none; WriterClosedError.
        """
        self._check_open()
        seq = self._pending.next_seq
        for row in rows:
            check_row(row, seq)
            seq += 1
        if not rows:
            return True
        now = time.monotonic()
        taken, ring = self._pending.put(rows, urgent, now)
        if ring:
            self._bell.put(None)
        if not taken or (self._state.ok and now - self._pending.oldest(now) > self._stall_after):
            self._note_trouble(0 if taken else len(rows))
        return taken

    async def wait_committed(self, seq: int) -> None:
        """Return when `seq` is durable, however long the disk fails. Safe to cancel.

        Raises RowsLostError when that row was dropped, WriterClosedError when the writer ended before it.
        """
        if self._pending.was_dropped(seq):
            raise RowsLostError(f"row {seq} was dropped: the disk did not take rows and memory had no more room")
        if seq <= self._committed:
            return
        if self._ended.is_set():
            raise WriterClosedError(f"the journal's writer ended before row {seq} was committed")
        future: asyncio.Future[None] = self._loop.create_future()
        heapq.heappush(self._waiters, (seq, next(self._tickets), future))
        await future

    async def close_block(self) -> Block | None:
        """Close the block being filled, after all rows submitted so far; for quiet times. Raises JournalError."""
        block = await self._order(lambda journal: journal.close_block())
        assert block is None or isinstance(block, Block)
        return block

    async def seal(self, key: StationKey, t: int) -> Seal:
        """Seal the journal after all rows submitted so far; only `close` is left to do. Raises JournalError."""
        future = self._order(lambda journal: journal.put_seal(key, t))
        self._sealing = True
        seal = await future
        assert isinstance(seal, Seal)
        return seal

    def _order(self, work: Callable[[JournalFile], object]) -> asyncio.Future[object]:
        self._check_open()
        order = Order(work, self._loop.create_future())
        self._pending.put_order(order)
        self._bell.put(None)
        return order.future

    async def close(self, *, patience: float = 5.0) -> None:
        """Commit what is left, close the last block and the file, end the thread. Safe to call twice.

        Raises CannotWriteError when rows are still not durable after `patience` real seconds.
        """
        if not self._closing:
            self._closing = True
            self._give_up_at = time.monotonic() + patience
            self._stop.set()
            self._bell.put(None)
        await self._ended.wait()
        self._thread.join()
        if self._failure is not None:
            raise self._failure

    def _check_open(self) -> None:
        if self._closing or self._ended.is_set():
            raise WriterClosedError("the journal's writer is closed")
        if self._sealing:
            raise SealedFileError(self._journal.path, "this journal is closed and sealed", "Open a new visit")

    def _note_trouble(self, refused: int) -> None:
        if self._state.ok:
            reason = (
                "the disk takes rows too slowly: memory is at its bound, new rows are dropped"
                if refused
                else f"the disk has not answered for {self._stall_after:g} s"
            )
            self._state = WriterState(False, reason, 0, 0)
            self.counts.failures += 1
        elif not refused:
            return
        if refused:
            _log.error("journal rows dropped", path=str(self._journal.path), rows=refused, total=self._pending.dropped)
        if self._on_state is not None:
            self._on_state(self.state)

    def _delivered(self, seq: int) -> None:
        counts = self.counts
        counts.commits += 1
        counts.rows += seq - self._committed
        counts.committed_at = time.time()
        self._committed = seq
        if not self._state.ok and self._pending.has_room:
            self._changed("")
        while self._waiters and self._waiters[0][0] <= seq:
            waited, _, future = heapq.heappop(self._waiters)
            if future.done():
                continue
            if self._pending.was_dropped(waited):
                future.set_exception(RowsLostError(f"row {waited} was dropped while the disk did not take rows"))
            else:
                future.set_result(None)
        if self._on_commit is not None:
            self._on_commit(seq)

    def _changed(self, reason: str) -> None:
        if self._state.ok == (not reason) and self._state.reason == reason:
            return
        self._state = WriterState(not reason, reason, 0, 0)
        if reason:
            self.counts.failures += 1
            _log.error("journal does not write", path=str(self._journal.path), reason=reason)
        else:
            _log.info("journal writes again", path=str(self._journal.path), dropped=self._pending.dropped)
        if self._on_state is not None:
            self._on_state(self.state)

    def _finished(self, failure: BaseException | None) -> None:
        self._failure = failure
        self._ended.set()
        if failure is not None and not isinstance(failure, WriterClosedError):
            self._changed(str(failure))
        for seq, _, future in self._waiters:
            if not future.done():
                future.set_exception(WriterClosedError(f"the journal's writer ended before row {seq} was committed"))
        self._waiters.clear()

    # ---- in the writer's thread

    def _call(self, function: Callable[..., None], *values: object) -> None:
        try:
            self._loop.call_soon_threadsafe(function, *values)
        except RuntimeError:
            # the loop is closed and nobody is left to hear; what is committed stays committed
            _log.warning("journal outlived its event loop", path=str(self._journal.path))

    def _run(self) -> None:
        failure: BaseException | None = None
        try:
            while not (self._stop.is_set() and self._pending.empty):
                self._bell.get()
                self._gather_more()
                for work in self._pending.take(_BATCH):
                    if isinstance(work, Order):
                        self._do_order(work)
                    else:
                        self._write(work)
            try:
                self._journal.close()
            except JournalError as error:
                # every row is durable; only the last block stays open
                _log.warning("journal's last block not closed", path=str(self._journal.path), error=str(error))
        except JournalError as error:
            failure = error
        except BaseException as error:
            _log.exception("journal writer ended by a fault of the program", path=str(self._journal.path))
            failure = error
        finally:
            self._journal.abandon()
            for order in self._pending.orders():
                self._answer(order, None, WriterClosedError("the journal's writer ended"))
            self._call(self._finished, failure)

    def _gather_more(self) -> None:
        """Wait until the oldest row has waited `gather` seconds, or something is urgent."""
        while (left := self._pending.due_in(self._gather, time.monotonic())) > 0 and not self._stop.is_set():
            try:
                self._bell.get(timeout=left)
            except queue.Empty:
                return

    def _write(self, items: list[Row | Gap]) -> None:
        """Commit `items`, trying until the disk takes them."""

        def attempt() -> None:
            if self._rotation is not None and self._journal.sealed:
                # sealed for a rotation that could not go on then
                self._journal = self._rotation.rotate(self._journal)
            left = [item for item in items if (item.seq if isinstance(item, Row) else item.first) > self._journal.last]
            self._journal.append(left)

        self._persist(attempt)
        self._pending.settled(items, time.monotonic())
        self._call(self._delivered, self._journal.last)
        if self._rotation is not None and self._rotation.due(self._journal):
            try:
                self._journal = self._rotation.rotate(self._journal)
            except JournalError as error:
                # the rows are safe where they are; the next commit tries again
                _log.error("journal not rotated", path=str(self._journal.path), error=str(error))

    def _do_order(self, order: Order) -> None:
        result: list[object] = []
        try:
            self._persist(lambda: result.append(order.work(self._journal)))
        except Exception as error:
            self._answer(order, None, error)
            raise
        self._answer(order, result[0], None)

    def _answer(self, order: Order, result: object, error: BaseException | None) -> None:
        def answer() -> None:
            if order.future.done():
                return
            if error is not None:
                order.future.set_exception(error)
            else:
                order.future.set_result(result)

        self._call(answer)

    def _persist(self, attempt: Callable[[], None]) -> None:
        """Do `attempt` until it succeeds. Raises CannotWriteError when closing has no more patience."""
        pause, failed = self._retry[0], False
        while True:
            try:
                if failed:
                    self._journal.reconnect()
                attempt()
                return
            except JournalError as error:
                # a file that is damaged or gone may come back (a cable, a mount): the rows are kept meanwhile
                failed = not isinstance(error, DiskFullError | LockedFileError)
                self._call(self._changed, f"{error.problem}. {error.remedy}")
                if self._stop.is_set() and time.monotonic() + pause > self._give_up_at:
                    raise CannotWriteError(
                        self._journal.path,
                        f"{self._pending.rows} rows are not recorded: {error.problem}",
                        error.remedy,
                    ) from error
            if self._stop.wait(pause):
                time.sleep(min(pause, 0.1))
            pause = min(pause * 2, self._retry[1])
