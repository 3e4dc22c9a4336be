"""What the shop's API answers: values are SI with their RFC 8428 unit, times are UTC in ISO 8601.

`at` is by the station's clock as it stood then; what begins with `received` is by the shop's.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal

import msgspec


class _Answer(msgspec.Struct, frozen=True, kw_only=True):
    pass


class SystemTold(_Answer, frozen=True, kw_only=True):
    """A system of a visit: what is served, and what its nameplate says where that was recorded."""

    id: str
    title: str = ""
    refrigerant: str = ""
    metering_device: str = ""
    kind: str = ""
    nameplate: dict[str, Any] = {}


class VisitRow(_Answer, frozen=True, kw_only=True):
    """A visit as the shop holds it. `state`: open, closed (the seal is to come), sealed, or removed by the policy.

    `readings_removed_at`: when the policy removed its readings and derived values, so that it has no series any more.
    """

    station: str
    visit: str
    state: Literal["open", "closed", "sealed", "removed"]
    phase: str
    technician: str
    systems: tuple[SystemTold, ...]
    opened_at: datetime | None
    closed_at: datetime | None
    sealed_at: datetime | None
    received_first_at: datetime
    received_last_at: datetime
    readings_removed_at: datetime | None = None


class VisitPage(_Answer, frozen=True, kw_only=True):
    """Visits, the latest opened first; `next` is the cursor of the page after, or null."""

    visits: tuple[VisitRow, ...]
    next: str | None = None


class WantRow(_Answer, frozen=True, kw_only=True):
    """What is wanted of the shop for a visit: part, approval, return_visit; words of people are left out.

    What was taken back by a later entry is not among it.
    """

    station: str
    visit: str
    seq: int
    at: datetime | None
    system: str
    about: str
    sign: str
    title: str
    urgency: str
    wants: tuple[str, ...]
    closed: bool


class WantPage(_Answer, frozen=True, kw_only=True):
    """Wants, the latest first."""

    wants: tuple[WantRow, ...]
    next: str | None = None


class VisitDetail(_Answer, frozen=True, kw_only=True):
    """A visit, how its checks stand, what is open, and what is held of its record."""

    about: VisitRow
    journal: str
    blocks: int
    through: int
    head: str
    checks: dict[str, int]
    findings: int
    wants: tuple[WantRow, ...]


class SettledRow(_Answer, frozen=True, kw_only=True):
    """A value that settled, or (`settled` false) stopped being steady; `u` is its standard uncertainty."""

    seq: int
    at: datetime | None
    system: str
    phase: str
    name: str
    title: str
    settled: bool
    value: float | None
    unit: str
    u: float | None
    low: float | None
    high: float | None
    text: str
    instrument: str
    channel: str
    origin: str
    reason: str


class SettledPage(_Answer, frozen=True, kw_only=True):
    """Settled values in the order of the record."""

    settled: tuple[SettledRow, ...]
    next: str | None = None


class CheckRow(_Answer, frozen=True, kw_only=True):
    """A verdict, whenever it changed; `state` is pass, fail, undecided, not_applicable or advisory."""

    seq: int
    at: datetime | None
    system: str
    phase: str
    name: str
    title: str
    state: str
    value: float | None
    unit: str
    u: float | None
    target: float | None
    low: float | None
    high: float | None
    probability: float | None
    text: str
    rule: str
    source: str
    reason: str


class CheckPage(_Answer, frozen=True, kw_only=True):
    """Verdicts in the order of the record."""

    checks: tuple[CheckRow, ...]
    next: str | None = None


class FindingRow(_Answer, frozen=True, kw_only=True):
    """What explains a system's readings, or (`state` withdrawn) no longer does."""

    seq: int
    at: datetime | None
    system: str
    phase: str
    id: str
    title: str
    state: str
    category: str
    rank: int
    confidence: str
    meaning: str
    next_step: str


class FindingPage(_Answer, frozen=True, kw_only=True):
    """Findings in the order of the record."""

    findings: tuple[FindingRow, ...]
    next: str | None = None


class PlacementRow(_Answer, frozen=True, kw_only=True):
    """Where a channel sat from then on; an empty `point`: nowhere. `supersedes` names the entry that was wrong."""

    seq: int
    at: datetime | None
    instrument: str
    channel: str
    system: str
    point: str
    by: str
    supersedes: int


class PlacementPage(_Answer, frozen=True, kw_only=True):
    """Placements in the order of the record."""

    placements: tuple[PlacementRow, ...]
    next: str | None = None


class EventRow(_Answer, frozen=True, kw_only=True):
    """Another entry of the record, without remarks."""

    seq: int
    at: datetime | None
    t_ns: int
    kind: str
    system: str
    name: str
    body: dict[str, Any]


class EventPage(_Answer, frozen=True, kw_only=True):
    """Events in the order of the record."""

    events: tuple[EventRow, ...]
    next: str | None = None


class ObservationRow(_Answer, frozen=True, kw_only=True):
    """What a person saw, in that person's words; `photo` is a hash to ask for.

    `wants` is as it was said; `withdraws` names an earlier entry whose wants hold no longer.
    """

    seq: int
    at: datetime | None
    system: str
    about: str
    sign: str
    title: str
    text: str
    photo: str
    urgency: str
    wants: tuple[str, ...]
    withdraws: int
    by: str


class ObservationPage(_Answer, frozen=True, kw_only=True):
    """Observations and remarks in the order of the record."""

    observations: tuple[ObservationRow, ...]
    next: str | None = None


class Series(_Answer, frozen=True, kw_only=True):
    """A value over time in at most `points` buckets of equal length, each with its lowest and highest.

    `t` is seconds since 1970 (UTC) at the middle of what the bucket holds; `unit` is SI, `shown_unit` that of `shown`,
    the same as `low` and `high` in customary units. Buckets without a value are left out.
    """

    name: str
    system: str
    title: str
    unit: str
    t: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    count: tuple[int, ...]
    shown_unit: str = ""
    shown_low: tuple[float, ...] = ()
    shown_high: tuple[float, ...] = ()


class SeriesNames(_Answer, frozen=True, kw_only=True):
    """What a visit has values of: readings at points and derived values, as system and name."""

    names: tuple[tuple[str, str, str], ...]  # system, name, title


class StationRow(_Answer, frozen=True, kw_only=True):
    """A station: when something of its record last came, and for how long nothing has."""

    station: str
    received_last_at: datetime | None
    silent_s: float | None
    open_visit: str
    revoked_at: datetime | None


class StationPage(_Answer, frozen=True, kw_only=True):
    """All stations, by name."""

    stations: tuple[StationRow, ...]
    next: str | None = None


class InstrumentRow(_Answer, frozen=True, kw_only=True):
    """A channel as one of its station's last visits introduced it. `standing`: over, soon (30 days), good, unknown."""

    station: str
    instrument: str
    channel: str
    quantity: str
    identity: str
    calibrated: date | None
    calibration_due: date | None
    certificate: str
    standing: Literal["over", "soon", "good", "unknown"]
    seen_at: datetime | None


class InstrumentPage(_Answer, frozen=True, kw_only=True):
    """Channels, the first due first."""

    instruments: tuple[InstrumentRow, ...]
    next: str | None = None


class Problem(_Answer, frozen=True, kw_only=True):
    """Why there is no answer: `what` is wrong, `where`, and `remedy`, what to do about it.

    A problem of RFC 9457: `title` names the status, `detail` says all three in a sentence.
    """

    title: str
    status: int
    detail: str
    what: str
    where: str
    remedy: str
