"""One record: the engine and the journal of a visit (or of the station outside visits), fed as one.

An entry gets its seq, goes through the engine at once, and the entry and all that came of it go to the journal's
writer as one group, which commits them in one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import structlog

from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.journal.errors import JournalError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import Seal, StationKey
from lineset.journal.snapshot import Snapshot, read_snapshot, snapshot_path, write_snapshot
from lineset.journal.writer import Rotation, Writer
from lineset.journal.writer_queue import WriterCounts, WriterState

log = structlog.get_logger(__name__)


class Record:
    """Takes inputs one by one, in the event loop only.

    `on_events` is called when record events are durable; `present` gives what is put on record again after a loss.
    """

    def __init__(
        self,
        engine: Engine,
        journal: JournalFile,
        *,
        visit: str,
        on_events: Callable[[], None],
        present: Callable[[], Iterable[e.InputBody]],
        on_state: Callable[[WriterState], None],
        rotation: Rotation | None = None,
        counts: WriterCounts | None = None,
    ) -> None:
        self._engine = engine
        self._beside: Engine | None = None
        self._lost: dict[str, int] = {}
        self._present = present
        self.visit = visit
        self.path: Path = journal.path
        self.journal_id = journal.identity
        self._on_events = on_events
        self._last_event = self._told = journal.last
        self.proposed: list[e.Questioned] = []  # placements that the readings made, to be put on record
        self.writer = Writer(journal, on_commit=self._committed, on_state=on_state, rotation=rotation, counts=counts)
        self._kind = e.kind_of
        self._encode = e.encode
        self._holding = False
        self._held: list[Row] = []
        self._held_urgent = False

    @property
    def engine(self) -> Engine:
        """The engine that knows the present."""
        return self._engine if self._beside is None else self._beside

    @property
    def next_seq(self) -> int:
        """The seq that the next entry gets."""
        return self.writer.next_seq + len(self._held)

    def hold(self) -> None:
        """What is taken from now on waits for `release`, which puts it into one transaction. No await in between."""
        self._holding = True

    def release(self) -> None:
        """Hand in what was held. Safe to call when nothing is."""
        self._holding = False
        rows, self._held = self._held, []
        urgent, self._held_urgent = self._held_urgent, False
        if rows:
            self.writer.submit(rows, urgent=urgent)

    @property
    def last_event(self) -> int:
        """The seq of the newest record event."""
        return self._last_event

    @property
    def losing(self) -> bool:
        """Whether what comes now would be lost, since neither disk nor memory has room."""
        return self._beside is not None or self.writer.crowded

    def take(self, t: int, body: e.InputBody) -> int:
        """Put one input through the engine and on record. Returns its seq.

        When the disk has taken nothing for so long that memory is full, what comes is lost, and counted. Live values
        go on: a copy of the engine makes them. The engine of the record sees only what is on record, for else nobody
        could replay what follows.
        """
        if self._beside is None:
            if not self.writer.crowded:
                return self._take(t, body)
            self._beside = Engine.restore(self._engine.snapshot())
            log.error("memory is full of rows that the disk does not take; what comes now is lost", path=str(self.path))
        elif self.writer.has_room:
            self._come_back(t)
            return self._take(t, body)
        if isinstance(body, e.Framed):
            self._lost[body.instrument] = self._lost.get(body.instrument, 0) + 1
        push_guarded(self._beside, self.next_seq, t, body)
        return self.next_seq

    def _come_back(self, t: int) -> None:
        lost, self._lost = self._lost, {}
        self._beside = None
        log.info("what comes is recorded again", path=str(self.path), frames_lost=lost)
        text = f"the journal could not be written and memory was full: {sum(lost.values())} frames were lost"
        self._take(t, e.Noted(text=text, by="station"))
        for instrument, count in lost.items():
            self._take(t, e.Overrun(instrument=instrument, loss="not_recorded", count=count))
        for body in self._present():
            self._take(t, body)

    def _take(self, t: int, body: e.InputBody) -> int:
        seq = first = self.next_seq
        outputs = push_guarded(self._engine, seq, t, body)
        kind = self._kind(body)
        rows = [Row(seq, t, kind, self._encode(body))]
        urgent = kind in e.RECORD_KINDS
        for output in outputs:
            if type(output) is e.Questioned and output.state == "taken":
                self.proposed.append(output)
            seq += 1
            kind = self._kind(output)
            if kind in e.RECORD_KINDS:
                urgent = True
            rows.append(Row(seq, t, kind, self._encode(output)))
        if urgent:
            self._last_event = seq
        if self._holding:
            self._held += rows
            self._held_urgent = self._held_urgent or urgent
        else:
            self.writer.submit(rows, urgent=urgent)
        return first

    def _committed(self, seq: int) -> None:
        if self._last_event > self._told:
            self._told = seq
            self._on_events()

    def snapshot(self) -> Snapshot:
        """The engine's state as of the last entry, to be kept once that is committed."""
        return Snapshot(self.journal_id, self.next_seq - 1, self._engine.state.fingerprint, self._engine.snapshot())

    async def close(self) -> None:
        """Commit what waits and let go of the file."""
        await self.writer.close()

    async def seal(self, key: StationKey, t: int) -> Seal:
        """Close the last block and sign; only `close` is left to do."""
        await self.writer.wait_committed(self.next_seq - 1)
        return await self.writer.seal(key, t)


def push_guarded(engine: Engine, seq: int, t: int, body: e.InputBody) -> list[e.OutputBody]:
    """Push, and let a fault of ours cost the outputs of that one entry, never the entry itself."""
    try:
        return engine.push(seq, t, body)
    except Exception:
        log.exception("the engine failed on an entry; the entry is kept", seq=seq, kind=e.kind_of(body))
        return []


def keep_snapshot(path: Path, snapshot: Snapshot) -> None:
    """Write a snapshot beside its journal; failing only costs a longer restart. Blocks: call it in a thread."""
    try:
        write_snapshot(snapshot_path(path), snapshot)
    except JournalError as error:
        log.warning("snapshot not kept, a restart will replay", path=str(path), error=str(error))


def rebuilt(path: Path) -> tuple[Engine, int, int]:
    """The engine as a journal leaves it, from its snapshot where one fits, else from the start.

    Returns the engine, the last t (ns) on record, and how many entries were replayed. Raises JournalError, EntryError.
    """
    with JournalReader(path) as reader:
        found = read_snapshot(
            snapshot_path(path), journal=reader.identity, fingerprint=fingerprint(), last=reader.last_seq()
        )
        engine = Engine(fingerprint()) if found is None else Engine.restore(found.body)
        count = 0
        for row in reader.rows(found.seq + 1 if found else 1, e.INPUT_KINDS):
            push_guarded(engine, row.seq, row.t, e.decode(row.body))  # type: ignore[arg-type]
            count += 1
        engine.take_live()
        return engine, reader.last_t(), count
