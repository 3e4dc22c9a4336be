"""What came from an instrument at once: raw bytes, time, and the samples decoded from them."""

from __future__ import annotations

from enum import StrEnum

import msgspec


class Flag(StrEnum):
    """What an instrument says of a value that it sends in place of, or along with, a number."""

    OK = ""
    OVER_RANGE = "over_range"  # overload, above the end of the scale
    UNDER_RANGE = "under_range"
    INVALID = "invalid"  # open thermocouple, not-a-number, prohibited code
    NOT_KNOWN = "not_known"  # the instrument is on but has no value yet
    HELD = "held"  # the display is on hold: the number is not live


class Sample(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One channel's value as sent, in the profile's unit (`psig`, `degF` ...), with a flag.

    `value` is None exactly when the flag leaves no number (over_range may keep the end of scale).
    """

    channel: str
    value: float | None
    unit: str
    flag: str = ""


class Frame(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """All samples that came at once from `instrument`, stamped with visit time `t` (ns) when the last byte arrived.

    `raw` is what was on the wire, kept so that the decoding can be audited later. `spool` is the frame's number at
    the relay that it came through; 0: it came directly.
    """

    instrument: str
    t: int
    raw: bytes
    samples: tuple[Sample, ...]
    spool: int = 0


class State(StrEnum):
    """Where an instrument stands in the fleet."""

    SEEKING = "seeking"  # looking for its port, address or advert
    LINKED = "linked"  # giving samples
    STALE = "stale"  # linked, but nothing new for longer than its profile allows
    LOST = "lost"  # was linked and went away; being sought again with growing pauses


class InstrumentState(msgspec.Struct, frozen=True):
    """A change of state of one instrument, with the reason in words a technician can act on."""

    instrument: str
    t: int
    state: State
    reason: str
    profile: str = ""
    identity: str = ""  # as the instrument itself or its adapter tells: serial number, address
    identity_weak: bool = False  # True: could be another unit of the same make on the same port
    link: str = ""  # where: "serial:/dev/ttyUSB0 unit 1"
    battery: float | None = None  # %EL of RFC 8428


class Loss(msgspec.Struct, frozen=True):
    """Polls skipped or stream lines dropped because the inbox was full; counted, never silent."""

    instrument: str
    t: int
    kind: str  # "poll_skipped" or "stream_dropped"
    count: int
