"""What the station says live: readings, derived values, `now`, and the retained states of instruments and visit."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial

import msgspec

from lineset.contract import entry as e
from lineset.contract.live import (
    FoundMessage,
    InstrumentMessage,
    NowMessage,
    ValueMessage,
    VisitMessage,
    WantMessage,
    encode,
)
from lineset.contract.topic import Topics
from lineset.contract.worklist import WorklistMessage
from lineset.engine.ahead import Ahead, ahead_of
from lineset.engine.fold import Engine, LiveValue
from lineset.engine.settling import sig9
from lineset.engine.sheets import sheet_of
from lineset.engine.state import EngineState, PointState, SystemState
from lineset.equipment.display import Units, shown
from lineset.measure.quality import USABLE, Quality
from lineset.station.both_brokers import BothBrokers
from lineset.station.events import ahead_words, quantity_of
from lineset.visit.observations import signs
from lineset_drivers.frame import InstrumentState
from lineset_drivers.quantity import SI_UNIT, Quantity

# the message of a visit is retained and goes to many: it stays small
_MOST_TOLD = 8
_LIKELIEST = 3
_NUMBER = re.compile(r"(?=[^\d]*\d)[A-Za-z0-9_-]{1,24}")  # of a technician; a name stays in the record


class Announcer:
    """Turns the engine's live values and state into messages. `wall` is wall time in seconds since 1970."""

    def __init__(self, publisher: BothBrokers, topics: Topics, units: Units, wall: Callable[[], float]) -> None:
        self._publisher, self._topics, self._units, self._wall = publisher, topics, units, wall
        self.recorded = True
        self._quantities: dict[str, Quantity] = {}
        self._paths: dict[tuple[str, str, bool], str] = {}
        self._visit = ""
        self._said: VisitMessage | None = None
        self._sheets: dict[str, WorklistMessage] = {}

    def turn_to(self, visit: str) -> None:
        """From now on live values belong to this visit (none when empty)."""
        self._visit = visit
        self._paths.clear()
        self._sheets.clear()

    # ------------------------------------------------------------------------------------------------- live values

    def live(self, values: list[LiveValue]) -> None:
        """Hand live values to the publisher; each becomes a message only if it is sent."""
        if not self._visit:
            return
        say = self._publisher.live
        paths = self._paths
        wall = self._wall()
        for value in values:
            key = value.system, value.name, value.derived
            path = paths.get(key)
            if path is None:
                build = self._topics.derived if value.derived else self._topics.reading
                path = paths[key] = build(self._visit, value.system, value.name)
            say(path, partial(self._value, value, wall))

    def _value(self, value: LiveValue, wall: float) -> bytes:
        return encode(
            self._message(
                value.name,
                value.value,
                value.u,
                value.quality,
                value.settled,
                value.instrument,
                value.channel,
                wall,
                value.ahead,
            )
        )

    def _message(
        self, name: str, value: float | None, u: float, quality: str, settled: bool, instrument: str, channel: str,
        wall: float, ahead: Ahead | None,
    ) -> ValueMessage:  # fmt: skip
        quantity = self._quantities.get(name)
        if quantity is None:
            quantity = self._quantities[name] = quantity_of(name)
        return ValueMessage(
            t=round(wall, 3),
            name=name,
            v=None if value is None else sig9(value),
            u=SI_UNIT[quantity],
            sd=None if value is None else sig9(u),
            quality=str(quality),
            settled=settled and self.recorded,
            eta_s=ahead.eta_s if ahead is not None else None,
            ahead=ahead_words(ahead, quantity, self._units) if ahead is not None else "",
            text="" if value is None else shown(value, quantity, self._units),
            instrument=instrument,
            channel=channel,
            recorded=self.recorded,
        )

    def now(self, engine: Engine) -> Iterator[tuple[str, bytes]]:
        """Topic and payload of `now`, one for each system of the open visit."""
        state = engine.state
        if not self._visit or state.closed:
            return
        wall = self._wall()
        for id_, system in state.systems.items():
            run, mode, run_s = engine.run_of(id_)
            message = NowMessage(
                t=round(wall, 3),
                system=id_,
                phase=state.phase,
                run=run,
                run_s=round(run_s, 1),
                mode=mode,
                readings={
                    name: self._place(place, wall)
                    for name, place in system.points.items()
                    if place.channel or place.quality is Quality.ENTERED
                },
                derived={
                    name: self._place(place, wall) for name, place in system.derived.items() if place.value is not None
                },
                recorded=self.recorded,
            )
            yield self._topics.now(self._visit, id_), encode(message)

    def _place(self, place: PointState, wall: float) -> ValueMessage:
        settled = place.settled or place.attested
        ahead = ahead_of(place) if not settled and place.quality in USABLE else None
        return self._message(
            place.name, place.value, place.u, place.quality, settled, place.instrument, place.channel, wall, ahead
        )

    # ------------------------------------------------------------------------------------------------------ states

    def instrument(self, engine: Engine, told: InstrumentState) -> None:
        """Say how an instrument stands, with its channels and where they sit."""
        known = engine.state.instruments.get(told.instrument)
        channels = known.channels if known else {}
        message = InstrumentMessage(
            t=round(self._wall(), 3),
            instrument=told.instrument,
            state=told.state,
            reason=told.reason,
            profile=told.profile,
            link=told.link,
            identity=told.identity,
            identity_weak=told.identity_weak,
            battery=told.battery,
            channels={name: channel.record.quantity for name, channel in channels.items()},
            placement={
                name: f"{channel.system}/{channel.point}" for name, channel in channels.items() if channel.point
            },
            calibration_due={
                name: channel.record.calibration.due
                for name, channel in channels.items()
                if channel.record.calibration.due
            },
        )
        self._publisher.state(self._topics.instrument(told.instrument), encode(message))

    def worklists(self, engine: Engine) -> None:
        """Say how the worklist of each system stands, where that changed; asked once a second, whatever comes in."""
        state = engine.state
        if not self._visit or state.closed:
            return
        wall = round(self._wall(), 3)
        for id_, system in state.systems.items():
            sheet = sheet_of(state, system, self._units)
            message = WorklistMessage(
                t=wall,
                system=id_,
                phase=sheet.phase,
                items=sheet.items,
                minutes_left=sheet.minutes_left,
                next=sheet.next,
                next_sentence=sheet.next_sentence,
                meanwhile=sheet.meanwhile,
                missing=sheet.missing,
                done=sheet.done,
                total=sheet.total,
                here=state.at == id_,
            )
            said = self._sheets.get(id_)
            if said is not None and msgspec.structs.replace(said, t=wall) == message:
                continue  # retained: the broker has it
            self._sheets[id_] = message
            self._publisher.state(self._topics.worklist(self._visit, id_), encode(message))

    def visit(self, engine: Engine, status: str) -> None:
        """Say how the visit stands: open or closed, phase, systems, how much has settled."""
        state = engine.state
        if not state.visit:
            return
        message = VisitMessage(
            t=round(self._wall(), 3),
            visit=state.visit,
            state=status,
            phase=state.phase,
            systems={id_: describe(system) for id_, system in state.systems.items()},
            run={id_: system.run.state for id_, system in state.systems.items()},
            settled=settled_counts(engine),
            minutes_left=sum(sheet.minutes_left for sheet in self._sheets.values()),
            progress={id_: (sheet.done, sheet.total) for id_, sheet in self._sheets.items()},
            technician=state.technician if _NUMBER.fullmatch(state.technician) else "",
            opened=round(state.opened_wall_ns / 1e9, 3),
            wanted=wanted_of(state),
            found=found_of(state),
            checks=dict(
                sorted(Counter(told for system in state.systems.values() for told in system.standing.values()).items())
            ),
        )
        if self._said is not None and msgspec.structs.replace(self._said, t=message.t) == message:
            return  # retained: the broker has it
        self._said = message
        self._publisher.state(self._topics.visit(state.visit), encode(message))


