"""Journal entries: what goes into the engine and what comes out of it, as they are stored.

Inputs are what happened (frames, entered values, placements, commands, ticks, clock steps); outputs are what the
engine made of them. Both are rows of one journal in one total order of `seq`. Bodies are JSON, so that a record can
be read in many years without this program; raw bytes are base64. SI units inside; `t` is visit time in ns.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from lineset.equipment.system import SystemRecord as SystemRecord
from lineset_drivers.frame import Sample

FORMAT = 1


class Body(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind", gc=False):
    """What every body shares: a kind, written as its tag."""


# ---------------------------------------------------------------------------------------------------------- inputs


class Calibration(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Correction of one channel: SI value = reading x gain + offset, from a certificate or a comparison.

    The standard uncertainty of the correction is `u` for the offset and `u_gain` for the gain, this channel's own, and
    `reference_u` for the reference standard: whatever was corrected against the same `reference` is off together.
    """

    gain: float = 1.0
    offset: float = 0.0  # in the SI unit of the channel's quantity (K for temperatures)
    u: float = 0.0  # SI
    u_gain: float = 0.0  # of the gain, as a share of the reading
    reference: str = ""  # which reference standard it was corrected against
    reference_u: float = 0.0  # SI
    date: str = ""  # ISO date of the certificate or comparison
    due: str = ""  # ISO date after which the channel is out of calibration
    source: str = ""  # certificate number, or how it was compared


