"""The engine's state: plain data, so that a snapshot is its encoding and nothing else."""

from __future__ import annotations

import msgspec

from lineset.contract.entry import ChannelRecord, InstallationTerm, Questioned, SystemRecord
from lineset.equipment.display import Units
from lineset.measure.quality import Quality, Watch
from lineset.measure.settle import Detector
from lineset.visit.comparison import Correction, Window
from lineset.visit.cues import CueState
from lineset.visit.roaming import RoamState
from lineset.visit.run import RunFusion


class Hunt(msgspec.Struct):
    """A swing that is being watched: seen since and last [ns], how wide [SI] and slow, and the sum for its mean."""

    since: int
    last: int = 0
    amplitude: float = 0.0
    period_s: float = 0.0
    total: float = 0.0
    count: int = 0
    told: bool = False  # its start is on record


class PointState(msgspec.Struct):
    """What is known at one point of one system (or of one derived value): the latest, and what last settled."""

    name: str
    value: float | None = None  # SI
    u: float = 0.0
    t: int = 0
    fresh: bool = False  # read since the values of each second were last worked out
    quality: Quality = Quality.GOOD
    instrument: str = ""
    channel: str = ""
    response_s: float = 0.0  # time constant of the probe that sits here
    smooth: float | None = None  # mean over that time constant, from which the lag is seen
    lag: float = 0.0  # how far the probe is behind while the reading is not settled, SI
    detector: Detector | None = None
    staying: Detector | None = None  # waits to take over from `detector` where the clamp stays on
    placed: int = 0  # ns at which the channel was put here
    told_coarse: bool = False
    hunting: Hunt | None = None
    disturbed: str = ""  # why it says nothing now: what a task has opened, taken out or wetted
    attested: bool = False  # what last settled here rests on a person's word, and was not taken back
    # what last settled here, kept when the clamp has gone on to the next wire
    held: float | None = None
    held_u: float = 0.0
    held_parts: dict[str, float] = {}  # source of uncertainty -> its part
    held_t: int = 0
    held_epoch: int = -1
    origin: str = "instrument"  # of the held value: instrument, entered, derived
    held_instrument: str = ""  # what the held value was read with
    held_channel: str = ""

    @property
    def settled(self) -> bool:
        """Whether the live reading is settled now."""
        return self.detector is not None and self.detector.settled


class ChannelState(msgspec.Struct):
    """One channel of an instrument: its record, where it sits, and what is needed to judge its next sample."""

    record: ChannelRecord
    system: str = ""
    point: str = ""
    watch: Watch = msgspec.field(default_factory=Watch)
    quality: Quality = Quality.GOOD
    last_t: int = -1
    zero_since: int = -1  # ns since which a clamp reads zero; -1: it does not
    value: float | None = None  # SI, also while it sits nowhere
    roam: RoamState | None = None  # of a clamp that goes from wire to wire
    correction: Correction | None = None  # what a comparison at rest found
    compared_t: int = -1  # ns at which it was last compared; -1: it was not
    settled_at: list[str] = []  # "system/point": where something settled that was read with it


class Comparing(msgspec.Struct):
    """A comparison at rest that was asked for: of which system it was said, when [ns], and the readings since."""

    system: str
    since: int
    windows: dict[str, Window] = {}  # "instrument/channel" -> its readings


class InstrumentEngineState(msgspec.Struct):
    """One instrument as the engine sees it."""

    id: str
    profile: str
    origin: str
    stale_after_ns: int
    channels: dict[str, ChannelState]
    state: str = "seeking"
    spool: int = 0  # of the last frame that came through a relay


class EarlierRun(msgspec.Struct):
    """What had settled when this system ran in an earlier visit and was judged sound: name -> (value, u), SI."""

    visit: str
    date: str
    values: dict[str, tuple[float, float]]


class TaskState(msgspec.Struct):
    """What was said of a task: begun, done or skipped; when it began and ended [ns], -1: that was not told."""

    state: str
    begun_t: int = -1
    ended_t: int = -1
    note: str = ""


