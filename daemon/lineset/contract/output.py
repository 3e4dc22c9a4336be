"""Output entries: what the engine made of the inputs. SI units; `u` is a standard uncertainty."""

from __future__ import annotations

from lineset.contract.body import Body


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


class Hunting(Body, frozen=True, kw_only=True, tag="hunting"):
    """A reading or derived value swings to and fro wider than a verdict tolerates, so that it never settles.

    Told when it has gone on for a whole period (`state` started), and when it is over (ended, with the reason).
    `amplitude` is half of peak to peak, in `unit` (K where that is Cel); `mean` is what it swings about.
    """

    system: str
    phase: str
    name: str
    state: str
    amplitude: float
    period_s: float
    mean: float
    unit: str  # RFC 8428, of the mean
    instrument: str = ""  # of a reading
    channel: str = ""
    reason: str = ""


class TooCoarse(Body, frozen=True, kw_only=True, tag="too_coarse"):
    """The meter's resolution or scatter is wider than what a verdict tolerates: it can never be shown to settle."""

    system: str
    name: str
    instrument: str
    channel: str
    reason: str


class RunChanged(Body, frozen=True, kw_only=True, tag="run"):
    """The system's running state, mode or stage changed; `evidence` names what each kind of probe says.

    A kind by its bare name says whether the compressor runs; "mode KIND", "defrost KIND" and "stage KIND" say the rest.
    """

    system: str
    state: str  # stopped, starting, running, defrost, unknown
    mode: str = ""  # cool, heat, fan, emergency
    stage: str = ""  # low, high; empty: not known, or a system without stages
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
