"""The table of what is said on the wire: which message on which topic, how surely, and whether the broker keeps it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import msgspec

from lineset.contract import command, live, transfer, worklist

_FIELD = re.compile(r"\{([a-z]+)\}")


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the table: what is said where, how surely (`qos`), and whether the broker keeps the last one."""

    name: str
    pattern: str  # below lineset/v1/{shop}/{station}/
    message: type[msgspec.Struct]
    qos: Literal[0, 1]
    retained: bool
    sender: Literal["station", "asker", "collector"]
    about: str

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the variable levels, in order."""
        return tuple(_FIELD.findall(self.pattern))


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "station",
            "station",
            live.StationMessage,
            1,
            True,
            "station",
            "Online or offline, and whether it is recording; the last will says offline. A broker may deliver an old "
            "retained message of it after a live one: compare their stamps `t`, the later one counts.",
        ),
        Kind(
            "instrument",
            "instrument/{instrument}",
            live.InstrumentMessage,
            1,
            True,
            "station",
            "State of an instrument and its reason, profile, channels, placement, battery.",
        ),
        Kind("visit", "visit/{visit}", live.VisitMessage, 1, True, "station", "State, phase and systems of a visit."),
        Kind(
            "visit_event",
            "visit/{visit}/event/{kind}",
            live.EventMessage,
            1,
            False,
            "station",
            "What else happened on the record of a visit: placements, qualities, entered values, phases.",
        ),
        Kind(
            "now",
            "visit/{visit}/{system}/now",
            live.NowMessage,
            0,
            True,
            "station",
            "All current readings and derived values once a second, for late comers.",
        ),
        Kind(
            "run",
            "visit/{visit}/{system}/run",
            live.RunMessage,
            1,
            True,
            "station",
            "The running state of a system, with its seq in the journal.",
        ),
        Kind(
            "reading",
            "visit/{visit}/{system}/reading/{point}",
            live.ValueMessage,
            0,
            False,
            "station",
            "A reading at a point, live; sent before it is committed, at the configured rate.",
        ),
        Kind(
            "derived",
            "visit/{visit}/{system}/derived/{name}",
            live.ValueMessage,
            0,
            False,
            "station",
            "A derived value, live; sent before it is committed, at the configured rate.",
        ),
        Kind(
            "settled",
            "visit/{visit}/{system}/{phase}/settled/{name}",
            live.SettledMessage,
            1,
            True,
            "station",
            "A reading or derived value that has settled, or has stopped being steady; a record event with its seq.",
        ),
        Kind(
            "hunting",
            "visit/{visit}/{system}/{phase}/hunting/{name}",
            live.HuntingMessage,
            1,
            True,
            "station",
            "A reading or derived value that swings too wide to settle, how far and how often, or that it has ended; a "
            "record event with its seq.",
        ),
        Kind(
            "check",
            "visit/{visit}/{system}/{phase}/check/{name}",
            live.CheckMessage,
            1,
            True,
            "station",
            "A check's verdict, whenever it changed; a record event with its seq.",
        ),
        Kind(
            "finding",
            "visit/{visit}/{system}/{phase}/finding/{id}",
            live.FindingMessage,
            1,
            True,
            "station",
            "What explains a system's readings, or that it no longer does; a record event with its seq.",
        ),
        Kind(
            "worklist",
            "visit/{visit}/{system}/worklist",
            worklist.WorklistMessage,
            1,
            True,
            "station",
            "The sheet of a system in walking order: what to do next, what has settled, what is missing, minutes left.",
        ),
        Kind(
            "question",
            "visit/{visit}/question/{id}",
            worklist.QuestionMessage,
            1,
            True,
            "station",
            "What is asked of a person, and whether it still is; a record event with its seq.",
        ),
        Kind(
            "cue",
            "visit/{visit}/cue/{n}",
            worklist.CueMessage,
            1,
            False,
            "station",
            "A short sentence to be spoken now; a record event with its seq.",
        ),
        Kind(
            "observation",
            "visit/{visit}/observation/{n}",
            worklist.ObservationMessage,
            1,
            False,
            "station",
            "What a person saw, with the hash of its photo; a record event with its seq.",
        ),
        Kind(
            "block",
            "visit/{visit}/block/{n}",
            transfer.BlockMessage,
            1,
            False,
            "station",
            "The record itself, on its way to the shop: a block of the visit's journal. Only on a shop's broker.",
        ),
        Kind(
            "receipt",
            "receipt/{visit}",
            transfer.ReceiptMessage,
            1,
            True,
            "collector",
            "What the shop has stored of a visit; alone moves the station's outbox. Only on a shop's broker.",
        ),
        Kind(
            "command",
            "command/{verb}",
            command.Request,
            1,
            False,
            "asker",
            "What any dashboard, button or script may ask of the station.",
        ),
        Kind("reply", "reply/{request}", command.Reply, 1, False, "station", "The answer to a command."),
    )
}
