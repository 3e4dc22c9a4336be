"""Record events of one visit's journal as messages: committed rows in order, the same bytes each time they are read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import structlog

from lineset.contract import entry as e
from lineset.contract.live import (
    CheckMessage,
    EventMessage,
    FindingMessage,
    HuntingMessage,
    Message,
    RunMessage,
    SettledMessage,
    encode,
)
from lineset.contract.topic import TopicError, Topics
from lineset.contract.worklist import CueMessage, ObservationMessage, QuestionMessage
from lineset.derive.catalogue import CATALOGUE
from lineset.engine.ahead import Ahead
from lineset.equipment.display import Units, shown, spread_shown
from lineset.equipment.points import POINTS
from lineset.equipment.points import title as point_title
from lineset.journal.outbox import Outbox
from lineset.journal.reader import JournalReader
from lineset.station.on_the_wire import told
from lineset.stream.events import EventRow
from lineset.visit.observations import signs
from lineset_drivers.quantity import SI_UNIT, Quantity

log = structlog.get_logger(__name__)

BROKER = "broker"
# A verdict's unit says enough to show it: each unit of a check belongs to one quantity.
QUANTITY_OF_UNIT = {
    SI_UNIT[quantity]: quantity
    for quantity in (
        Quantity.TEMPERATURE_DIFFERENCE,
        Quantity.CAPACITANCE,
        Quantity.CURRENT,
        Quantity.VOLTAGE,
        Quantity.PRESSURE_DIFFERENCE,
        Quantity.FRACTION,
    )
}
_TIME_KINDS = frozenset({"opened", "wall", "resumed"})
_KINDS = e.RECORD_KINDS | _TIME_KINDS


def quantity_of(name: str) -> Quantity:
    """The quantity of a point or derived value, its instance left out. Raises KeyError for neither."""
    base = name.partition(".")[0]
    return POINTS[base].quantity if base in POINTS else CATALOGUE[base].quantity


def title_of(name: str) -> str:
    """What a point or derived value is called for people."""
    base, _, instance = name.partition(".")
    if base in POINTS:
        return point_title(name)
    return f"{CATALOGUE[base].title} {instance}".rstrip()


def check_message(body: e.Checked, wall_s: float, seq: int, units: Units) -> CheckMessage:
    """A verdict as a live message, with its figures in the station's display units."""
    same = {
        name: getattr(body, name)
        for name in (
            "system", "phase", "name", "title", "state", "reason", "finding", "target", "low", "high", "probability",
            "rule", "source", "basis", "unmet", "assumed", "would_decide", "proved", "caution",
        )
    }  # fmt: skip
    text = target_text = ""
    if body.value is not None:
        quantity = QUANTITY_OF_UNIT[body.unit]
        text = shown(body.value, quantity, units, body.u)
        target_text = "" if body.target is None else shown(body.target, quantity, units, body.target_u or None)
    return CheckMessage(
        t=wall_s, seq=seq, v=body.value, u=body.unit, sd=body.u, target_sd=body.target_u, text=text,
        target_text=target_text, **same,
    )  # fmt: skip


def finding_message(body: e.Finding, wall_s: float, seq: int) -> FindingMessage:
    """A finding as a live message."""
    same = {
        name: getattr(body, name)
        for name in (
            "system", "phase", "id", "title", "state", "category", "rank", "confidence", "share", "evidence", "against",
            "meaning", "caution", "next_step", "basis",
        )
    }  # fmt: skip
    return FindingMessage(t=wall_s, seq=seq, **same)


def swing_words(amplitude: float, period_s: float, quantity: Quantity, units: Units) -> str:
    """A swing for people: "hunting +/- 2.2 degF every 90 s"."""
    return f"hunting +/- {spread_shown(amplitude, quantity, units)} every {period_s:.0f} s"


def ahead_words(ahead: Ahead, quantity: Quantity, units: Units) -> str:
    """What stands between a value and being settled, for people, in display units."""
    if ahead.step:
        return f"too coarse: {spread_shown(ahead.step, quantity, units)} steps"
    if ahead.period_s:
        return swing_words(ahead.amplitude, ahead.period_s, quantity, units)
    if ahead.eta_s is None:
        return "calm; being made sure of"
    return (
        f"settling, about {ahead.eta_s:.0f} s more"
        if ahead.eta_s < 120
        else (f"settling, about {ahead.eta_s / 60:.3g} min more")
    )


