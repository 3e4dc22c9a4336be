"""What a station says, gathered into one sheet: fed with messages, asked for lines of text or for data.

It reads like a job sheet: instruments, then each system's points in walking order, what is computed from them, and
what happened last. No clock, no terminal and no broker in here; times are wall seconds since 1970 (UTC).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any, NamedTuple

import msgspec

from lineset.cli.printed import printed
from lineset.cli.watch_events import (
    event_sentence,
    hunting_sentence,
    instrument_sentence,
    named,
    run_sentence,
    run_words,
    settled_sentence,
    span,
    station_sentence,
)
from lineset.cli.watch_rows import HEAD, PLAIN, WEAK, Line, clock, rows, wrapped
from lineset.cli.watch_verdicts import verdict_rows, verdict_sentence
from lineset.contract.live import (
    CheckMessage,
    EventMessage,
    HuntingMessage,
    InstrumentMessage,
    NowMessage,
    RunMessage,
    SettledMessage,
    StationMessage,
    ValueMessage,
    VisitMessage,
)
from lineset.contract.topic import TopicError, Topics
from lineset.physics.refrigerant import caution

KEPT_EVENTS = 200
OLD_S = 5.0  # `now` comes once a second; older than this it is history


class Happening(NamedTuple):
    """Something that happened, as a sentence. `retained`: it was said before we began to listen."""

    t: float
    text: str
    retained: bool = False


class SystemView:
    """What is known of one system of one visit."""

    def __init__(self) -> None:
        self.now: NowMessage | None = None
        self.run: RunMessage | None = None
        self.readings: dict[str, ValueMessage] = {}
        self.derived: dict[str, ValueMessage] = {}
        self.settled: dict[str, dict[str, SettledMessage]] = {}  # phase -> name -> last said
        self.hunting: dict[str, dict[str, HuntingMessage]] = {}  # phase -> name -> last said
        self.checks: dict[str, dict[str, CheckMessage]] = {}  # phase -> check -> last verdict


class View:
    """The sheet of one station. `visit` narrows it to that visit; empty: the open one, else the last heard of."""

    def __init__(self, topics: Topics, *, visit: str = "") -> None:
        self.topics, self._wanted = topics, visit
        self.station: StationMessage | None = None
        self.instruments: dict[str, InstrumentMessage] = {}
        self.visits: dict[str, VisitMessage] = {}
        self.systems: dict[tuple[str, str], SystemView] = {}
        self.events: deque[Happening] = deque(maxlen=KEPT_EVENTS)
        self.link = ""  # how the broker stands, where that is worth saying
        self.newest = 0.0
        self._heard = False  # the station spoke live since the broker was last reached

    # ------------------------------------------------------------------------------------------------------ feeding

    def feed(self, topic: str, payload: bytes, *, retained: bool = False) -> Happening | None:
        """Take a message; what happened, when it tells of something that people want to be told of.

        Messages of other topics and of no known form are passed over: newer stations may say more than we know.
        """
        try:
            parsed = self.topics.parse(topic)
        except TopicError:
            return None
        fields = parsed.fields
        if not payload:
            self._gone(parsed.kind.name, fields)
            return None
        try:
            message = msgspec.json.decode(payload, type=parsed.kind.message)
        except msgspec.DecodeError as error:
            return self._happened(self.newest, f"a message on {topic} cannot be understood ({error})", retained)
        visit = fields.get("visit", "")
        if self._wanted and visit and visit != self._wanted:
            return None
        if not retained and isinstance(getattr(message, "t", None), float):
            self.newest = max(self.newest, message.t)  # type: ignore[attr-defined]
        return self._take(message, visit, fields, retained)

    def _take(self, message: msgspec.Struct, visit: str, fields: dict[str, str], retained: bool) -> Happening | None:
        text, t = "", self.newest
        if isinstance(message, StationMessage):
            before = self.station
            if retained and self._heard and before is not None and message.t < before.t:
                return None  # an old message that the broker had kept, delivered after a live one
            self.station, self._heard = message, self._heard or not retained
            same = before is not None and (before.online, before.recording) == (message.online, message.recording)
            text, t = "" if same else station_sentence(message, self.topics.station_id), message.t
        elif isinstance(message, InstrumentMessage):
            old = self.instruments.get(message.instrument)
            self.instruments[message.instrument] = message
            same = old is not None and (old.state, old.reason) == (message.state, message.reason)
            text, t = "" if same else instrument_sentence(message), message.t
        elif isinstance(message, VisitMessage):
            known = self.visits.get(visit)
            self.visits[visit] = message
            if known is None:
                text, t = f"visit {visit} is {message.state}, phase {message.phase}", message.t
        elif isinstance(message, EventMessage):
            text, t = event_sentence(message), message.t
        elif "system" in fields:
            system = self.systems.setdefault((visit, fields["system"]), SystemView())
            if isinstance(message, SettledMessage):
                said = system.settled.setdefault(message.phase, {})
                same = message.name in said and said[message.name].seq == message.seq
                said[message.name] = message
                text, t = "" if same else settled_sentence(message), message.t
            elif isinstance(message, HuntingMessage):
                swings = system.hunting.setdefault(message.phase, {})
                same = message.name in swings and swings[message.name].seq == message.seq
                swings[message.name] = message
                text, t = "" if same else hunting_sentence(message), message.t
            elif isinstance(message, CheckMessage):
                judged = system.checks.setdefault(message.phase, {})
                same = message.name in judged and judged[message.name].seq == message.seq
                judged[message.name] = message
                text, t = "" if same else verdict_sentence(message), message.t
            elif isinstance(message, RunMessage):
                # after a lost connection the broker says again what it keeps
                same = system.run is not None and system.run.seq == message.seq
                system.run = message
                text, t = "" if same else run_sentence(message), message.t
            elif isinstance(message, NowMessage):
                system.now, system.readings, system.derived = message, message.readings, message.derived
            elif isinstance(message, ValueMessage):
                values = system.readings if fields.get("point") else system.derived
                values[message.name] = message
        return self._happened(t, text, retained) if text else None

    def _happened(self, t: float, text: str, retained: bool) -> Happening:
        happening = Happening(t, text, retained)
        self.events.append(happening)
        return happening

    def say(self, sentence: str, t: float) -> Happening:
        """Put a sentence of our own among the events (the broker went away, or came back)."""
        self._heard = False
        return self._happened(t, sentence, False)

    def _gone(self, kind: str, fields: dict[str, str]) -> None:
        """What was retained is taken back."""
        visit, system = fields.get("visit", ""), self.systems.get((fields.get("visit", ""), fields.get("system", "")))
        if kind == "visit":
            self.visits.pop(visit, None)
        elif kind == "instrument":
            self.instruments.pop(fields["instrument"], None)
        elif kind == "now":
            self.systems.pop((visit, fields["system"]), None)
        elif kind == "settled" and system is not None:
            system.settled.get(fields["phase"], {}).pop(fields["name"], None)
        elif kind == "hunting" and system is not None:
            system.hunting.get(fields["phase"], {}).pop(fields["name"], None)
        elif kind == "check" and system is not None:
            system.checks.get(fields["phase"], {}).pop(fields["name"], None)

    # ------------------------------------------------------------------------------------------------------ looking

    @property
    def visit(self) -> VisitMessage | None:
        """The visit that is shown."""
        if self._wanted:
            return self.visits.get(self._wanted)
        return max(self.visits.values(), key=lambda visit: (visit.state == "open", visit.t), default=None)

    def data(self) -> dict[str, Any]:
        """The sheet as data: the messages of the contract, by what they are about."""
        visit = self.visit
        systems = {}
        for (name, id_), system in self.systems.items():
            if visit is not None and name == visit.visit:
                systems[id_] = {
                    "run": system.run,
                    "now": system.now,
                    "readings": system.readings,
                    "derived": system.derived,
                    "settled": system.settled,
                    "hunting": system.hunting,
                    "checks": system.checks,
                    "caution": caution(str(visit.systems.get(id_, {}).get("refrigerant", ""))),
                }
        found: dict[str, Any] = msgspec.to_builtins(
            {"station": self.station, "instruments": self.instruments, "visit": visit, "systems": systems}
        )
        return found

    def lines(self, width: int, now: float, *, events: int = 8, brief: int = 0) -> list[Line]:
        """The sheet, folded at `width`; `now` is wall time, `events` how many of the last ones to list.

        `brief` 1 leaves out what settled in earlier phases, 2 also instruments that are well and most of the caution.
        """
        sheet = (
            *self._head(width),
            *self._instruments(width, brief),
            *self._systems(width, now, brief),
            *self.last(width, events),
        )
        return [Line(printed(line.text), line.style) for line in sheet]

    def _head(self, width: int) -> Iterator[Line]:
        station = self.station
        if self.link:
            yield from wrapped(self.link, width, "", HEAD)
        if station is None:
            yield from wrapped(f"nothing heard of station {self.topics.station_id} yet", width, "", HEAD)
        else:
            yield from wrapped(station_sentence(station, self.topics.station_id), width, "", HEAD)
        visit = self.visit
        if visit is not None:
            settled = visit.settled.get(visit.phase, 0)
            text = f"visit {visit.visit} is {visit.state}, phase {visit.phase.replace('_', ' ')}"
            yield from wrapped(f"{text}; settled in this phase: {settled}", width, "", HEAD)
        elif self._wanted:
            yield from wrapped(f"nothing is said of a visit {self._wanted} here; `lineset visit show`", width, "", HEAD)
        elif station is not None and station.online:
            sentence = "no visit is open; open one: lineset visit open NAME --refrigerant R-410A"
            yield from wrapped(sentence, width, "", HEAD)

    def _instruments(self, width: int, brief: int) -> Iterator[Line]:
        if not self.instruments:
            return
        yield Line("")
        yield Line("Instruments", HEAD)
        well = [id_ for id_, told in sorted(self.instruments.items()) if told.state == "linked"]
        listed = [id_ for id_ in sorted(self.instruments) if brief < 2 or id_ not in well]
        column = max((len(id_) for id_ in listed), default=0)
        if brief >= 2 and well:
            yield from wrapped(f"linked: {', '.join(well)}", width, "  ")
        for id_ in listed:
            told = self.instruments[id_]
            where = ", ".join(named(point.partition("/")[2]) for point in told.placement.values())
            text = f"{told.state}: {told.reason}" + (f"; at {where}" if where and brief < 2 else "")
            if told.battery is not None:
                text += f"; battery {told.battery:.0f} %"
            if told.identity_weak:
                text += "; its adapter cannot be told from another of its make"
            yield from wrapped(text, width, f"  {id_:{column}}  ", PLAIN if id_ in well else WEAK)

    def _systems(self, width: int, now: float, brief: int) -> Iterator[Line]:
        visit = self.visit
        if visit is None:
            return
        for id_, described in visit.systems.items():
            system = self.systems.get((visit.visit, id_), SystemView())
            yield Line("")
            refrigerant = str(described.get("refrigerant", ""))
            title = str(described.get("title", "") or f"System {id_}")
            run = run_words(visit.run.get(id_, "unknown"), "")
            if system.now is not None:
                run = run_words(system.now.run, system.now.mode)
                if system.now.run != "unknown":
                    run += f" for {span(system.now.run_s)}"
            yield from wrapped(f"{title}, {refrigerant}: {run}", width, "", HEAD)
            if refrigerant:
                text = caution(refrigerant)
                yield from wrapped(f"Caution: {text.partition(':')[0] if brief >= 2 else text}", width, "  ")
            if system.now is not None and not system.now.recorded:
                yield from wrapped("NOT RECORDED: the journal cannot write; nothing settles now", width, "  ", HEAD)
            open_ = visit.state == "open"
            if system.now is not None and open_ and now - system.now.t > OLD_S and self.newest - system.now.t > OLD_S:
                yield from wrapped(f"these values are from {clock(system.now.t)}; nothing new came", width, "  ", HEAD)
            away = {id_: told.state for id_, told in self.instruments.items() if told.state != "linked"}
            yield from rows(
                system.readings, system.derived, system.settled, visit.phase, width, away, earlier_phases=brief < 1
            )
            yield from verdict_rows(system.checks.get(visit.phase, {}), width, brief=brief >= 1)

    def last(self, width: int, events: int) -> Iterator[Line]:
        """The last so many events under their heading; nothing where there are none."""
        last = sorted(self.events, key=lambda happening: happening.t)[-events:] if events > 0 else []
        if not last:
            return
        yield Line("")
        yield Line("Last events", HEAD)
        for happening in last:
            yield from wrapped(printed(happening.text), width, f"  {clock(happening.t)}  ")