class InstallationTerm(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One effect of a probe's place on its reading, as limits of error: half_width + share x what drives it.

    `of` says what drives it: "reading", or the point whose difference to the reading counts; `usual` is taken for
    that difference while it is not measured.
    """

    name: str
    half_width: float = 0.0  # SI
    share: float = 0.0
    of: str = ""
    usual: float = 0.0  # K
    reason: str = ""
    source: str = ""


class ChannelRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What the engine knows of a channel: from its profile and its calibration. Accuracy and resolution in `unit`."""

    name: str
    quantity: str
    unit: str
    reading_pct: float = 0.0
    absolute: float = 0.0
    counts: float = 0.0
    shared: float = 0.0  # correlation between the errors of two channels of this instrument, 0 .. 1
    resolution: float = 0.0
    low: float | None = None
    high: float | None = None
    response_s: float = 0.0
    calibration: Calibration = Calibration()


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


class Introduced(Body, frozen=True, kw_only=True, tag="introduced"):
    """An instrument of the station, with the profile as it was read."""

    instrument: str
    profile: str
    profile_sha256: str
    profile_text: str = ""
    origin: str = "instrument"  # or "entered": a person with a meter
    stale_after_s: float = 10.0
    channels: tuple[ChannelRecord, ...] = ()


class Framed(Body, frozen=True, kw_only=True, tag="frame"):
    """A frame: raw bytes, and samples [channel, value as sent or null, unit as sent, flag]."""

    instrument: str
    raw: bytes
    samples: tuple[Sample, ...]


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
    """The visit went on to another phase: at_rest, before, work, drying, after."""

    phase: str
    by: str = ""


class Declared(Body, frozen=True, kw_only=True, tag="declared"):
    """A technician says that something is so (panels on, filter in, coil dry), is not so, or (None) takes it back.

    It holds for the phase in which it was said.
    """

    system: str
    fact: str
    value: bool | None = True
    by: str = ""


class InstrumentChanged(Body, frozen=True, kw_only=True, tag="instrument"):
    """An instrument's state in the fleet changed."""

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
    loss: str  # poll_skipped, stream_dropped
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


class Closed(Body, frozen=True, kw_only=True, tag="closed"):
    """Last input of a visit."""

    by: str = ""
    reason: str = ""


# --------------------------------------------------------------------------------------------------------- outputs


class Settled(Body, frozen=True, kw_only=True, tag="settled"):
    """A reading or derived value has become steady enough for a verdict: the window's mean and its uncertainty."""

    system: str
    phase: str
    name: str
    value: float  # SI
    unit: str  # RFC 8428
    u: float  # standard uncertainty
    low: float  # 95 % interval
    high: float
    window_s: float = 0.0
    samples: int = 0
    slope: float = 0.0  # unit per second
    instrument: str = ""
    channel: str = ""
    origin: str = "instrument"  # instrument, entered, derived
    run: str = "unknown"
    run_s: float = 0.0  # seconds in this run state
    inputs: dict[str, float] = {}  # of a derived value: name -> SI value
    budget: dict[str, float] = {}  # source of uncertainty -> what it contributes to `u`, SI


class Unsettled(Body, frozen=True, kw_only=True, tag="unsettled"):
    """What had settled has stopped being steady, and why."""

    system: str
    phase: str
    name: str
    reason: str


class TooCoarse(Body, frozen=True, kw_only=True, tag="too_coarse"):
    """The meter's resolution or scatter is wider than what a verdict tolerates: it can never be shown to settle."""

    system: str
    name: str
    instrument: str
    channel: str
    reason: str


class RunChanged(Body, frozen=True, kw_only=True, tag="run"):
    """The system's running state changed; `evidence` names what each probe says."""

    system: str
    state: str  # stopped, starting, running, defrost, unknown
    mode: str = ""  # cool, heat, fan, emergency
    evidence: dict[str, str] = {}
    previous: str = ""
    previous_s: float = 0.0


class QualityChanged(Body, frozen=True, kw_only=True, tag="quality"):
    """The quality of a channel's readings changed."""

    system: str
    name: str
    quality: str
    reason: str
    instrument: str = ""
    channel: str = ""


class Derived(Body, frozen=True, kw_only=True, tag="derived"):
    """All derived values of a system at once, once a second: name -> [value, standard uncertainty]."""

    system: str
    values: dict[str, tuple[float, float]]


class Checked(Body, frozen=True, kw_only=True, tag="check"):
    """A check's verdict, whenever it changed: pass, fail, undecided, not_applicable or advisory, and why.

    Figures are SI; `low` and `high` bound the value itself. `finding` is the side of the limits on which the value
    lies, `probability` that the true value conforms, `rule` the decision rule, `source` what the limit rests on and
    `basis` how surely that is known. `unmet`, `assumed`, `would_decide`, `proved` and `caution` are sentences.
    """

    system: str
    phase: str
    name: str
    title: str
    state: str
    reason: str
    finding: str = ""
    value: float | None = None
    unit: str = ""  # RFC 8428
    u: float | None = None  # standard uncertainty
    target: float | None = None
    target_u: float | None = None
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
    run: str = "unknown"
    run_s: float = 0.0


class Finding(Body, frozen=True, kw_only=True, tag="finding"):
    """What explains the readings of a running system, whenever that changed: evidence, meaning, caution, next step.

    `state` is open or withdrawn. `category` is instrument, electrical, air, refrigerant or empty; `rank` counts from 1,
    the likeliest; `confidence` is clear, likely, probable or possible, `share` the cause's part of what may explain
    the readings; `basis` says against what they were held. Everything else is sentences.
    """

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
    run: str = "unknown"
    run_s: float = 0.0


InputBody = (
    Opened
    | Introduced
    | Framed
    | Entered
    | Placed
    | Phased
    | Declared
    | InstrumentChanged
    | Tick
    | WallClock
    | Resumed
    | Overrun
    | Noted
    | Commanded
    | Closed
)
OutputBody = Settled | Unsettled | TooCoarse | RunChanged | QualityChanged | Derived | Checked | Finding
AnyBody = InputBody | OutputBody

INPUT_KINDS = frozenset(
    "opened introduced frame entered placed phase declared instrument tick wall resumed overrun note command "
    "closed".split()
)
OUTPUT_KINDS = frozenset("settled unsettled too_coarse run quality derived check finding".split())
# Record events leave for the broker only after they are committed.
RECORD_KINDS = frozenset(
    "settled unsettled too_coarse run quality check finding phase declared placed entered opened closed command".split()
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
    except (msgspec.ValidationError, msgspec.DecodeError) as error:
        raise EntryError(f"an entry cannot be read: {error}; it may come from a newer version") from error


def is_input(kind: str) -> bool:
    """Whether entries of this kind go into the engine (the others come out of it)."""
    return kind in INPUT_KINDS
