"""The running station: starts the broker, the fleet and the record in order, and stops them the other way round."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import Callable, Coroutine
from functools import partial
from pathlib import Path

import structlog

import lineset
from lineset.contract import entry as e
from lineset.contract.live import StationMessage
from lineset.contract.topic import Topics
from lineset.journal.errors import JournalError, LockedFileError, RowsLostError, WriterClosedError, from_os
from lineset.journal.lock import WriterLock
from lineset.journal.outbox import Outbox
from lineset.journal.seal import StationKey
from lineset.journal.writer_queue import WriterState
from lineset.station.announcer import Announcer
from lineset.station.answering import proposal
from lineset.station.both_brokers import BothBrokers
from lineset.station.commands import Commands
from lineset.station.config import Config
from lineset.station.inbox import Inbox, Item
from lineset.station.introduce import BY_EYE, by_eye, introduced, state_entry
from lineset.station.own_broker import open_broker
from lineset.station.receipts import Receipts
from lineset.station.record import Record, keep_snapshot
from lineset.station.tasking import wanted_before_closing
from lineset.station.uplinking import Uplinking
from lineset.station.visits import Visits
from lineset.station.voice import keep_speaking
from lineset.stream.broker import LocalBroker
from lineset.stream.command import CommandDesk
from lineset.stream.link import LinkStatus
from lineset.stream.publisher import Publisher
from lineset_drivers.clock import NS, VisitClock, boot_ns
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Frame, InstrumentState, Loss

log = structlog.get_logger(__name__)

SNAPSHOT_S = 60.0
WALL_STEP_NS = NS // 2
NOTED_STEP_NS = 60 * NS  # a step that a person ought to read of in the record


class Station:
    """One technician's laptop. `async with Station(config):` runs it; `ready` is set once instruments are read."""

    def __init__(self, config: Config, *, runtime: Path | None = None) -> None:
        self.config = config
        self.topics = Topics(config.shop, config.name)
        self.runtime = runtime
        configured = {item.spec.id: item for item in config.instruments}
        if BY_EYE not in configured:
            configured[BY_EYE] = by_eye()
        self.instruments = configured
        self.states: dict[str, InstrumentState] = {}
        self.ready = asyncio.Event()
        self._stack = contextlib.AsyncExitStack()
        self._timer: asyncio.TimerHandle | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._outbox_kept = True
        self.recording = True
        self.journal_reason = ""
        self.broker: LocalBroker | None = None
        self.receipts: Receipts | None = None

    # --------------------------------------------------------------------------------------------- start and stop

    async def __aenter__(self) -> Station:
        try:
            await self._start()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        log.info("stopping")
        await self._stack.aclose()
        log.info("stopped")

    async def _start(self) -> None:
        config = self.config
        data = config.data
        try:
            data.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise from_os(error, data) from error
        self.key = StationKey.load_or_generate(data / "station.key")
        self._hold_outbox(data / "outbox")
        self.outbox = Outbox(data / "outbox")
        address, self.broker = await open_broker(config, self.topics, self.runtime, self._stack, self._broker_ready)
        self.publisher = Publisher(
            address,
            self.topics,
            online=self.online,
            live_hz=config.rate_hz,
            now=lambda: self.both.now(),
            on_status=self._broker_status,
            wall=self.wall,
        )
        self.both = BothBrokers(self.publisher, lambda: self.announcer.now(self.record.engine))
        self.uplinking = Uplinking(self)
        self.visits = Visits(self)
        self.visits.wanted = partial(wanted_before_closing, self)
        self._stack.push_async_callback(self._close_record)
        found = self.visits.unfinished()
        last_t, gap_ns = (0, 0) if found is None else self.visits.time_passed(found)
        self.clock = VisitClock(rate=config.speed, start=last_t + gap_ns)
        self._wall_drift = self._now_drift()
        self.announcer = Announcer(self.both, self.topics, config.units, self.wall)
        if found is None:
            self.visits.begin_station()
        else:
            self.visits.resume(found, gap_ns)
        self._commands = Commands(self)
        self.desk = CommandDesk(self.publisher.link, self.topics, self._commands.handle)
        self.visits.recall_commands()
        self.spawn(self.desk.run(), "commands")
        self.spawn(self.publisher.run(), "publisher")
        self._stack.push_async_callback(self._end_tasks)
        self.inbox = Inbox(self._take, self._after)
        receipts = self.receipts = Receipts(data / "relayed.json", self.record.engine.state.instruments)
        self.inbox.kept = receipts.kept
        self.inbox.full_disk = lambda: self.record.losing
        self._stack.callback(self._stop_timer)
        self._arm()
        self._stack.callback(self.inbox.shut)
        self.fleet = Fleet(
            [item.spec for item in self.instruments.values()], self.clock, self.inbox, seed=time.time_ns()
        )
        await self._stack.enter_async_context(self.fleet)
        self.spawn(self._housekeeping(), "housekeeping")
        if config.cues.speak:
            self.spawn(keep_speaking(address(), self.topics), "voice")
        self.spawn(self._keep_snapshots(), "snapshots")
        self.spawn(self.uplinking.run(), "uplink")
        self.ready.set()
        self._note_broker(self.publisher.status)
        log.info("ready", station=config.name, visit=self.record.visit or None, instruments=len(config.instruments))

    def _hold_outbox(self, path: Path) -> None:
        """Be the one process that keeps the markers. Raises LockedFileError."""
        try:
            lock = WriterLock(path, what="outbox")
        except LockedFileError as error:
            remedy = "Stop it, or give this one its own [station] data"
            raise LockedFileError(path.parent, f"another station runs here: {error.problem}", remedy) from error
        except JournalError as error:  # a full disk must not keep the station from its start
            log.warning("the outbox is not locked against another process", error=str(error))
        else:
            self._stack.callback(lock.release)

    async def _close_record(self) -> None:
        self.visits.let_go()
        await self.visits.retired()
        record = self.visits.current
        if record is not None:
            try:
                await record.close()
            except JournalError as error:
                log.error("the journal could not take its last rows", error=str(error))
            else:
                if record.visit:
                    keep_snapshot(record.path, record.snapshot())
            if self.receipts is not None:
                self.receipts.keep()
        self._flush_outbox()

    def spawn(self, work: Coroutine[object, object, None], name: str) -> None:
        """Run a part of the station until it ends; cancelled when the station stops."""
        task: asyncio.Task[None] = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            log.error("part of the station failed", part=task.get_name(), exc_info=task.exception())

    async def _end_tasks(self) -> None:
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    # -------------------------------------------------------------------------------------------------- the record

    @property
    def record(self) -> Record:
        """The record that entries go into now."""
        return self.visits.record

    def wall(self) -> float:
        """Wall time in seconds since 1970, as of now in visit time (in a demo it runs at the demo's speed)."""
        if self.config.speed == 1.0:
            return time.time()
        return (self.clock.now() + self.record.engine.state.wall_offset_ns) / NS

    def take(self, body: e.InputBody) -> int:
        """Put something that happened now on record."""
        seq = self.record.take(self.clock.now(), body)
        self._place_what_was_proposed()
        self.announcer.live(self.record.engine.take_live())
        return seq

    def _take(self, item: Item) -> None:
        if type(item) is Frame:
            framed = e.Framed(instrument=item.instrument, raw=item.raw, samples=item.samples, spool=item.spool)
            seq = self.record.take(item.t, framed)
            if item.spool and self.receipts is not None:
                self.receipts.taken(self.record, seq, item.instrument, item.spool)
        elif isinstance(item, InstrumentState):
            self.tell(item)
        elif isinstance(item, Loss):
            self.record.take(item.t, e.Overrun(instrument=item.instrument, loss=item.kind, count=item.count))
            log.warning("readings lost", id=item.instrument, kind=item.kind, count=item.count)

    def _place_what_was_proposed(self) -> None:
        proposed = self.record.proposed
        while proposed:
            body = proposal(proposed.pop(0))
            self.record.take(self.clock.now(), body)
            told = self.states.get(body.instrument)
            if told is not None:
                self.announcer.instrument(self.record.engine, told)

    def tell(self, told: InstrumentState) -> None:
        """An instrument's state, on record and on its topic."""
        self.states[told.instrument] = told
        self.record.take(told.t, state_entry(told))
        self.announcer.instrument(self.record.engine, told)
        log.info("instrument", id=told.instrument, state=told.state, reason=told.reason)

    def _after(self) -> None:
        self._place_what_was_proposed()
        self.announcer.live(self.record.engine.take_live())

    def events_committed(self) -> None:
        """The journal has made record events durable."""
        self.publisher.wake()
        self.uplinking.wake()

    def journal_state(self, state: WriterState) -> None:
        """The journal fails, or works again: live values say so, and an alarm is raised."""
        self.recording = state.ok
        self.announcer.recorded = state.ok
        if state.ok:
            log.info("journal works again", dropped=state.dropped)
        else:
            log.error("journal cannot write: nothing is recorded, nothing settles", reason=state.reason)
        self.journal_reason = state.reason
        if self.broker is not None:
            self.publisher.spare(not state.ok)  # the local broker keeps its messages on the same disk
        self.both.refresh()

    def _broker_ready(self) -> None:
        if self.broker is not None:
            self.publisher.link.retry_now()

    def online(self) -> StationMessage:
        return StationMessage(
            t=round(time.time(), 3),
            online=True,
            version=lineset.__version__,
            station=self.config.name,
            recording=self.recording,
            reason=self.journal_reason,
            public_key=self.key.public.hex(),
            uplink=self.uplinking.sentence,
        )

    def _broker_status(self, status: LinkStatus) -> None:
        if status.state == "stalled" and self.broker is not None:
            self.broker.stalled()
        if self.ready.is_set():
            self._note_broker(status)

    def _note_broker(self, status: LinkStatus) -> None:
        # on record, so that a gap on the wire can be told from a gap in the readings
        if status.state != "connecting":
            self.take(e.Noted(text=f"broker: {status.sentence}", by="station"))

    # -------------------------------------------------------------------------------------------------------- time

    def _arm(self) -> None:
        deadline = self.record.engine.next_deadline()
        wait_s = 1.0 if deadline is None else (deadline - self.clock.now()) / NS / self.clock.rate
        self._timer = asyncio.get_running_loop().call_later(min(max(wait_s, 0.01), 1.0), self._on_time)

    def _on_time(self) -> None:
        deadline = self.record.engine.next_deadline()
        if deadline is not None and self.clock.now() >= deadline:
            self.take(e.Tick())
        self._arm()

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()

    def _now_drift(self) -> int:
        return time.time_ns() - boot_ns()

    async def _housekeeping(self) -> None:
        """Once a real second: wall clock steps, the visit's state, markers on disk."""
        while True:
            await asyncio.sleep(1.0)
            drift = self._now_drift()
            if abs(step := drift - self._wall_drift) > WALL_STEP_NS:
                self._wall_drift = drift
                self.take(e.WallClock(wall_ns=time.time_ns(), step_ns=step))
                log.warning("the wall clock stepped", seconds=round(step / NS, 3))
                if abs(step) > NOTED_STEP_NS:
                    text = f"this computer's clock was set by {step / NS:+.0f} s; visit time goes on, nothing is lost"
                    self.take(e.Noted(text=text, by="station"))
            self.announcer.worklists(self.record.engine)
            self.announcer.visit(self.record.engine, "open")
            await asyncio.to_thread(self._flush_outbox)

    async def _keep_snapshots(self) -> None:
        """Once a real minute; waits while the journal cannot write."""
        while True:
            await asyncio.sleep(SNAPSHOT_S)
            record = self.record
            if not record.visit:
                continue
            snapshot = record.snapshot()
            try:
                await record.writer.wait_committed(snapshot.seq)
            except (RowsLostError, WriterClosedError) as error:
                log.info("no snapshot this time", why=str(error))
                continue
            await asyncio.to_thread(keep_snapshot, record.path, snapshot)

    def _flush_outbox(self) -> None:
        try:
            self.outbox.flush()
            self._outbox_kept = True
        except JournalError as error:
            if self._outbox_kept:
                log.warning("outbox markers not kept; events may be sent again after a restart", error=str(error))
            self._outbox_kept = False

    def introduce_all(self) -> None:
        """Put all instruments on record, with their profiles and how they stand."""
        known = self.record.engine.state.instruments
        for id_, item in self.instruments.items():
            body = introduced(item)
            if id_ not in known or tuple(c.record for c in known[id_].channels.values()) != body.channels:
                self.take(body)
        for told in self.state_entries():
            self.take(told)

    def state_entries(self) -> list[e.InputBody]:
        """How all instruments stand, as entries."""
        return [state_entry(told) for told in self.states.values()]

    def tell_instruments(self) -> None:
        """Say again how all instruments stand (their placements changed)."""
        for told in self.states.values():
            self.announcer.instrument(self.record.engine, told)


async def run(
    config: Config,
    *,
    runtime: Path | None = None,
    beside: Callable[[Station], contextlib.AbstractAsyncContextManager[object]] = contextlib.nullcontext,
    on_ready: Callable[[Station], None] | None = None,
) -> None:
    """Run a station until SIGINT or SIGTERM, with what `beside` makes for it."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for signum in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(signum, stop.set)
    async with Station(config, runtime=runtime) as station, beside(station):
        if on_ready is not None:
            on_ready(station)
        await stop.wait()
