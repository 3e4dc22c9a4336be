"""What a station does on command: each verb of the contract, once, on record, and answered after the commit."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import msgspec
import structlog

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.equipment.system import SystemDescriptionError, SystemRecord
from lineset.journal.errors import JournalError, RowsLostError
from lineset.station import refrigerant, visiting
from lineset.station.amending import amend
from lineset.station.answering import answer
from lineset.station.asked import Done, need_visit
from lineset.station.earlier import told
from lineset.station.observing import Photos, observe
from lineset.station.opening import reference
from lineset.station.placing import enter, place
from lineset.station.rare_refrigerant import make_known
from lineset.station.remembered import Remembered
from lineset.station.resending import resend
from lineset.station.tasking import task
from lineset.stream import command
from lineset.stream.command import CommandRefused

if TYPE_CHECKING:
    from lineset.station.daemon import Station
    from lineset.station.record import Record

log = structlog.get_logger(__name__)


class Commands:
    """The handler of a `CommandDesk`."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._photos = Photos()

    async def handle(self, verb: str, args: msgspec.Struct, request: c.Request) -> c.Reply:
        """Do one command and put it on record with who asked; returns when that is committed.

        What a command does and the command itself are one transaction, so that none is done twice after a crash.
        """
        station = self._station
        if not station.recording:
            if isinstance(args, c.VisitShow):
                text, data = visiting.show(station)
                return c.Reply(request=request.request, verb=verb, ok=True, text=text, data=data)
            raise CommandRefused(f"nothing can be recorded now, so nothing was done: {station.journal_reason}")
        if isinstance(args, c.VisitClose | c.ForceClose) and station.record.visit:
            return await self._close(args, verb, request)
        if isinstance(args, c.Resend):
            return await self._resend(args, verb, request)
        if isinstance(args, c.Systems):
            found = await asyncio.to_thread(station.visits.systems.listed)
            return c.Reply(request=request.request, verb=verb, ok=True, **listed(found))
        earlier = await self._earlier(args) if isinstance(args, c.VisitOpen) and not station.record.visit else []
        if isinstance(args, c.Amend):
            await make_known(str(args.given.get("refrigerant", "")))
        station.record.hold()
        try:
            try:
                if isinstance(args, c.VisitOpen):
                    text, data = self._open(args, request.actor, earlier)
                else:
                    text, data = self._do(args, request.actor)
                ok = True
            except CommandRefused as refusal:
                text, data, ok = str(refusal), {}, False
            kept = {} if isinstance(args, c.VisitShow) else data
            seq = station.take(commanded(verb, request, ok, text, kept))
        finally:
            record = station.record  # another one than before when a visit was opened
            record.release()
        await self._committed(record, seq)
        if ok and isinstance(args, c.Amend):
            id_ = str(data["system"])
            await self._remember(record.visit, [record.engine.state.systems[id_].record])
        return c.Reply(request=request.request, verb=verb, ok=ok, text=text, data=data)

    async def _close(self, args: c.VisitClose | c.ForceClose, verb: str, request: c.Request) -> c.Reply:
        station = self._station
        record = station.record
        visit = record.visit
        try:
            missing: Sequence[str] = ()
            if isinstance(args, c.ForceClose):
                visiting.a_reason(args.reason)
                missing = visiting.missing_now(station)
            else:
                visiting.check_closing(station)
            text = f"visit {visit} is closed and sealed{visiting.said_at_closing(station)}"
            kept: dict[str, object] = {"visit": visit, "journal": str(record.path), "missing": list(missing)}
            systems = [system.record for system in record.engine.state.systems.values()]
            data = await station.visits.close(commanded(verb, request, True, text, kept), missing)
        except CommandRefused as refusal:
            seq = station.take(commanded(verb, request, False, str(refusal), {}))
            await self._committed(station.record, seq)
            return c.Reply(request=request.request, verb=verb, ok=False, text=str(refusal))
        await self._remember(visit, systems)
        return c.Reply(request=request.request, verb=verb, ok=True, text=text, data=data | {"missing": list(missing)})

    async def _resend(self, args: c.Resend, verb: str, request: c.Request) -> c.Reply:
        station = self._station
        data: dict[str, Any] = {}
        try:
            text, data = await resend(station, args)
            ok = True
        except CommandRefused as refusal:
            text, ok = str(refusal), False
        seq = station.take(commanded(verb, request, ok, text, {}))
        await self._committed(station.record, seq)
        return c.Reply(request=request.request, verb=verb, ok=ok, text=text, data=data)

    async def _committed(self, record: Record, seq: int) -> None:
        try:
            await record.writer.wait_committed(seq)
        except RowsLostError as error:
            raise CommandRefused(f"this was not recorded and has to be done again: {error}") from error

    def _do(self, args: msgspec.Struct, actor: str) -> Done:
        station = self._station
        match args:
            case c.Place():
                return place(station, args, actor)
            case c.Enter():
                return enter(station, args, actor)
            case c.Phase() | c.ForcePhase():
                return visiting.phase(station, args, actor)
            case c.Declare():
                return visiting.declare(station, args, actor)
            case c.Refrigerant():
                return refrigerant.handled(station, args, actor)
            case c.Note():
                need_visit(station)
                return "noted", {"seq": station.take(e.Noted(text=args.text, by=actor))}
            case c.Task():
                return task(station, args, actor)
            case c.Observe():
                return observe(station, self._photos, args, actor)
            case c.BlobPart():
                return self._photos.take(station, args)
            case c.Amend():
                return amend(station, args, actor)
            case c.Answer():
                return answer(station, args, actor)
            case c.Cues():
                return visiting.cues(station, args)
            case c.VisitClose() | c.ForceClose():
                raise CommandRefused("no visit is open")
            case c.VisitShow():
                return visiting.show(station)
        raise CommandRefused(f"this station cannot do that: {type(args).__name__}")

    # ------------------------------------------------------------------------------------------ visits and systems

    async def _earlier(self, args: c.VisitOpen) -> list[e.Recalled | e.Noted]:
        """What earlier visits say of the systems that are to be opened; nothing where they are described wrongly."""
        try:
            systems = self._systems(args)
        except CommandRefused:
            return []  # it is refused when it is done
        for system in systems:
            await make_known(system.refrigerant)
        return await asyncio.to_thread(self._station.visits.earlier, systems)

    def _systems(self, args: c.VisitOpen) -> Sequence[SystemRecord]:
        try:
            return self._station.visits.systems.described(args.systems, self._station.config.systems)
        except SystemDescriptionError as error:
            raise CommandRefused(str(error)) from error

    def _open(self, args: c.VisitOpen, actor: str, earlier: Sequence[e.Recalled | e.Noted]) -> Done:
        visit = args.visit or reference(self._station.wall())
        self._station.visits.open(visit, self._systems(args), actor, earlier, args.technician)
        state = self._station.record.engine.state
        return f"visit {visit} is open{told(earlier)}", {"visit": visit, "systems": list(state.systems)}

    async def _remember(self, visit: str, systems: Sequence[SystemRecord]) -> None:
        """Keep how systems are described for their next visit; failing costs no more than that."""
        try:
            await asyncio.to_thread(self._station.visits.systems.keep, systems, visit, time.time_ns())
        except JournalError as error:
            log.error("a system is not remembered for the next visit", error=str(error))
            if self._station.record.visit:
                text = f"a system's description is not kept for the next visit: {error}"
                self._station.take(e.Noted(text=text, by="station"))


def commanded(verb: str, request: c.Request, ok: bool, answer: str, data: dict[str, object]) -> e.Commanded:
    """A command as it goes on record, with what was answered."""
    return e.Commanded(
        request=request.request,
        verb=verb,
        args=command.kept_args(verb, request.args),
        actor=request.actor,
        ok=ok,
        answer=answer,
        data=data,
        expires=request.expires,
    )


def listed(found: Sequence[Remembered | str]) -> dict[str, Any]:
    """The systems that are remembered, as text and data of a reply."""
    rows = [
        {
            "id": each.record.id,
            "title": each.record.title,
            "refrigerant": each.record.refrigerant,
            "metering_device": each.record.metering_device,
            "noted": each.noted,
        }
        for each in found
        if isinstance(each, Remembered)
    ]
    wrong = [each for each in found if isinstance(each, str)]
    text = f"{len(rows)} systems are remembered" if rows else "no system is remembered yet"
    return {"text": "; ".join((text, *wrong)), "data": {"systems": rows, "wrong": wrong}}
