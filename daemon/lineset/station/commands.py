"""What a station does on command: each verb of the contract, once, on record, and answered after the commit."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec

from lineset.assess.evidence import FACTS
from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.equipment.display import shown
from lineset.equipment.points import PointError, point
from lineset.equipment.system import SystemDescriptionError, SystemRecord, system_record
from lineset.journal.errors import RowsLostError
from lineset.measure.uncertainty import Z95
from lineset.station.announcer import describe, settled_counts
from lineset.station.earlier import told
from lineset.stream.command import CommandRefused
from lineset.visit.cues import LEVELS
from lineset_drivers.errors import DriverError
from lineset_drivers.quantity import Quantity, parse_measured, unit_of

if TYPE_CHECKING:
    from lineset.station.daemon import Station
    from lineset.station.record import Record

PHASES = ("at_rest", "before", "work", "drying", "after")
_SQRT3 = 3.0**0.5


class Commands:
    """The handler of a `CommandDesk`."""

    def __init__(self, station: Station) -> None:
        self._station = station

    async def handle(self, verb: str, args: msgspec.Struct, request: c.Request) -> c.Reply:
        """Do one command and put it on record with who asked; returns when that is committed.

        What a command does and the command itself are one transaction, so that none is done twice after a crash.
        """
        station = self._station
        if not station.recording:
            if isinstance(args, c.VisitShow):
                text, data = self._show()
                return c.Reply(request=request.request, verb=verb, ok=True, text=text, data=data)
            raise CommandRefused(f"nothing can be recorded now, so nothing was done: {station.journal_reason}")
        if isinstance(args, c.VisitClose) and station.record.visit:
            return await self._close(verb, request)
        earlier = await self._earlier(args) if isinstance(args, c.VisitOpen) and not station.record.visit else []
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
        return c.Reply(request=request.request, verb=verb, ok=ok, text=text, data=data)

    async def _close(self, verb: str, request: c.Request) -> c.Reply:
        visit = self._station.record.visit
        text = f"visit {visit} is closed and sealed"
        try:
            kept: dict[str, object] = {"visit": visit, "journal": str(self._station.record.path)}
            data = await self._station.visits.close(commanded(verb, request, True, text, kept))
        except CommandRefused as refusal:
            seq = self._station.take(commanded(verb, request, False, str(refusal), {}))
            await self._committed(self._station.record, seq)
            return c.Reply(request=request.request, verb=verb, ok=False, text=str(refusal))
        return c.Reply(request=request.request, verb=verb, ok=True, text=text, data=data)

    async def _committed(self, record: Record, seq: int) -> None:
        try:
            await record.writer.wait_committed(seq)
        except RowsLostError as error:
            raise CommandRefused(f"this was not recorded and has to be done again: {error}") from error

    def _do(self, args: msgspec.Struct, actor: str) -> tuple[str, dict[str, object]]:
        if isinstance(args, c.Place):
            return self._place(args, actor)
        if isinstance(args, c.Enter):
            return self._enter(args, actor)
        if isinstance(args, c.Phase):
            return self._phase(args, actor)
        if isinstance(args, c.Declare):
            return self._declare(args, actor)
        if isinstance(args, c.Note):
            self._need_visit()
            seq = self._station.take(e.Noted(text=args.text, by=actor))
            return "noted", {"seq": seq}
        if isinstance(args, c.VisitClose):
            raise CommandRefused("no visit is open")
        if isinstance(args, c.VisitShow):
            return self._show()
        if isinstance(args, c.Cues):
            return self._cues(args)
        raise CommandRefused(f"this station cannot do that: {type(args).__name__}")

    def _need_visit(self) -> str:
        visit = self._station.record.visit
        if not visit:
            raise CommandRefused("no visit is open; open one first: lineset visit open NAME")
        return visit

    def _system(self, named: str) -> str:
        systems = self._station.record.engine.state.systems
        if named:
            if named not in systems:
                raise CommandRefused(f"no system is called {named!r} in this visit; it has {', '.join(systems)}")
            return named
        if len(systems) != 1:
            raise CommandRefused(f"say which system: {', '.join(systems)}")
        return next(iter(systems))

    # ------------------------------------------------------------------------------------------------------- verbs

    def _place(self, args: c.Place, actor: str) -> tuple[str, dict[str, object]]:
        self._need_visit()
        station = self._station
        engine = station.record.engine
        known = engine.state.instruments.get(args.instrument)
        if known is None:
            names = ", ".join(engine.state.instruments)
            raise CommandRefused(f"no instrument is called {args.instrument!r}; this station has {names}")
        if known.origin == "entered":
            raise CommandRefused(f"{args.instrument} is read by eye; use `lineset enter POINT VALUE` for what it shows")
        channel = args.channel
        if not channel:
            fitting = list(known.channels)
            if args.point:
                try:
                    quantity = point(args.point).quantity
                except PointError as error:
                    raise CommandRefused(str(error)) from error
                fitting = [name for name, each in known.channels.items() if each.record.quantity == quantity]
            else:
                fitting = [name for name, each in known.channels.items() if each.point]
            if len(fitting) != 1:
                said = "no channel of it fits" if not fitting else f"say which channel: {', '.join(fitting)}"
                raise CommandRefused(f"{args.instrument}: {said}")
            channel = fitting[0]
        system = self._system(args.system) if args.point else ""
        why_not = engine.refuse_placement(args.instrument, channel, system, args.point)
        if why_not:
            raise CommandRefused(why_not)
        seq = station.take(
            e.Placed(
                instrument=args.instrument,
                channel=channel,
                system=system,
                point=args.point,
                by=actor,
                supersedes=args.supersedes,
            )
        )
        told = station.states.get(args.instrument)
        if told is not None:
            station.announcer.instrument(engine, told)
        where = f"is at {args.point} of {system}" if args.point else "is placed nowhere now"
        data = {"instrument": args.instrument, "channel": channel, "system": system, "point": args.point, "seq": seq}
        return f"{args.instrument}/{channel} {where}", data

    def _enter(self, args: c.Enter, actor: str) -> tuple[str, dict[str, object]]:
        self._need_visit()
        station = self._station
        system = self._system(args.system)
        known = station.record.engine.state.instruments.get(args.instrument)
        if known is None:
            raise CommandRefused(f"no instrument is called {args.instrument!r}; leave it out, or configure it")
        try:
            place = point(args.point)
            measured = parse_measured(args.value, place.quantity)
            resolution = _last_digit(args.value) * abs(unit_of(measured.unit, place.quantity).factor)
            if args.resolution:
                step = parse_measured(args.resolution, place.quantity)
                zero = unit_of(step.unit, place.quantity).offset
                resolution = abs(step.value - zero)
        except (PointError, DriverError) as error:
            raise CommandRefused(f"{args.point}: {error}") from error
        half_width = measured.half_width
        if half_width is None:
            half_width = self._usual_half_width(known.id, place.quantity, measured.value)
        seq = station.take(
            e.Entered(
                instrument=args.instrument,
                system=system,
                point=args.point,
                value=measured.value,
                half_width=half_width,
                resolution=resolution,
                text=args.value,
                by=actor,
            )
        )
        text = shown(measured.value, place.quantity, station.config.units)
        data = {"point": args.point, "system": system, "value": measured.value, "unit": place.si_unit, "seq": seq}
        return f"{args.point} entered as {text}", data

    def _usual_half_width(self, instrument: str, quantity: str, value: float) -> float | None:
        """95 % half width of what the profile says of such a meter, where it says anything (SI)."""
        for channel in self._station.record.engine.state.instruments[instrument].channels.values():
            record = channel.record
            if record.quantity == quantity:
                unit = unit_of(record.unit, Quantity(quantity))
                sent = (value - unit.offset) / unit.factor
                limit = abs(sent) * record.reading_pct / 100 + record.absolute + record.counts * record.resolution
                return limit * abs(unit.factor) / _SQRT3 * Z95
        return None

    def _phase(self, args: c.Phase, actor: str) -> tuple[str, dict[str, object]]:
        self._need_visit()
        if args.phase not in PHASES:
            raise CommandRefused(f"no phase is called {args.phase!r}; they are {', '.join(PHASES)}")
        seq = self._station.take(e.Phased(phase=args.phase, by=actor))
        self._station.announcer.visit(self._station.record.engine, "open")
        return f"phase {args.phase}", {"phase": args.phase, "seq": seq}

    def _declare(self, args: c.Declare, actor: str) -> tuple[str, dict[str, object]]:
        self._need_visit()
        if args.fact not in FACTS:
            raise CommandRefused(f"no fact is called {args.fact!r}; known: {', '.join(FACTS)}")
        system = self._system(args.system)
        seq = self._station.take(e.Declared(system=system, fact=args.fact, value=args.value, by=actor))
        said = {True: "declared", False: "declared not so", None: "taken back"}[args.value]
        data: dict[str, object] = {"fact": args.fact, "value": args.value, "system": system, "seq": seq}
        return f"{said}: {FACTS[args.fact]}", data

    async def _earlier(self, args: c.VisitOpen) -> list[e.Recalled | e.Noted]:
        """What earlier visits say of the systems that are to be opened; nothing where they are described wrongly."""
        try:
            systems = self._systems(args)
        except CommandRefused:
            return []  # it is refused when it is done
        return await asyncio.to_thread(self._station.visits.earlier, systems)

    def _systems(self, args: c.VisitOpen) -> Sequence[SystemRecord]:
        try:
            described = [system_record(each) for each in args.systems]
        except SystemDescriptionError as error:
            raise CommandRefused(str(error)) from error
        return described or self._station.config.systems

    def _open(
        self, args: c.VisitOpen, actor: str, earlier: Sequence[e.Recalled | e.Noted]
    ) -> tuple[str, dict[str, object]]:
        self._station.visits.open(args.visit, self._systems(args), actor, earlier)
        state = self._station.record.engine.state
        return f"visit {args.visit} is open{told(earlier)}", {"visit": args.visit, "systems": list(state.systems)}

    def _cues(self, args: c.Cues) -> tuple[str, dict[str, object]]:
        self._need_visit()
        cues = self._station.record.engine.state.cues
        if args.level and args.level not in LEVELS:
            raise CommandRefused(f"no level of cues is called {args.level!r}; they are {', '.join(LEVELS)}")
        if args.repeat:
            return ("nothing was said yet" if cues.last is None else cues.last.text), {}
        return f"cues are {args.level or cues.level} now", {"level": args.level or cues.level}

    def _show(self) -> tuple[str, dict[str, object]]:
        station = self._station
        if not station.record.visit:
            return "no visit is open", {"visit": ""}
        engine = station.record.engine
        state = engine.state
        systems = {}
        for id_, system in state.systems.items():
            run, mode, run_s = engine.run_of(id_)
            systems[id_] = {
                **describe(system),
                "run": run,
                "mode": mode,
                "run_s": round(run_s, 1),
                "settled": {
                    name: place.held
                    for name, place in (*system.points.items(), *system.derived.items())
                    if place.held is not None
                },
            }
        data: dict[str, object] = {
            "visit": state.visit,
            "phase": state.phase,
            "minutes": round(station.visits.duration_s() / 60.0, 1),
            "systems": systems,
            "settled": settled_counts(engine),
            "placements": {
                f"{known.id}/{name}": f"{channel.system}/{channel.point}"
                for known in state.instruments.values()
                for name, channel in known.channels.items()
                if channel.point
            },
        }
        return f"visit {state.visit} is open, phase {state.phase}", data


def commanded(verb: str, request: c.Request, ok: bool, answer: str, data: dict[str, object]) -> e.Commanded:
    """A command as it goes on record, with what was answered."""
    return e.Commanded(
        request=request.request,
        verb=verb,
        args=request.args,
        actor=request.actor,
        ok=ok,
        answer=answer,
        data=data,
        expires=request.expires,
    )


def _last_digit(text: str) -> float:
    """The step of the last digit typed: 0.1 for "52.4 degF", 1 for "118 psig"."""
    match = re.match(r"\s*[-+−]?\d*(?:\.(\d*))?", text)
    decimals = len(match[1]) if match and match[1] else 0
    return 10.0**-decimals
