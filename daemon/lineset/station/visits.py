"""Visits of a station: opened, gone on with after a restart, closed; and the station's own record between them."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import structlog

import lineset
from lineset.contract import entry as e
from lineset.contract.command import Reply, Request
from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.equipment.system import SystemRecord
from lineset.journal.errors import JournalError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.station_journal import StationJournal
from lineset.journal.visit_files import VisitFile, list_visits, open_visit, visit_path
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import canonical_name, curve
from lineset.station.events import BROKER, JournalEvents
from lineset.station.record import Record, rebuilt
from lineset.stream.command import CommandRefused
from lineset_drivers.clock import NS

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
        self.record: Record
        self._events: list[JournalEvents] = []

    # ---------------------------------------------------------------------------------------------------- at start

    def unfinished(self) -> VisitFile | None:
        """The visit that was open when the station went away. Raises JournalError."""
        for bad in list_visits(self._folder):
            if bad.error is not None:
                log.error("a visit's journal cannot be read; it is left as it is", error=str(bad.error))
        return open_visit(self._folder)

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
        """Go on with a visit after a restart."""
        station = self._station
        engine, _, replayed = rebuilt(found.path)
        log.info("visit goes on", visit=found.visit, replayed=replayed)
        self.record = self._record(engine, JournalFile.open(found.path), found.visit)
        station.take(e.Resumed(gap_ns=gap_ns, wall_ns=time.time_ns(), how="wall_time", version=lineset.__version__))
        station.introduce_all()
        self._attach_all()

    def recall_commands(self) -> None:
        """Remember the commands of this visit, so that one asked again after a restart is not done twice."""
        if not self.record.visit:
            return
        with JournalReader(self.record.path) as reader:
            for row in reader.rows(1, {"command"}):
                body = e.decode(row.body)
                assert isinstance(body, e.Commanded)
                reply = Reply(request=body.request, verb=body.verb, ok=body.ok, text=body.answer)
                request = Request(request=body.request, expires=body.expires, args=body.args, actor=body.actor)
                self._station.desk.recall(request, body.verb, reply)

    def begin_station(self) -> None:
        """Start (or go on with) the station's own record."""
        station = self._station
        engine = Engine(fingerprint())
        self.record = self._record(engine, self._between.open(), "")
        self._opened("", (), "")
        station.introduce_all()
        self._attach_all()

    def _record(self, engine: Engine, journal: JournalFile, visit: str) -> Record:
        station = self._station
        station.announcer.turn_to(visit)
        return Record(
            engine,
            journal,
            visit=visit,
            on_commit=station.committed,
            on_state=station.journal_state,
            rotation=None if visit else self._between,
        )

    def _opened(self, visit: str, systems: Sequence[SystemRecord], by: str) -> None:
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
                config={"text": config.text, "units": config.units, "speed": config.speed},
                by=by,
            )
        )

    # ------------------------------------------------------------------------------------------------ open and close

    def check_open(self, visit: str, systems: Sequence[SystemRecord]) -> Path:
        """Where the journal of a new visit would be. Raises CommandRefused with what stands in the way."""
        if self.record.visit:
            raise CommandRefused(f"visit {self.record.visit} is open; close it first: lineset visit close")
        try:
            path = visit_path(self._folder, visit)
        except ValueError as error:
            raise CommandRefused(str(error)) from error
        if path.exists():
            raise CommandRefused(f"there is a visit {visit} already; give this one another name")
        if not systems:
            raise CommandRefused("name at least one system: lineset visit open NAME --refrigerant R-410A")
        if len({system.id for system in systems}) < len(systems):
            raise CommandRefused("two systems have one id; give each its own")
        for system in systems:
            try:
                curve(system.refrigerant)
            except PhysicsError as error:
                raise CommandRefused(f"system {system.id}: {error}") from error
        return path

    async def open(self, visit: str, systems: Sequence[SystemRecord], by: str) -> None:
        """Open a visit; the state of all instruments is copied in, and the configured placements are made.

        Raises CommandRefused.
        """
        path = self.check_open(visit, systems)
        systems = [
            msgspec.structs.replace(system, refrigerant=canonical_name(system.refrigerant) or system.refrigerant)
            for system in systems
        ]
        try:
            journal = JournalFile.create(path, meta={"station": self._station.config.name, "visit": visit})
        except JournalError as error:
            raise CommandRefused(f"no journal can be made: {error}") from error
        self._clear_retained()
        before = self.record
        # nothing may come between the new record and its first entry: no await from here on
        self.record = self._record(Engine(fingerprint()), journal, visit)
        self._opened(visit, systems, by)
        self._station.introduce_all()
        for placement in self._station.config.placements:
            system = placement.system or systems[0].id
            if system in {each.id for each in systems}:
                self._station.take(
                    e.Placed(
                        instrument=placement.instrument,
                        channel=placement.channel,
                        system=system,
                        point=placement.point,
                        by="config",
                    )
                )
        self._attach(path, visit)
        self._station.announcer.visit(self.record.engine, "open")
        self._station.tell_instruments()
        await before.close()

    async def close(self, by: str, reason: str) -> dict[str, object]:
        """Close and seal the open visit. Returns what the seal says. Raises CommandRefused."""
        record = self.record
        if not record.visit:
            raise CommandRefused("no visit is open")
        self._station.take(e.Closed(by=by, reason=reason))
        self._station.announcer.visit(record.engine, "closed")
        t = self._station.clock.now()
        self.begin_station()  # before any await: what comes from now on belongs to the station's own record
        seal = await record.seal(self._station.key, t)
        await record.close()
        self._station.tell_instruments()
        self._station.publisher.wake()
        return {"visit": record.visit, "entries": seal.last, "head": seal.head.hex(), "journal": str(record.path)}

    # ------------------------------------------------------------------------------------------------------ events

    def _attach(self, path: Path, visit: str) -> None:
        station = self._station
        events = JournalEvents(path, visit, station.topics, station.outbox, station.config.units)
        self._events.append(events)
        station.publisher.attach(events)

    def _attach_all(self) -> None:
        """Events of visits that a broker has not had whole are sent before those of the open one."""
        attached = {events.visit for events in self._events}
        for found in list_visits(self._folder):
            if found.error is not None or found.visit in attached:
                continue
            with JournalReader(found.path) as reader:
                identity = reader.identity
            if not found.closed or self._station.outbox.through(BROKER, identity) < found.last:
                self._attach(found.path, found.visit)

    def _clear_retained(self) -> None:
        """Take back what earlier visits left with the broker."""
        station = self._station
        topics = station.topics
        for found in list_visits(self._folder):
            if found.error is not None or not found.closed:
                continue
            with JournalReader(found.path) as reader:
                identity = reader.identity
                if station.outbox.through(CLEARED, identity):
                    continue
                gone = {topics.visit(found.visit): None}
                for row in reader.rows(1, {"opened", "settled"}):
                    body = e.decode(row.body)
                    if isinstance(body, e.Opened):
                        for system in body.systems:
                            gone[topics.now(found.visit, system.id)] = None
                            gone[topics.run(found.visit, system.id)] = None
                    elif isinstance(body, e.Settled):
                        gone[topics.settled(found.visit, body.system, body.phase, body.name)] = None
            for topic in gone:
                station.publisher.state(topic, b"")
            station.outbox.advance(CLEARED, identity, 1)

    def duration_s(self) -> float:
        """Seconds of visit time since the open visit began."""
        with JournalReader(self.record.path) as reader:
            first = next(iter(reader.rows(1)), None)
        return 0.0 if first is None else (self._station.clock.now() - first.t) / NS
