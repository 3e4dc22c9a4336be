"""Journal entries: what goes into the engine and what comes out of it, as they are stored.

Inputs are what happened (frames, entered values, placements, commands, ticks, clock steps); outputs are what the
engine made of them. Both are rows of one journal in one total order of `seq`. Bodies are JSON, so that a record can
be read in many years without this program; raw bytes are base64. SI units inside; `t` is visit time in ns.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from lineset.contract.body import Body as Body
from lineset.contract.guidance import Choice as Choice
from lineset.contract.guidance import Compared as Compared
from lineset.contract.guidance import Cued as Cued
from lineset.contract.guidance import Questioned as Questioned
from lineset.contract.instrument_record import Calibration as Calibration
from lineset.contract.instrument_record import ChannelRecord as ChannelRecord
from lineset.contract.instrument_record import InstallationTerm as InstallationTerm
from lineset.contract.output import Checked as Checked
from lineset.contract.output import Derived as Derived
from lineset.contract.output import Finding as Finding
from lineset.contract.output import Hunting as Hunting
from lineset.contract.output import QualityChanged as QualityChanged
from lineset.contract.output import RunChanged as RunChanged
from lineset.contract.output import Settled as Settled
from lineset.contract.output import TooCoarse as TooCoarse
from lineset.contract.output import Unsettled as Unsettled
from lineset.contract.recalled import Recalled as Recalled
from lineset.equipment.system import SystemRecord as SystemRecord
from lineset_drivers.frame import Sample

FORMAT = 1


class Opened(Body, frozen=True, kw_only=True, tag="opened"):
    """First entry of a visit (or, with an empty `visit`, of a station journal)."""

    format: int = FORMAT
    station: str
    visit: str = ""
    phase: str = "at_rest"
    wall_ns: int
    version: str
    fingerprint: str  # of the engine: code, curves, bands
    systems: tuple[SystemRecord, ...] = ()
    curves: dict[str, str] = {}  # refrigerant -> SHA-256 of the shipped saturation curve
    installation: dict[str, tuple[InstallationTerm, ...]] = {}  # by point, where the station edited its effects
    config: dict[str, Any] = {}
    by: str = ""
    technician: str = ""  # name or number of who does the work


class Introduced(Body, frozen=True, kw_only=True, tag="introduced"):
    """An instrument of the station, with the profile as it was read."""

    instrument: str
    profile: str
    profile_sha256: str
    profile_text: str = ""
    origin: str = "instrument"  # or "entered": a person with a meter
    stale_after_s: float = 10.0
    channels: tuple[ChannelRecord, ...] = ()
    roams: bool = False  # one clamp, one pair of leads, that goes from wire to wire


class Framed(Body, frozen=True, kw_only=True, tag="frame"):
    """A frame: raw bytes, and samples [channel, value as sent or null, unit as sent, flag]."""

    instrument: str
    raw: bytes
    samples: tuple[Sample, ...]
    spool: int = 0  # its number at the relay that it came through


class Entered(Body, frozen=True, kw_only=True, tag="entered"):
    """A value typed or spoken by a person; settled by attestation and labelled so."""

    instrument: str
    system: str
    point: str
    value: float  # SI
    half_width: float | None = None  # SI; 95 %, where the person gave one
    resolution: float = 0.0  # SI
    text: str  # as typed: "118 psig"
    by: str = ""


class Placed(Body, frozen=True, kw_only=True, tag="placed"):
    """A channel sits at a point of a system from now on; `point` empty: it was taken away."""

    instrument: str
    channel: str
    system: str = ""
    point: str = ""
    by: str = ""
    supersedes: int = 0  # seq of an earlier entry that this one puts right


class Phased(Body, frozen=True, kw_only=True, tag="phase"):
    """The visit went on to another phase: at_rest, before, work, drying, after.

    Where that was forced, `missing` are the sentences that stood against it, and `reason` says why it was done.
    """

    phase: str
    by: str = ""
    reason: str = ""
    missing: tuple[str, ...] = ()


class Declared(Body, frozen=True, kw_only=True, tag="declared"):
    """A technician says that something is so (panels on, filter in, coil dry), is not so, or (None) takes it back.

    How long it holds is part of the fact (equipment/facts.py): for its phase, until work begins, or for the visit.
    """

    system: str
    fact: str
    value: bool | None = True
    by: str = ""


class RefrigerantHandled(Body, frozen=True, kw_only=True, tag="refrigerant"):
    """A certified person says that refrigerant was added to or removed from a system: the run stabilises anew.

    `mass_kg` is None where it was not weighed; `text` is the amount as typed.
    """

    system: str
    action: str  # added, removed
    certified: str  # who did it: name or number of the certificate that the law asks for
    mass_kg: float | None = None
    text: str = ""
    note: str = ""
    by: str = ""


class InstrumentChanged(Body, frozen=True, kw_only=True, tag="instrument"):
    """An instrument's state in the fleet changed. `battery` is what is left of its charge, in per cent."""

    instrument: str
    state: str
    reason: str
    identity: str = ""
    identity_weak: bool = False
    link: str = ""
    battery: float | None = None


class Tick(Body, frozen=True, kw_only=True, tag="tick"):
    """Time passed the engine's next deadline and nothing else came."""


class WallClock(Body, frozen=True, kw_only=True, tag="wall"):
    """Wall time at this entry's `t`; written at start and whenever it steps."""

    wall_ns: int
    step_ns: int = 0


