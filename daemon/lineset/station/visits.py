"""Visits of a station: opened, gone on with after a restart, closed; and the station's own record between them."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import structlog

import lineset
from lineset.assess.rules import read_rules
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.equipment.system import SystemRecord
from lineset.journal.errors import JournalError, from_os
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.station_journal import StationJournal
from lineset.journal.visit_files import VisitFile, list_visits, open_visit, put_right
from lineset.journal.writer_queue import WriterCounts
from lineset.physics.refrigerant import canonical_name, curve
from lineset.station.earlier import earlier_visits
from lineset.station.events import BROKER, JournalEvents
from lineset.station.introduce import introduced
from lineset.station.opening import check_open
from lineset.station.recall import recall
from lineset.station.record import Record, rebuilt
from lineset.station.remembered import Systems
from lineset.station.retained import retained_topics
from lineset.stream.command import CommandRefused
from lineset_drivers.clock import NS
from lineset_drivers.frame import InstrumentState, State

if TYPE_CHECKING:
    from lineset.station.daemon import Station

log = structlog.get_logger(__name__)

CLEARED = "cleared"  # an outbox marker: the retained topics of that visit were taken back


class Visits:
    """The one open visit, or the station's record while none is. Part of a `Station`."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._folder = station.config.data / "visits"
        self._folder.mkdir(parents=True, exist_ok=True)
        station_folder = station.config.data / "station"
        station_folder.mkdir(parents=True, exist_ok=True)
        self._between = StationJournal(station_folder, station.key, meta={"station": station.config.name})
        self.current: Record | None = None
        self.counts = WriterCounts()
        self.systems = Systems(station.config.data / "systems")
        self.wanted: Callable[[], Sequence[str]] = tuple  # what the worklist asks for before closing
        self._events: dict[str, JournalEvents] = {}  # by visit, in the order of attaching
        self._retiring: set[asyncio.Task[None]] = set()

    @property
    def record(self) -> Record:
        """The record that entries go into now. Only after `resume` or `begin_station`."""
        assert self.current is not None
        return self.current

    # ---------------------------------------------------------------------------------------------------- at start

    def unfinished(self) -> VisitFile | None:
        """The visit that was open when the station went away. Raises JournalError."""
        for visit in list_visits(self._folder):
            error = put_right(visit.path) if visit.closed else visit.error
            if error is not None:
                log.error("a visit's journal cannot be read; it is left as it is", error=str(error))
        found = open_visit(self._folder)
        if found is not None and not found.last:
            # the station went away between making the file and the first entry: nothing was recorded, nobody was told
            log.warning("a visit was never opened; its empty journal is removed", path=str(found.path))
            discard(found.path)
            return None
        return found

    def time_passed(self, found: VisitFile) -> tuple[int, int]:
        """Last visit time on record (ns), and the visit time that passed since, by the wall clock."""
        with JournalReader(found.path) as reader:
            last_t = reader.last_t()
            wall_ns = None
            for row in reader.rows(1, {"opened", "wall", "resumed"}):
                wall_ns = e.decode(row.body).wall_ns - row.t  # type: ignore[union-attr]
        gap = 0 if wall_ns is None else time.time_ns() - (wall_ns + last_t)
        return last_t, max(gap, 1)

    def resume(self, found: VisitFile, gap_ns: int) -> None:
        """Go on with a visit after a restart; one that was closed and not yet sealed is sealed.

        Raises JournalError, EntryError.
        """
        station = self._station
        engine, last_t, replayed = rebuilt(found.path)
        journal = JournalFile.open(found.path)
        if engine.state.closed:
            seal = journal.put_seal(station.key, last_t)
            journal.close()
            log.info("visit was closed, now it is sealed too", visit=found.visit, entries=seal.last)
            self.begin_station()
            return
        log.info("visit goes on", visit=found.visit, replayed=replayed)
        self.current = self._record(engine, journal, found.visit)
        station.take(e.Resumed(gap_ns=gap_ns, wall_ns=time.time_ns(), how="wall_time", version=lineset.__version__))
        self._introduce_changed(found.path)
        self.record.release()
        self._attach_all()
        self.clear_earlier()

    def _introduce_changed(self, path: Path) -> None:
        """Put on record what the configuration now says of instruments, where it says something else than before."""
        station = self._station
        with JournalReader(path) as reader:
            before = {}
            for row in reader.rows(1, {"introduced"}):
                body = e.decode(row.body)
                assert isinstance(body, e.Introduced)
                before[body.instrument] = body
        for id_, item in station.instruments.items():
            now = introduced(item)
            if before.get(id_) != now:
                station.take(now)
        for id_ in sorted(before.keys() - station.instruments.keys()):
            gone = InstrumentState(
                instrument=id_,
                t=station.clock.now(),
                state=State.LOST,
                reason="it is not in the configuration any more; put it back, or place another instrument in its stead",
                profile=before[id_].profile,
            )
            station.tell(gone)

    def recall_commands(self) -> None:
        """Remember the commands that may still be asked again, so that none is done twice after a restart."""
        visits = [found.path for found in list_visits(self._folder)]
        for request, verb, reply in recall([*self._between.files(), *visits]):
            self._station.desk.recall(request, verb, reply)

    def begin_station(self) -> None:
        """Start (or go on with) the station's own record. Raises JournalError, and then nothing has changed."""
        self._begin_station(self._between.open())
        self._attach_all()

    def _begin_station(self, journal: JournalFile) -> None:
        station = self._station
        self.current = self._record(Engine(fingerprint()), journal, "")
        self._opened("", (), "")
        station.introduce_all()
        self.record.release()

    def _record(self, engine: Engine, journal: JournalFile, visit: str) -> Record:
        station = self._station
        station.announcer.turn_to(visit)
        record = Record(
            engine,
            journal,
            visit=visit,
            on_events=station.events_committed,
            present=station.state_entries,
            on_state=station.journal_state,
            rotation=None if visit else self._between,
            counts=self.counts,
        )
        record.hold()  # its first entries are one transaction
        return record

    def _opened(self, visit: str, systems: Sequence[SystemRecord], by: str, technician: str = "") -> None:
        config = self._station.config
        curves = {}
        for system in systems:
            curves[system.refrigerant] = curve(system.refrigerant).sha256
        self._station.take(
            e.Opened(
                station=config.name,
                visit=visit,
                wall_ns=time.time_ns(),
                version=lineset.__version__,
                fingerprint=fingerprint(),
                systems=tuple(systems),
                curves=curves,
                installation=config.installation,
                config={
                    "text": config.text,
                    "units": config.units,
                    "language": config.language,
                    "cues": config.cues.level,
                    "speed": config.speed,
                    "rules": {"text": config.rules, "sha256": read_rules(config.rules).sha256},
                    "worklist": {"text": config.worklist},
                },
                by=by,
                technician=technician,
            )
        )

    # ------------------------------------------------------------------------------------------------ open and close

    def earlier(self, systems: Sequence[SystemRecord]) -> list[e.Recalled | e.Noted]:
        """What earlier visits say of these systems. Reads files: call it in a thread."""
        return earlier_visits(self._folder, systems)

    def open(
        self,
        visit: str,
        systems: Sequence[SystemRecord],
        by: str,
        earlier: Sequence[e.Recalled | e.Noted] = (),
        technician: str = "",
    ) -> None:
        """Open a visit; the state of all instruments is copied in, and the configured placements are made.

        What is known of the systems from `earlier` visits goes into its first entries. The new record is held: who
        calls puts the command on it and releases it. Raises CommandRefused.
        """
        station = self._station
        path = check_open(self._folder, self.record.visit, visit, systems)
        systems = [
            msgspec.structs.replace(system, refrigerant=canonical_name(system.refrigerant) or system.refrigerant)
            for system in systems
        ]
        try:
            journal = JournalFile.create(path, meta={"station": station.config.name, "visit": visit})
        except JournalError as error:
            raise CommandRefused(f"no journal can be made: {error}") from error
        before = self.record
        # nothing may come between the new record and its first entry: no await from here on
        self.current = self._record(Engine(fingerprint()), journal, visit)
        self._opened(visit, systems, by, technician or station.config.technician)
        for recalled in earlier:
            station.take(recalled)
        station.introduce_all()
        for placement in station.config.placements:
            system = placement.system or systems[0].id
            if system in {each.id for each in systems}:
                station.take(
                    e.Placed(
                        instrument=placement.instrument,
                        channel=placement.channel,
                        system=system,
                        point=placement.point,
                        by="config",
                    )
                )
        self._attach(path, visit)
        station.announcer.visit(self.record.engine, "open")
        station.tell_instruments()
        self._retire(before)
        self.clear_earlier()

    async def close(self, command: e.Commanded, missing: Sequence[str] = ()) -> dict[str, object]:
        """Close and seal the open visit, with the command as it goes on record. Returns what the seal says.

        `missing` are the sentences against which it is forced.

        Raises CommandRefused.
        """
        station = self._station
        record = self.record
        if not record.visit:
            raise CommandRefused("no visit is open")
        await self.retired()
        try:
            between = self._between.open()
        except JournalError as error:
            raise CommandRefused(f"the station's own journal cannot go on, so the visit stays open: {error}") from error
        # no await from here on until entries go to the station's own record
        record.hold()
        station.take(command)
        reason = str(command.args.get("reason", ""))
        station.take(e.Closed(by=command.actor, reason=reason, missing=tuple(missing)))
        record.release()
        station.announcer.visit(record.engine, "closed")
        t = station.clock.now()
        self._begin_station(between)
        station.tell_instruments()
        events = self._events[record.visit]
        events.pause()
        try:
            await station.uplinking.hold(record.visit)
            seal = await record.seal(station.key, t)
        finally:
            events.go_on()
            station.uplinking.release(record.visit)
            self._retire(record)
        station.publisher.wake()
        return {"visit": record.visit, "entries": seal.last, "head": seal.head.hex(), "journal": str(record.path)}

    def _retire(self, record: Record) -> None:
        """Let go of a record that takes nothing more, without waiting for it."""
        task = asyncio.create_task(_close(record), name="closing a journal")
        self._retiring.add(task)
        task.add_done_callback(self._retiring.discard)

    async def retired(self) -> None:
        """Return when the files of earlier records are closed."""
        await asyncio.gather(*self._retiring)

    # ------------------------------------------------------------------------------------------------------ events

    def _attach(self, path: Path, visit: str) -> None:
        station = self._station
        events = JournalEvents(path, visit, station.topics, station.outbox, station.config.units)
        self._events[visit] = events
        station.publisher.attach(events)
        if visit == self.record.visit:
            station.uplinking.attach(path, visit)

    def _attach_all(self) -> None:
        """Events of visits that a broker has not had whole are sent before those of the open one."""
        outbox = self._station.outbox
        waiting = []
        for found in list_visits(self._folder):
            if found.error is not None or found.visit in self._events:
                continue
            with JournalReader(found.path) as reader:
                identity, made = reader.identity, int(reader.meta["created"])
            if not found.closed or outbox.through(BROKER, identity) < found.last:
                waiting.append((found.closed, made, found))
        # the oldest first, the open one last
        for _, _, found in sorted(waiting, key=lambda each: (not each[0], each[1])):
            self._attach(found.path, found.visit)

    def clear_earlier(self) -> None:
        """Take back what earlier visits left with the broker, once it has had their last event."""
        self._station.spawn(self._clear_earlier(), "clearing earlier visits")

    async def _clear_earlier(self) -> None:
        station = self._station
        for found in await asyncio.to_thread(self._uncleared):
            events = self._events.get(found.visit)
            if events is not None:
                await station.publisher.drained(events)
                station.publisher.detach(events)
                self._events.pop(found.visit, None)
                events.close()
            identity, topics = await asyncio.to_thread(self._left_behind, found)
            for topic in topics:
                station.publisher.state(topic, b"")
            await station.publisher.states_said()
            station.outbox.advance(CLEARED, identity, 1)

    def _uncleared(self) -> list[VisitFile]:
        found = []
        for visit in list_visits(self._folder):
            if visit.error is None and visit.closed:
                with JournalReader(visit.path) as reader:
                    if not self._station.outbox.through(CLEARED, reader.identity):
                        found.append(visit)
        return found

    def _left_behind(self, found: VisitFile) -> tuple[str, list[str]]:
        with JournalReader(found.path) as reader:
            return reader.identity, retained_topics(reader, found.visit, self._station.topics)

    def let_go(self) -> None:
        """Close the files that events are read from."""
        for events in self._events.values():
            events.close()
        self._events.clear()

    def opened(self) -> e.Opened | None:
        """How the open visit was opened, as it is on record; None before that is committed."""
        with JournalReader(self.record.path) as reader:
            first = next(iter(reader.rows(1, {"opened"})), None)
        body = None if first is None else e.decode(first.body)
        return body if isinstance(body, e.Opened) else None

    def duration_s(self) -> float:
        """Seconds of visit time since the open visit began."""
        with JournalReader(self.record.path) as reader:
            first = next(iter(reader.rows(1)), None)
        return 0.0 if first is None else (self._station.clock.now() - first.t) / NS


async def _close(record: Record) -> None:
    try:
        await record.close()
    except JournalError as error:
        log.error("a journal could not take its last rows", path=str(record.path), error=str(error))


def discard(path: Path) -> None:
    """Remove a journal without entries, the file itself last. Raises JournalError."""
    try:
        for suffix in ("-wal", "-shm", "-lock", ""):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
    except OSError as error:
        raise from_os(error, path) from error