def wanted_of(state: EngineState) -> tuple[WantMessage, ...]:
    """The latest of what is wanted of the shop; a quick observation that is not known any more goes by its id."""
    known = signs()
    return tuple(
        WantMessage(
            seq=each.seq,
            system=each.system,
            wants=each.wants,
            about=each.about,
            title=known[each.sign].words if each.sign in known else each.sign,
            urgency=each.urgency,
        )
        for each in state.wanted[-_MOST_TOLD:]
    )


def found_of(state: EngineState) -> tuple[FoundMessage, ...]:
    """The likeliest open findings, those of this phase first."""
    rows = [
        FoundMessage(system=id_, phase=each.phase, title=each.title, rank=each.rank, confidence=each.confidence)
        for id_, system in state.systems.items()
        for each in system.open_findings.values()
        if 1 <= each.rank <= _LIKELIEST
    ]
    rows.sort(key=lambda row: (row.phase != state.phase, row.rank))
    return tuple(rows[:_MOST_TOLD])


def describe(system: SystemState) -> dict[str, object]:
    """A system for people: what it is."""
    record: e.SystemRecord = system.record
    return {
        "title": record.title,
        "refrigerant": record.refrigerant,
        "metering_device": record.metering_device,
        "line_frequency_hz": record.line_frequency_hz,
        "altitude_m": record.altitude_m,
    }


def settled_counts(engine: Engine) -> dict[str, int]:
    """How often something settled, by phase, over all systems."""
    counts: dict[str, int] = {}
    for system in engine.state.systems.values():
        for phase, count in system.settled_count.items():
            counts[phase] = counts.get(phase, 0) + count
    return counts
