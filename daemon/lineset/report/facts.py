"""What one visit's record says of a system, put in order: verdicts, findings, settled windows, placements.

Pure. A value that settled under a placement which was put right later counts for nothing here; verdicts that rested on
it are told apart, with the correction.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from lineset.assess.checks import CATALOGUE as CHECKS
from lineset.audit.visit_record import VisitRecord
from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE as DERIVED

DECIDED = ("pass", "fail")
NS = 1e9
B = TypeVar("B", bound=e.AnyBody)


@dataclass(frozen=True, slots=True)
class Told(Generic[B]):
    """An entry's body with its number, visit time in s, and wall time."""

    seq: int
    t_s: float
    wall: datetime
    body: B


@dataclass(frozen=True, slots=True)
class Corrected:
    """A placement that puts an earlier one right, and the verdicts that were given while that one held."""

    was: e.Placed
    was_seq: int
    now: Told[e.Placed]
    verdicts: tuple[Told[e.Checked], ...]


@dataclass(frozen=True)
class SystemFacts:
    """All that a visit's record says of one system.

    `checks` are the last verdict of each phase, `changed_verdicts` those that were decided and then given otherwise,
    `findings` the last word on each cause, `settled` every settled window, `standing` the last one of each name by
    phase.
    """

    record: e.SystemRecord
    checks: tuple[Told[e.Checked], ...]
    changed_verdicts: tuple[Told[e.Checked], ...]
    findings: tuple[Told[e.Finding], ...]
    settled: tuple[Told[e.Settled], ...]
    standing: dict[tuple[str, str], Told[e.Settled]]  # by (phase, name)
    running: dict[tuple[str, str], Told[e.Settled]]  # the same, while it ran only
    stopped: dict[tuple[str, str], Told[e.Settled]]  # the same, while it stood only
    placements: tuple[Told[e.Placed], ...]
    corrected: tuple[Corrected, ...]
    tasks: tuple[Told[e.Marked], ...]
    observations: tuple[Told[e.Observed], ...]
    recalled: tuple[e.Recalled, ...]
    unsteady: tuple[Told[e.TooCoarse] | Told[e.Hunting], ...] = ()  # what could not settle, and why

    def last(
        self, name: str, phases: Sequence[str] = ("after", "drying", "work", "before", "at_rest")
    ) -> e.Settled | None:
        """What last settled under this name, in the first of these phases that has it."""
        return next((self.standing[phase, name].body for phase in phases if (phase, name) in self.standing), None)


def of_system(visit: VisitRecord, system: str) -> SystemFacts:
    """What the record says of this system. Raises KeyError where the visit has none of that id."""
    placements = tuple(_placements(visit, system))
    corrected = tuple(_corrections(visit, system))
    void = _void(visit, corrected, system)
    checks: dict[tuple[str, str], Told[e.Checked]] = {}
    changed = []
    for check in told(visit, e.Checked):
        if check.body.system != system:
            continue
        before = checks.pop((check.body.phase, check.body.name), None)
        if before is not None and before.body.state in DECIDED and before.body.state != check.body.state:
            changed.append(before)
        checks[check.body.phase, check.body.name] = check
    findings = {each.body.id: each for each in told(visit, e.Finding) if each.body.system == system}
    settled = tuple(each for each in told(visit, e.Settled) if each.body.system == system)
    standing = _last(each for each in settled if each.seq not in void)
    tasks: dict[str, Told[e.Marked]] = {}
    for mark in told(visit, e.Marked):
        if mark.body.system == system:
            tasks.pop(mark.body.task, None)
            tasks[mark.body.task] = mark
    return SystemFacts(
        record=visit.systems[system],
        checks=tuple(checks.values()),
        changed_verdicts=tuple(changed),
        findings=tuple(sorted(findings.values(), key=lambda each: (each.body.state != "open", each.body.rank))),
        settled=settled,
        standing=standing,
        running=_last(each for each in settled if each.seq not in void and each.body.run != "stopped"),
        stopped=_last(each for each in settled if each.seq not in void and each.body.run == "stopped"),
        placements=placements,
        corrected=corrected,
        tasks=tuple(tasks.values()),
        observations=tuple(each for each in told(visit, e.Observed) if each.body.system == system),
        unsteady=tuple(_unsteady(visit, system)),
        recalled=tuple(body for _, body in visit.of(e.Recalled) if body.system == system),
    )


def told(visit: VisitRecord, kind: type[B]) -> Iterator[Told[B]]:
    """All entries of a kind with their times."""
    for entry, body in visit.of(kind):
        yield Told(entry.seq, entry.t / NS, visit.wall(entry), body)


def _last(windows: Iterable[Told[e.Settled]]) -> dict[tuple[str, str], Told[e.Settled]]:
    return {(each.body.phase, each.body.name): each for each in windows}


def _placements(visit: VisitRecord, system: str) -> Iterator[Told[e.Placed]]:
    """What was placed at this system, and what was taken away from it."""
    at: dict[tuple[str, str], str] = {}
    for each in told(visit, e.Placed):
        channel = (each.body.instrument, each.body.channel)
        if system in (each.body.system, at.get(channel)):
            yield each
        at[channel] = each.body.system


def _unsteady(visit: VisitRecord, system: str) -> Iterator[Told[e.TooCoarse] | Told[e.Hunting]]:
    yield from (each for each in told(visit, e.TooCoarse) if each.body.system == system)
    yield from (each for each in told(visit, e.Hunting) if each.body.system == system)


def _corrections(visit: VisitRecord, system: str) -> Iterator[Corrected]:
    placed = {each.seq: each for each in told(visit, e.Placed)}
    for now in placed.values():
        was = placed.get(now.body.supersedes)
        if was is None or system not in (was.body.system, now.body.system):
            continue
        rested = _resting_on(was.body.point)
        verdicts = tuple(
            check
            for check in told(visit, e.Checked)
            if was.seq < check.seq < now.seq
            and check.body.system == was.body.system
            and check.body.state in (*DECIDED, "advisory")
            and (check.body.name in rested or was.body.point in rested.get(check.body.name, ()))
        )
        yield Corrected(was.body, was.seq, now, verdicts)


def _resting_on(point: str) -> dict[str, tuple[str, ...]]:
    """Checks that read this point, directly or through derived values."""
    names = {point, *(row.name for row in DERIVED.values() if point in row.inputs)}
    return {check.name: (point,) for check in CHECKS.values() if names & set(check.needs)}


def _void(visit: VisitRecord, corrected: Sequence[Corrected], system: str) -> frozenset[int]:
    """Settled windows that were read at another place than was thought."""
    found = set()
    for each in corrected:
        was = each.was
        for window in told(visit, e.Settled):
            body = window.body
            if not each.was_seq < window.seq < each.now.seq or body.system != system:
                continue
            own = (body.instrument, body.channel, body.name) == (was.instrument, was.channel, was.point)
            if own or was.point in body.inputs:
                found.add(window.seq)
    return frozenset(found)
