"""Live messages: what is on the topics, as JSON. Values are SI with their RFC 8428 unit.

Every value carries `v` value, `u` unit symbol and `sd` standard uncertainty; `text` is the same for a person, in
the station's display units.
"""

from __future__ import annotations

from typing import Any

import msgspec


class Message(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What every live message shares: `t`, wall time in seconds since 1970 (UTC)."""

    t: float


class StationMessage(Message, frozen=True, kw_only=True):
    """Topic `station`: retained; the last will says offline.

    A broker may deliver an old retained message after a live one that was heard over the same connection. Of the two
    the one with the later `t` counts. (A will that comes live counts always: its `t` is when the station connected.)
    """

    online: bool
    version: str = ""
    station: str = ""
    reason: str = ""
    recording: bool = True  # False: the journal cannot write; live values go on, nothing settles
    public_key: str = ""  # of the station's seal: Ed25519, 64 hex digits
    uplink: str = ""  # how the record's way to the shop stands, a sentence; empty where no shop is joined


class InstrumentMessage(Message, frozen=True, kw_only=True):
    """Topic `instrument/{id}`: retained. `battery` is what is left of its charge, in per cent (`%EL` of RFC 8428)."""

    instrument: str
    state: str
    reason: str
    profile: str = ""
    link: str = ""
    identity: str = ""
    identity_weak: bool = False
    battery: float | None = None
    channels: dict[str, str] = {}  # channel -> quantity
    placement: dict[str, str] = {}  # channel -> "system/point"
    calibration_due: dict[str, str] = {}


class WantMessage(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What an observation asks of the shop, without what was written: `wants` are part, approval, return_visit.

    `title` is the quick observation's, or empty where words of a person alone say what was seen.
    """

    seq: int
    system: str
    wants: tuple[str, ...]
    about: str = ""
    title: str = ""
    urgency: str = ""


class FoundMessage(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A finding that is open, in short: `rank` from 1, the likeliest of its system; `phase` in which it was found."""

    system: str
    phase: str
    title: str
    rank: int
    confidence: str = ""


class VisitMessage(Message, frozen=True, kw_only=True):
    """Topic `visit/{visit}`: retained; enough for who plans the shop's day and listens to nothing else.

    `technician` is the number of who does the work, where one was given; a name stays in the record. `opened` is wall
    time in seconds since 1970. `wanted` are the latest, `found` the likeliest; `checks` counts verdicts by their state.
    """

    visit: str
    state: str  # open, closed
    phase: str
    technician: str = ""
    opened: float = 0.0
    systems: dict[str, dict[str, Any]] = {}
    run: dict[str, str] = {}
    settled: dict[str, int] = {}  # phase -> how many names have settled
    minutes_left: float = 0.0  # of the whole visit, as far as its worklists tell
    progress: dict[str, tuple[int, int]] = {}  # system -> tasks and points out of the way, and all of them
    wanted: tuple[WantMessage, ...] = ()
    found: tuple[FoundMessage, ...] = ()
    checks: dict[str, int] = {}  # state of a verdict -> how many checks stand so, each as last judged


class ValueMessage(Message, frozen=True, kw_only=True):
    """Topics `reading/{point}` and `derived/{name}`: not retained, conflated to the configured rate.

    While it is not settled `ahead` says for people, in the station's display units, what stands between: "settling,
    about 40 s more", "calm; being made sure of", "hunting +/- 2.2 degF every 90 s", "too coarse: 0.9 degF steps";
    `eta_s` is that time where it can be told, rounded up, in seconds. Both are left out where nothing is known.
    """

    name: str
    v: float | None
    u: str
    sd: float | None = None
    quality: str = "good"
    settled: bool = False
    eta_s: float | None = None
    ahead: str = ""
    text: str = ""
    instrument: str = ""
    channel: str = ""
    recorded: bool = True


class NowMessage(Message, frozen=True, kw_only=True):
    """Topic `now`: retained, 1 Hz: all current readings and derived values, for late comers."""

    system: str
    phase: str
    run: str
    run_s: float
    mode: str = ""
    readings: dict[str, ValueMessage] = {}
    derived: dict[str, ValueMessage] = {}
    recorded: bool = True


class SettledMessage(Message, frozen=True, kw_only=True):
    """Topic `{phase}/settled/{name}`: retained, with its `seq` in the journal; `settled` false when it stopped."""

    seq: int
    system: str
    phase: str
    name: str
    settled: bool
    title: str = ""
    v: float | None = None
    u: str = ""
    sd: float | None = None
    interval95: tuple[float, float] | None = None
    text: str = ""
    reason: str = ""
    instrument: str = ""
    channel: str = ""
    origin: str = ""
    run: str = ""
    run_s: float = 0.0
    window_s: float = 0.0
    samples: int = 0
    inputs: dict[str, float] = {}
    budget: dict[str, float] = {}  # source of uncertainty -> what it contributes to `sd`, SI


class HuntingMessage(Message, frozen=True, kw_only=True):
    """Topic `{phase}/hunting/{name}`: retained, a swing that keeps a value from settling, with its `seq`.

    `state` is started or ended; `v` is the mean that it swings about, `amplitude` half of peak to peak in the same
    unit (in K where that is Cel). `text` is all of it in the station's display units.
    """

    seq: int
    system: str
    phase: str
    name: str
    state: str
    title: str = ""
    v: float
    u: str
    amplitude: float
    period_s: float
    text: str = ""
    reason: str = ""
    instrument: str = ""
    channel: str = ""


class CheckMessage(Message, frozen=True, kw_only=True):
    """Topic `{phase}/check/{name}`: retained, a check's verdict, with its `seq` in the journal.

    `state` is pass, fail, undecided, not_applicable or advisory. `text` and `target_text` are the value and its target
    in the station's display units. `probability` is that the true value lies within `low` and `high`.
    """

    seq: int
    system: str
    phase: str
    name: str
    title: str
    state: str
    reason: str
    finding: str = ""
    v: float | None = None
    u: str = ""
    sd: float | None = None
    text: str = ""
    target: float | None = None
    target_sd: float | None = None
    target_text: str = ""
    low: float | None = None
    high: float | None = None
    probability: float | None = None
    rule: str = ""
    source: str = ""
    basis: str = ""
    unmet: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    would_decide: str = ""
    proved: tuple[str, ...] = ()
    caution: str = ""


class FindingMessage(Message, frozen=True, kw_only=True):
    """Topic `{phase}/finding/{id}`: retained, what explains a system's readings, with its `seq` in the journal.

    `state` is open or withdrawn; `rank` counts from 1, the likeliest; `confidence` is clear, likely, probable or
    possible. Advice only: never in place of the maker's procedure, local code or a licensed person.
    """

    seq: int
    system: str
    phase: str
    id: str
    title: str
    state: str
    category: str = ""
    rank: int = 0
    confidence: str = ""
    share: float = 0.0
    evidence: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    meaning: str = ""
    caution: str = ""
    next_step: str = ""
    basis: str = ""


class RunMessage(Message, frozen=True, kw_only=True):
    """Topic `run`: retained, the running state of a system, with its `seq`."""

    seq: int
    system: str
    state: str
    mode: str = ""
    stage: str = ""
    evidence: dict[str, str] = {}


class EventMessage(Message, frozen=True, kw_only=True):
    """Topic `event/{kind}`: what else happened on the record (placements, qualities, entered values), with `seq`."""

    seq: int
    event: str
    body: dict[str, Any]


_encoder = msgspec.json.Encoder()


def encode(message: Message) -> bytes:
    """The payload of a message."""
    return _encoder.encode(message)