class DisturbedState(msgspec.Struct):
    """A disturbance that holds: since when [ns], and the task that began it ("": a fact that was declared)."""

    since: int
    by: str = ""


class DryingState(msgspec.Struct):
    """The rise over outdoor air [K] by which a washed coil is watched: smoothed, and its lowest."""

    name: str
    smooth: float
    lowest: float
    detector: Detector


class FoundState(msgspec.Struct):
    """An open finding in short, for who plans the day."""

    phase: str
    title: str
    rank: int
    confidence: str


class WantedState(msgspec.Struct):
    """What an observation asks of the shop."""

    seq: int
    system: str
    wants: tuple[str, ...]
    about: str
    sign: str
    urgency: str


class SystemState(msgspec.Struct):
    """One system: its record, run, points and derived values."""

    record: SystemRecord
    run: RunFusion = msgspec.field(default_factory=RunFusion)
    points: dict[str, PointState] = {}
    derived: dict[str, PointState] = {}
    settled_count: dict[str, int] = {}
    declared: dict[str, bool] = {}  # fact -> whether it is so, as declared and not ended since (equipment/facts.py)
    declared_t: dict[str, int] = {}  # fact -> ns at which that was said
    touched: int = -1  # ns at which refrigerant was last added or removed; -1: it was not
    judged: dict[str, tuple[str, float | None]] = {}  # check -> what was last told of it in this phase, and its value
    found: dict[str, str] = {}  # finding -> what was last told of it in this phase
    open_findings: dict[str, FoundState] = {}  # "phase/id", those of earlier phases too
    standing: dict[str, str] = {}  # check -> state of its last verdict, whatever the phase
    verdicts: list[str] = []  # checks that were decided in this visit, whatever the phase
    earlier: list[EarlierRun] = []
    rest: dict[str, tuple[float, float]] = {}  # point -> value and u that settled while the system stood
    tasks: dict[str, TaskState] = {}  # of the worklist; a skipped point as "phase/point"
    disturbed: dict[str, DisturbedState] = {}  # by disturbance
    disturbed_points: dict[str, str] = {}  # point (no instance) -> why it says nothing now
    collected: dict[str, dict[str, str]] = {}  # phase -> point -> origin of what settled there
    asks_gauges: dict[str, str] = {}  # open finding that asks for pressures -> its title
    drying: DryingState | None = None
    judge_at: int = -1  # ns: when waiting for a precondition ends; -1: nothing waits


class EngineState(msgspec.Struct):
    """Everything the engine remembers. Encoded as it is for a snapshot."""

    fingerprint: str
    seq: int = 0
    t: int = 0
    deadline: int = 0
    wall_offset_ns: int = 0  # wall time minus visit time
    station: str = ""
    visit: str = ""
    phase: str = "at_rest"
    rules: str = ""  # the shop's rules, as text
    worklist: str = ""  # the shop's worklist, as text
    language: str = "en"  # of cues
    units: Units = "customary"  # of values in cues
    cues: CueState = msgspec.field(default_factory=CueState)
    questions: dict[str, Questioned] = {}  # by id, the open ones
    technician: str = ""
    opened_wall_ns: int = 0
    wanted: list[WantedState] = []  # of the shop, in order
    at: str = ""  # the system that was spoken of last: where somebody is at work
    today: str = ""  # ISO date by wall time: calibrations fall due by it
    installation: dict[str, tuple[InstallationTerm, ...]] = {}  # as the station edited it
    opened: bool = False
    closed: bool = False
    work_since: int = -1  # ns at which work last began; -1: it never did
    comparing: dict[str, Comparing] = {}  # fact -> the comparison that it began
    instruments: dict[str, InstrumentEngineState] = {}
    systems: dict[str, SystemState] = {}


_encoder = msgspec.msgpack.Encoder()
_decoder = msgspec.msgpack.Decoder(EngineState)


def encode(state: EngineState) -> bytes:
    """A snapshot: floats keep every bit."""
    return _encoder.encode(state)


def decode(stored: bytes) -> EngineState:
    """The state from a snapshot. Raises msgspec.DecodeError or ValidationError when it is not one."""
    return _decoder.decode(stored)