def cue_message(body: e.Cued, wall_s: float, seq: int) -> CueMessage:
    """A cue as a live message."""
    return CueMessage(
        t=wall_s,
        seq=seq,
        n=body.n,
        sort=body.sort,
        key=body.key,
        text=body.text,
        language=body.language,
        system=body.system,
        about=body.about,
        repeat=body.repeat,
    )


def question_message(body: e.Questioned, wall_s: float, seq: int) -> QuestionMessage:
    """A question, or that it is none any more, as a live message."""
    return QuestionMessage(
        t=wall_s,
        seq=seq,
        id=body.id,
        state=body.state,
        system=body.system,
        about=body.about,
        text=body.text,
        choices=body.choices,
        instrument=body.instrument,
        channel=body.channel,
        proposal=body.proposal,
        reason=body.reason,
        answer=body.answer,
    )


_OBSERVED = ("system", "about", "sign", "text", "photo", "urgency", "wants", "withdraws")


def observation_message(body: e.Observed, wall_s: float, seq: int) -> ObservationMessage:
    """What a person saw, as a live message; a quick observation that is not known any more goes by its id."""
    row = signs().get(body.sign)
    same = {name: getattr(body, name) for name in _OBSERVED}
    return ObservationMessage(t=wall_s, seq=seq, title=body.sign if row is None else row.words, **same)


def hunting_message(body: e.Hunting, wall_s: float, seq: int, units: Units) -> HuntingMessage:
    """A swing that began or ended, as a live message."""
    quantity = quantity_of(body.name)
    text = f"{swing_words(body.amplitude, body.period_s, quantity, units)} about {shown(body.mean, quantity, units)}"
    same = {
        name: getattr(body, name)
        for name in ("system", "phase", "name", "state", "amplitude", "period_s", "reason", "instrument", "channel")
    }
    return HuntingMessage(t=wall_s, seq=seq, title=title_of(body.name), v=body.mean, u=body.unit, text=text, **same)


