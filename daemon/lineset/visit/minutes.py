"""How long a visit still takes: hands and waiting side by side, phase by phase, at this visit's own pace."""

from __future__ import annotations

import math
from collections.abc import Iterable

from lineset.visit.situation import Situation, TaskNow
from lineset.visit.tasks import PHASES, Catalogue, PointRow, TaskRow

_MIN_NS = 60_000_000_000
# The usual minutes count for so many minutes of experience: one quick task does not make a quick visit.
_TRUST_MIN = 10.0
_SLOWEST, _FASTEST = 2.0, 0.5
_SETTLE_MIN = 3.0  # what readings take to settle once the run is long enough (judgement)
# A task that was open for longer than this many times its usual minutes was left open, not worked at.
_LEFT_OPEN = 4.0


def pace(tasks: Iterable[tuple[TaskRow, TaskNow]]) -> float:
    """How long this technician takes over what is usual, from the tasks whose beginning and end were told."""
    usual = took = _TRUST_MIN
    for row, mark in tasks:
        if mark.state != "done" or mark.begun_t < 0 or mark.ended_t <= mark.begun_t or row.minutes <= 0.0:
            continue
        usual += row.minutes
        took += min((mark.ended_t - mark.begun_t) / _MIN_NS, _LEFT_OPEN * row.minutes)
    return min(max(took / usual, _FASTEST), _SLOWEST)


def run_left_min(now: Situation) -> float:
    """Minutes of running that are still wanted before readings of a run may be judged."""
    ran = now.run_s / 60.0 if now.runs else 0.0
    return max(now.run_minutes - ran, 0.0)


def drying_left_min(now: Situation, rows: Catalogue) -> float:
    """Minutes that what is wet usually still takes to dry."""
    left = 0.0
    for id_, since in now.disturbed.items():
        row = rows.disturbances.get(id_)
        if row is not None and row.drying_minutes:
            left = max(left, row.drying_minutes - (now.t - since) / _MIN_NS, 1.0)
    return left


def minutes_left(
    now: Situation, rows: Catalogue, tasks: Iterable[TaskRow], points: Iterable[tuple[PointRow, str]]
) -> float:
    """Whole minutes until this system can be closed; `tasks` and `points` (with their phase) are what is left to do."""
    open_tasks, open_points = list(tasks), list(points)
    speed = pace((rows.tasks[id_], mark) for id_, mark in now.tasks.items() if id_ in rows.tasks)
    here = PHASES.index(now.phase) if now.phase in PHASES else 0
    total = 0.0
    for at in range(here, len(PHASES)):
        phase = PHASES[at]

        def belongs(of: str, at: int = at) -> bool:
            # what an earlier phase left undone is done now
            return max(PHASES.index(of), here) == at

        hands = sum(speed * _task_left(now, row) for row in open_tasks if belongs(row.phase))
        measured = [row for row, of in open_points if of == phase]
        hands += sum(row.minutes for row in measured)
        total += max(hands, _waiting(now, rows, phase, at > here, measured, open_tasks))
    return float(math.ceil(total - 1e-9))


def _task_left(now: Situation, row: TaskRow) -> float:
    mark = now.tasks.get(row.id)
    if mark is None or mark.state != "begun":
        return row.minutes
    return max(row.minutes - (now.t - mark.begun_t) / _MIN_NS, min(1.0, row.minutes))


def _waiting(
    now: Situation, rows: Catalogue, phase: str, later: bool, measured: list[PointRow], open_tasks: list[TaskRow]
) -> float:
    if phase in ("before", "after"):
        if later:
            # the system runs while it dries, and that run goes on
            dried = _drying(now, rows, open_tasks) if phase == "after" else 0.0
            return max(now.run_minutes - dried, 0.0) + _SETTLE_MIN if measured else 0.0
        settling = [now.points[row.name].eta_s for row in measured if row.name in now.points]
        known = max((eta / 60.0 for eta in settling if eta > 0.0), default=_SETTLE_MIN if measured else 0.0)
        return max(run_left_min(now), known) if measured else 0.0
    return _drying(now, rows, open_tasks) if phase == "drying" else 0.0


def _drying(now: Situation, rows: Catalogue, open_tasks: list[TaskRow]) -> float:
    """Minutes of drying that are still to come, from what is wet and from what will be."""
    leaves = [id_ for row in open_tasks for id_ in row.leaves if id_ in rows.disturbances]
    coming = max((rows.disturbances[id_].drying_minutes for id_ in leaves), default=0.0)
    return max(coming, drying_left_min(now, rows))
