"""Commands: what any dashboard, button or script may ask of a station, and the replies.

A request goes to `command/{verb}`, its reply to `reply/{request}`. Requests carry an id and an expiry; the same id
asked twice is answered alike and done once.
"""

from __future__ import annotations

import re
from typing import Any

import msgspec

REQUEST_ID = re.compile(r"[a-z0-9_-]{1,64}")


class Request(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A command as sent: `request` is an id of [a-z0-9_-], `expires` wall seconds since 1970 (UTC)."""

    request: str
    expires: float
    args: dict[str, Any] = {}
    actor: str = ""  # who asks, in words; the right to publish is the authority


class Reply(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The answer: `ok`, a sentence, and what was asked for."""

    request: str
    verb: str
    ok: bool
    text: str
    data: dict[str, Any] = {}
    duplicate: bool = False


class Place(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`place`: put a channel at a point; an empty point takes it away."""

    instrument: str
    point: str = ""
    channel: str = ""  # may be left out when only one channel fits the point
    system: str = ""
    supersedes: int = 0


class Enter(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`enter`: a value read by eye, as text with its unit ("118 psig", "52.4 +/- 0.5 degF")."""

    point: str
    value: str
    instrument: str = "by-eye"
    system: str = ""
    resolution: str = ""


class Phase(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`phase`: go on to at_rest, before, work, drying or after; refused with a list of what is missing for it."""

    phase: str


class ForcePhase(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`force-phase`: go on to a phase whatever is missing; the reason is recorded.

    A verb of its own, so that a broker can keep the right to it from dashboards and buttons.
    """

    phase: str
    reason: str


class Declare(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`declare`: something is so (panels_on, filter_in ...), is not, or null: take it back."""

    fact: str
    value: bool | None = True
    system: str = ""


class Refrigerant(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`refrigerant`: a certified person has added or removed refrigerant; `amount` as typed ("6 oz", "0.2 kg")."""

    action: str  # added, removed
    certified: str  # name or number of the certificate
    amount: str = ""
    note: str = ""
    system: str = ""


class Note(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`note`: a remark for the record."""

    text: str


class Task(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`task`: a task of the worklist is begun, done, skipped (say why in `note`), or taken back: undone."""

    task: str
    state: str = "done"
    note: str = ""
    system: str = ""


class Observe(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`observe`: what a person saw; `photo` is the hash of a blob that was sent before.

    `wants` is what is wanted of the shop: part, approval, return_visit; left out: what is usual for the `sign`.
    `withdraws` is the `seq` of an earlier observation: what it wants is wanted no longer, but for what `wants` says.
    """

    text: str = ""
    sign: str = ""
    about: str = ""
    photo: str = ""
    urgency: str = ""
    wants: tuple[str, ...] | None = None
    withdraws: int = 0
    system: str = ""


class BlobPart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`blob`: one part of a photo; `data` is base64, 256 KiB at most before it; `sha256` that of the whole."""

    sha256: str
    media_type: str
    size: int
    data: bytes
    part: int = 0
    parts: int = 1


class Answer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`answer`: one of a question's choices."""

    question: str
    answer: str


class Amend(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`amend`: more is known of a system: keys of a system's description, those of the nameplate under `nameplate`."""

    given: dict[str, Any]
    system: str = ""


class Cues(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`cues`: say the last one again (`repeat`), or set how much is said: quiet, normal, chatty."""

    repeat: bool = False
    level: str = ""


class VisitOpen(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`visit-open`: open a visit on one or more systems ({id, refrigerant, metering_device ...}).

    Of a system that the station remembers the id is enough. `visit` is an opaque reference, such as the job's number:
    never a person or an address, for it stands in topics; left out, the station makes one. `technician` is a name or
    number, for the record.
    """

    visit: str = ""
    systems: list[dict[str, Any]]
    technician: str = ""


class VisitClose(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`visit-close`: close and seal the open visit; refused with a list of what is missing. `reason` is a remark."""

    reason: str = ""


class ForceClose(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`force-close`: close the open visit whatever is missing; the reason is recorded with who asked.

    A verb of its own, so that a broker can keep the right to it from dashboards and buttons.
    """

    reason: str


class VisitShow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`visit-show`: the open visit as it stands."""


FORCING = ("force-phase", "force-close")
"""Verbs that go on against what is missing: kept from all roles but the technician's"""


class Systems(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`systems`: the systems that the station remembers from earlier visits."""


class Resend(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`resend`: give closed visits to the shop again, which lost them: those named, or `all`, or those closed `since`.

    `since` is wall seconds since 1970 (UTC). The shop answers for what it still has, so nothing is stored twice.
    """

    visits: tuple[str, ...] = ()
    all: bool = False
    since: float | None = None


VERBS: dict[str, type[msgspec.Struct]] = {
    "place": Place,
    "enter": Enter,
    "phase": Phase,
    "force-phase": ForcePhase,
    "declare": Declare,
    "refrigerant": Refrigerant,
    "note": Note,
    "task": Task,
    "observe": Observe,
    "blob": BlobPart,
    "answer": Answer,
    "amend": Amend,
    "cues": Cues,
    "visit-open": VisitOpen,
    "visit-close": VisitClose,
    "force-close": ForceClose,
    "visit-show": VisitShow,
    "systems": Systems,
    "resend": Resend,
}