class JournalEvents:
    """An `EventSource` over the journal at `path`. The pointer is kept in `outbox`, for a `destination` of it."""

    def __init__(
        self, path: Path, visit: str, topics: Topics, outbox: Outbox, units: Units, *, destination: str = BROKER
    ) -> None:
        self.visit, self._topics, self._outbox, self._units = visit, topics, outbox, units
        self._destination = destination
        self._path = path
        self._reader: JournalReader | None = JournalReader(path)
        self._journal = self._reader.identity
        self._wall_offset_ns = 0
        self._found_last = self._looked_through = 0
        self._silent = False

    def close(self) -> None:
        """Let go of the file; no more events come."""
        self.pause()

    def pause(self) -> None:
        """Let go of the file: a journal that somebody reads cannot become the one plain file that a sealed one is."""
        self._silent = True
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def go_on(self) -> None:
        """Give events again after `pause`."""
        self._silent = False

    async def pointer(self) -> int:
        """The last seq that the broker has acknowledged."""
        return self._outbox.through(self._destination, self._journal)

    async def advance(self, seq: int) -> None:
        """Everything up to `seq` was acknowledged; made durable by the station once a second."""
        self._outbox.advance(self._destination, self._journal, seq)

    async def rows(self, after: int, limit: int) -> Sequence[EventRow]:
        """Committed events above `after`, in order, about `limit` of them."""
        if self._silent:
            return []
        if self._reader is None:
            self._reader = JournalReader(self._path)
        reader = self._reader
        # frames are many and events few: what was looked through once is not looked through at each commit again
        start = self._looked_through if self._found_last <= after <= self._looked_through else after
        if start != self._looked_through or not start:
            self._learn_wall_time(reader, start)
        through = reader.last_seq()
        found: list[EventRow] = []
        for row in reader.rows(start + 1, _KINDS):
            body = e.decode(row.body)
            if row.kind in _TIME_KINDS:
                self._wall_offset_ns = body.wall_ns - row.t  # type: ignore[union-attr]
            if row.kind in e.RECORD_KINDS:
                found.append(self._heard_or_plain(row.seq, row.t, row.kind, body))
                if len(found) >= limit:
                    through = row.seq
                    break
        self._found_last = found[-1].seq if found else after
        self._looked_through = max(through, self._found_last)
        return found

    def _learn_wall_time(self, reader: JournalReader, through: int) -> None:
        # wall time at an entry hangs on the last time entry before it, wherever reading begins
        self._wall_offset_ns = 0
        for row in reader.rows(1, _TIME_KINDS):
            if row.seq > through:
                break
            self._wall_offset_ns = e.decode(row.body).wall_ns - row.t  # type: ignore[union-attr]

    def _heard_or_plain(self, seq: int, t: int, kind: str, body: e.AnyBody) -> EventRow:
        """The message of an entry; one that has no topic of its own by a fault of ours must not hold up the others."""
        try:
            return self._message(seq, t, kind, body)
        except (TopicError, KeyError) as error:
            log.error("an event has no topic of its own; it is told as a plain event", seq=seq, error=str(error))
            wall_s = round((t + self._wall_offset_ns) / 1e9, 3)
            message = EventMessage(t=wall_s, seq=seq, event=kind, body=told(body, abroad=self._destination != BROKER))
            return EventRow(seq, self._topics.event(kind, self.visit), encode(message), False)

    def _message(self, seq: int, t: int, kind: str, body: e.AnyBody) -> EventRow:
        wall_s = round((t + self._wall_offset_ns) / 1e9, 3)
        message: Message
        if isinstance(body, e.Settled):
            quantity = quantity_of(body.name)
            message = SettledMessage(
                t=wall_s,
                seq=seq,
                system=body.system,
                phase=body.phase,
                name=body.name,
                settled=True,
                title=title_of(body.name),
                v=body.value,
                u=body.unit,
                sd=body.u,
                interval95=(body.low, body.high),
                # "+/-" here is the interval's own half width: its factor follows the shape of the error
                text=shown(body.value, quantity, self._units, (body.high - body.low) / 2.0 / 1.96),
                instrument=body.instrument,
                channel=body.channel,
                origin=body.origin,
                run=body.run,
                run_s=body.run_s,
                window_s=body.window_s,
                samples=body.samples,
                inputs=body.inputs,
                budget=body.budget,
            )
            topic = self._topics.settled(self.visit, body.system, body.phase, body.name)
            return EventRow(seq, topic, encode(message), True)
        if isinstance(body, e.Unsettled):
            message = SettledMessage(
                t=wall_s,
                seq=seq,
                system=body.system,
                phase=body.phase,
                name=body.name,
                settled=False,
                title=title_of(body.name),
                reason=body.reason,
            )
            topic = self._topics.settled(self.visit, body.system, body.phase, body.name)
            return EventRow(seq, topic, encode(message), True)
        if isinstance(body, e.Hunting):
            topic = self._topics.hunting(self.visit, body.system, body.phase, body.name)
            return EventRow(seq, topic, encode(hunting_message(body, wall_s, seq, self._units)), True)
        if isinstance(body, e.RunChanged):
            message = RunMessage(
                t=wall_s, seq=seq, system=body.system, state=body.state, mode=body.mode, stage=body.stage,
                evidence=body.evidence,
            )  # fmt: skip
            return EventRow(seq, self._topics.run(self.visit, body.system), encode(message), True)
        if isinstance(body, e.Checked):
            message = check_message(body, wall_s, seq, self._units)
            topic = self._topics.check(self.visit, body.system, body.phase, body.name)
            return EventRow(seq, topic, encode(message), True)
        if isinstance(body, e.Cued):
            return EventRow(seq, self._topics.cue(self.visit, body.n), encode(cue_message(body, wall_s, seq)), False)
        if isinstance(body, e.Observed):
            topic = self._topics.observation(self.visit, seq)
            return EventRow(seq, topic, encode(observation_message(body, wall_s, seq)), False)
        if isinstance(body, e.Questioned):
            topic = self._topics.question(self.visit, body.id)
            return EventRow(seq, topic, encode(question_message(body, wall_s, seq)), True)
        if isinstance(body, e.Finding):
            topic = self._topics.finding(self.visit, body.system, body.phase, body.id)
            return EventRow(seq, topic, encode(finding_message(body, wall_s, seq)), True)
        message = EventMessage(t=wall_s, seq=seq, event=kind, body=told(body, abroad=self._destination != BROKER))
        return EventRow(seq, self._topics.event(kind, self.visit), encode(message), False)