class Resumed(Body, frozen=True, kw_only=True, tag="resumed"):
    """The daemon went away and came back; `gap_ns` of visit time passed unseen."""

    gap_ns: int
    wall_ns: int
    how: str  # "boot_time" or "wall_time": what the gap was measured with
    version: str = ""


class Overrun(Body, frozen=True, kw_only=True, tag="overrun"):
    """Something was lost because the inbox was full: counted, never silent."""

    instrument: str
    loss: str  # poll_skipped, stream_dropped; not_recorded: memory was full of what the disk did not take
    count: int


class Noted(Body, frozen=True, kw_only=True, tag="note"):
    """A remark by a person, or by the station about itself (journal failing, broker refused)."""

    text: str
    by: str = ""


class Commanded(Body, frozen=True, kw_only=True, tag="command"):
    """A command that was accepted or refused, with who asked and what was answered."""

    request: str
    verb: str
    args: dict[str, Any] = {}
    actor: str = ""
    ok: bool = True
    answer: str = ""
    data: dict[str, Any] = {}  # of the answer, so that a request asked again after a restart is answered alike
    expires: float = 0.0  # wall seconds since 1970: until then the same request is answered alike


class Marked(Body, frozen=True, kw_only=True, tag="task"):
    """A task of the worklist was begun, done, skipped, or taken back (`undone`)."""

    system: str
    task: str
    state: str  # begun, done, skipped, undone
    note: str = ""
    by: str = ""


class Observed(Body, frozen=True, kw_only=True, tag="observation"):
    """What a person saw: free words, a quick observation (`sign`), a photo by its hash, or several of them.

    One that `withdraws` an earlier one says that what that one wants of the shop is wanted no longer; what it wants
    itself is what is left of that. What was seen stands.
    """

    system: str
    about: str = ""  # a point or task; empty: the system as a whole
    sign: str = ""  # id of a quick observation of the catalogue
    text: str = ""
    photo: str = ""  # SHA-256 of a blob of this journal
    urgency: str = ""  # of the catalogue, or said by the person: now, soon, next_visit, note
    wants: tuple[str, ...] = ()  # of the shop: part, approval, return_visit
    withdraws: int = 0  # seq of an earlier observation; 0: none
    by: str = ""


class Blob(Body, frozen=True, kw_only=True, tag="blob"):
    """A part of a photo or recording, known by the hash of the whole; small enough for one message."""

    sha256: str
    media_type: str
    size: int  # bytes of the whole
    part: int  # from 0
    parts: int
    data: bytes


class Amended(Body, frozen=True, kw_only=True, tag="amended"):
    """More is known of a system than when the visit was opened: its whole record as it is from now on."""

    record: SystemRecord
    keys: tuple[str, ...] = ()  # what was given, by the keys of a system's description
    curves: dict[str, str] = {}  # as in `opened`, where the refrigerant is another one now
    by: str = ""


class Answered(Body, frozen=True, kw_only=True, tag="answer"):
    """A person's answer to a question of the engine."""

    question: str
    answer: str  # id of one of the question's choices
    by: str = ""


class Closed(Body, frozen=True, kw_only=True, tag="closed"):
    """Last input of a visit. Where closing was forced, `missing` are the sentences that stood against it."""

    by: str = ""
    reason: str = ""
    missing: tuple[str, ...] = ()


InputBody = (
    Opened
    | Introduced
    | Framed
    | Entered
    | Placed
    | Phased
    | Declared
    | RefrigerantHandled
    | InstrumentChanged
    | Tick
    | WallClock
    | Resumed
    | Overrun
    | Noted
    | Recalled
    | Commanded
    | Marked
    | Observed
    | Blob
    | Amended
    | Answered
    | Closed
)
OutputBody = (
    Settled
    | Unsettled
    | Hunting
    | TooCoarse
    | RunChanged
    | QualityChanged
    | Derived
    | Checked
    | Finding
    | Compared
    | Questioned
    | Cued
)
AnyBody = InputBody | OutputBody

INPUT_KINDS = frozenset(
    "opened recalled introduced frame entered placed phase declared refrigerant instrument tick wall resumed overrun "
    "note command task observation blob amended answer closed".split()
)
OUTPUT_KINDS = frozenset(
    "settled unsettled hunting too_coarse run quality derived check finding comparison question cue".split()
)
# Record events leave for the broker only after they are committed.
RECORD_KINDS = frozenset(
    "settled unsettled hunting too_coarse run quality check finding comparison question cue phase declared refrigerant "
    "placed entered task observation amended answer opened closed command".split()
)


class Entry(NamedTuple):
    """One row of a journal, decoded."""

    seq: int
    t: int
    body: AnyBody


_encoder = msgspec.json.Encoder()
_decoder: msgspec.json.Decoder[AnyBody] = msgspec.json.Decoder(AnyBody)


class EntryError(ValueError):
    """A stored body that this version cannot read."""


def kind_of(body: AnyBody) -> str:
    """The short tag under which a body is stored."""
    return _KIND[type(body)]


_KIND: dict[type, str] = {cls: cls.__struct_config__.tag for cls in (*InputBody.__args__, *OutputBody.__args__)}


def encode(body: AnyBody) -> bytes:
    """The stored form of a body: compact JSON with its kind."""
    return _encoder.encode(body)


def decode(stored: bytes) -> AnyBody:
    """The body from its stored form. Raises EntryError that says what does not fit."""
    try:
        return _decoder.decode(stored)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise EntryError(f"an entry cannot be read: {error}; it may come from a newer version") from error


def is_input(kind: str) -> bool:
    """Whether entries of this kind go into the engine (the others come out of it)."""
    return kind in INPUT_KINDS
