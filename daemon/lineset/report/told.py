"""All that one report tells, gathered: the visit, its systems, what changed, how it went from visit to visit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import msgspec

from lineset.audit.visit_record import VisitRecord
from lineset.contract import entry as e
from lineset.journal.verify import Verification
from lineset.report.change import CONDITIONS, Change, changes
from lineset.report.facts import NS, SystemFacts, of_system, told
from lineset.report.series import Series
from lineset.report.trend import Point, Trend, trend

# value -> (check that holds its limit, it can only fall by itself)
_TRENDS: Mapping[str, tuple[tuple[str, ...], bool]] = {
    "herm_capacitance": (("herm_capacitor_bench",), True),
    "fan_capacitance": (("fan_capacitor_bench",), True),
    "blower_capacitance": (("blower_capacitor_bench",), True),
    "herm_capacitance_under_load": (("herm_capacitor_under_load",), True),
    "fan_capacitance_under_load": (("fan_capacitor_under_load",), True),
    "compressor_common_current": (("compressor_amps",), False),
    "outdoor_fan_current": (("outdoor_fan_amps",), False),
    "blower_current": (("blower_amps",), False),
    "temperature_split": (("split",), False),
    "total_external_static": (("static",), False),
}
# Which of them the weather moves, so that visits cannot be laid side by side as measured.
_WEATHER = ("compressor_common_current", "outdoor_fan_current")
_OVER_TARGET = {"temperature_split": "split"}
_YEAR_NS = 365.25 * 86400.0 * NS


@dataclass(frozen=True)
class SystemTold:
    """One system: facts, what changed in the visit, what moved over the visits, and its readings for pictures."""

    facts: SystemFacts
    changes: tuple[Change, ...]
    conditions: Mapping[str, tuple[e.Settled, e.Settled]]
    trends: tuple[Trend, ...]


@dataclass(frozen=True)
class ReportFacts:
    """Everything that a report of one visit says, without a language or units."""

    visit: VisitRecord
    verification: Verification
    systems: tuple[SystemTold, ...]
    series: Mapping[tuple[str, str], Series] = field(default_factory=dict)
    no_series: str = ""  # why the readings could not be played back
    unread: tuple[str, ...] = ()  # earlier journals that cannot be read, with the reason

    @property
    def mark(self) -> str:
        """What stands on every page: "", not_closed, not_sealed, or seal_bad."""
        if self.verification.problems or (self.visit.seal is not None and not self.visit.sealed_well):
            return "seal_bad"
        if self.visit.closed is None:
            return "not_closed"
        return "not_sealed" if self.visit.seal is None else ""


def gather(
    visit: VisitRecord, verification: Verification, earlier: Sequence[VisitRecord] = (),
    series: Mapping[tuple[str, str], Series] | None = None, *, no_series: str = "", unread: Sequence[str] = (),
) -> ReportFacts:  # fmt: skip
    """What a visit's record says, with earlier visits of the same systems beside it. Pure."""
    systems = tuple(_system(visit, system, earlier) for system in visit.systems)
    return ReportFacts(visit, verification, systems, series or {}, no_series, tuple(unread))


def _system(visit: VisitRecord, system: str, earlier: Sequence[VisitRecord]) -> SystemTold:
    facts = of_system(visit, system)
    before, after = _both_times(facts)
    checks = {(each.body.phase, each.body.name): each.body for each in facts.checks}
    conditions = {name: pair for name in CONDITIONS if (pair := _condition(facts, name, before, after)) is not None}
    found = changes(before, after, checks, _moved(visit), conditions)
    past = [of_system(each, system) for each in earlier if system in each.systems]
    when = [each.opened for each in earlier if system in each.systems]
    trends = _trends([*zip(when, past, strict=True), (visit.opened, facts)])
    return SystemTold(facts, tuple(found), conditions, tuple(trends))


def _both_times(facts: SystemFacts) -> tuple[dict[str, e.Settled], dict[str, e.Settled]]:
    """What settled last before the work and after it, the system running both times, or else standing both times."""
    before: dict[str, e.Settled] = {}
    after: dict[str, e.Settled] = {}
    for windows in (facts.running, facts.stopped):
        for (phase, name), second in windows.items():
            first = windows.get(("before", name))
            if phase == "after" and first is not None and name not in after:
                before[name], after[name] = first.body, second.body
    return before, after


def _condition(
    facts: SystemFacts, name: str, before: Mapping[str, e.Settled], after: Mapping[str, e.Settled]
) -> tuple[e.Settled, e.Settled] | None:
    """A condition before and after: as it settled, or as it went into a derived value that settled while it ran."""
    if name in before and name in after:
        return before[name], after[name]
    known = facts.last(name)
    if known is None:
        return None
    found = []
    for phase in ("before", "after"):
        window = facts.running.get((phase, name))
        inputs = [
            each.body.inputs[name]
            for (at, _), each in facts.running.items()
            if at == phase and name in each.body.inputs
        ]
        if window is not None:
            found.append(window.body)
        elif inputs:
            found.append(msgspec.structs.replace(known, phase=phase, value=inputs[-1]))
    return (found[0], found[1]) if len(found) == 2 else None


def _moved(visit: VisitRecord) -> set[tuple[str, str]]:
    """Channels that were placed anew between the end of `before` and the visit's end."""
    moved, after_before = set(), False
    for entry in visit.entries:
        if isinstance(entry.body, e.Phased):
            after_before = entry.body.phase in ("work", "drying", "after")
        elif isinstance(entry.body, e.Placed) and after_before:
            moved.add((entry.body.instrument, entry.body.channel))
    return moved


def _trends(visits: Sequence[tuple[e.Opened, SystemFacts]]) -> list[Trend]:
    found = []
    for name, (checks, wears_down) in _TRENDS.items():
        points, outdoors, limit, unit = [], [], None, ""
        over = _OVER_TARGET.get(name)
        for opened, facts in sorted(visits, key=lambda each: each[0].wall_ns):
            body = facts.last(name)
            if body is None or not body.u > 0.0:
                continue
            check = next(
                (
                    each.body
                    for each in reversed(facts.checks)
                    if each.body.name in checks and each.body.value is not None
                ),
                None,
            )
            target = check.target if over and check is not None else None
            if over and target is None:
                continue
            value = body.value - (target or 0.0)
            points.append(Point(opened.wall_ns / _YEAR_NS, value, body.u, opened.visit))
            outside = facts.last("outdoor_air_temperature", (body.phase, "before", "after"))
            outdoors.append(outside.value if outside is not None else None)
            unit = body.unit
            if check is not None and not over:
                limit = check.low if wears_down else check.high
        if len(points) >= 2:
            found.append(
                trend(
                    name,
                    unit,
                    points,
                    limit=limit,
                    wears_down=wears_down,
                    outdoors=outdoors,
                    comparable=name not in _WEATHER,
                )
            )
    return found


def course(visit: VisitRecord) -> list[e.Entry]:
    """What tells how a visit went: opening, phases, clock, gaps, losses, remarks, closing; in order."""
    kinds = (e.Opened, e.Phased, e.WallClock, e.Resumed, e.Overrun, e.Noted, e.Closed)
    return [entry for entry in visit.entries if isinstance(entry.body, kinds)]


def comparisons(visit: VisitRecord) -> list[e.Compared]:
    """All comparisons at rest, in order."""
    return [each.body for each in told(visit, e.Compared)]
