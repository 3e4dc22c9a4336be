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
    """Topic `station`: retained; the last will says offline."""

    online: bool
    version: str = ""
    station: str = ""
    reason: str = ""
    recording: bool = True  # False: the journal cannot write; live values go on, nothing settles


class InstrumentMessage(Message, frozen=True, kw_only=True):
    """Topic `instrument/{id}`: retained."""

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


class VisitMessage(Message, frozen=True, kw_only=True):
    """Topic `visit/{visit}`: retained."""

    visit: str
    state: str  # open, closed
    phase: str
    systems: dict[str, dict[str, Any]] = {}
    run: dict[str, str] = {}
    settled: dict[str, int] = {}  # phase -> how many names have settled


class ValueMessage(Message, frozen=True, kw_only=True):
    """Topics `reading/{point}` and `derived/{name}`: not retained, conflated to the configured rate."""

    name: str
    v: float | None
    u: str
    sd: float | None = None
    quality: str = "good"
    settled: bool = False
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
