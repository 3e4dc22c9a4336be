"""What a visit still wants of one system: points by phase, tasks and how they stand, and what closing would miss."""

from __future__ import annotations

from collections.abc import Iterator

from lineset.equipment.points import point
from lineset.equipment.points import title as point_title
from lineset.equipment.walk import walking_order
from lineset.visit import words_worklist as words
from lineset.visit.gauges import gauges
from lineset.visit.situation import Situation
from lineset.visit.tasks import PHASES, Catalogue, PointRow, TaskRow
from lineset_drivers.quantity import Quantity

OUT_OF_THE_WAY = frozenset({"settled", "done", "skipped", "not_needed"})
# What a clamp or a meter's leads visit one after the other.
_ROAMING = frozenset({Quantity.CURRENT, Quantity.VOLTAGE})


class Wanted:
    """The tasks and points of one system at one moment; `states` maps tasks to todo, doing, done, skipped, not_needed.

    `here` is the number of the present phase.
    """

    def __init__(self, now: Situation, rows: Catalogue, *, gauges_on: bool) -> None:
        self._now, self._rows, self._gauges_on = now, rows, gauges_on
        self.here = PHASES.index(now.phase) if now.phase in PHASES else 0
        self.tasks = [row for row in rows.tasks.values() if row.needs.fit(now.system)]
        self.states = {row.id: self._task_state(row) for row in self.tasks}

    def points(self, phase: str) -> Iterator[tuple[PointRow, str]]:
        """The points of a phase with their instances, those of gauges that stay off left out."""
        for row in self._rows.points.values():
            if phase not in row.phases or not row.needs.fit(self._now.system):
                continue
            if row.gauges and not ((self._gauges_on and phase != "at_rest") or self._measured(phase, row.name)):
                continue
            strips = len(self._now.system.nameplate.heat_strip_w) if row.needs.strips else 0
            names = [f"{row.name}.{n}" for n in range(1, strips + 1)] if strips > 1 else [row.name]
            for name in names:
                yield row, name

    def measured(self, phase: str, name: str) -> bool:
        """Whether a point, or what does as well, was measured in a phase or skipped with a reason."""
        row = self._rows.points.get(name.partition(".")[0])
        return any(self._measured(phase, each) for each in (name, *(row.instead if row else ())))

    def _measured(self, phase: str, name: str) -> bool:
        if self._now.has(phase, name):
            return True
        mark = self._now.tasks.get(f"{phase}/{name}")
        return mark is not None and mark.state == "skipped"

    def _task_state(self, row: TaskRow) -> str:
        now = self._now
        mark = now.tasks.get(row.id)
        if row.auto and mark is None:
            if PHASES.index(row.phase) < self.here:
                return "not_needed"
            shows = now.runs if row.auto == "running" else now.run == "stopped"
            return "done" if shows and row.phase == now.phase else "todo"
        if mark is None or mark.state == "undone":
            return "todo"
        if mark.state == "begun":
            return "doing"
        active = (self._rows.disturbances[id_] for id_ in now.disturbed if id_ in self._rows.disturbances)
        if any(row.id in each.restored_by for each in active):
            return "todo"  # what it had closed is open again
        return mark.state

    def left_tasks(self) -> list[TaskRow]:
        """The tasks that are not out of the way."""
        return [row for row in self.tasks if self.states[row.id] not in OUT_OF_THE_WAY]

    def left_points(self) -> list[tuple[PointRow, str]]:
        """The points still to measure, each with its phase; those of earlier phases can be measured no more."""
        return [
            (row, phase)
            for phase in PHASES[self.here :]
            for row, name in self.points(phase)
            if not self.measured(phase, name)
        ]

    def first(self, row: TaskRow | PointRow) -> list[TaskRow]:
        """The tasks that have to come before this row and are not out of the way."""
        waits = [self._rows.tasks[id_] for id_ in row.after if self.states.get(id_, "done") in ("todo", "doing")]
        if isinstance(row, TaskRow) and row.last:
            behind = [each for each in self.left_tasks() if each.behind == row.id]
            waits += [each for each in behind if each.required and each not in waits]
        return waits

    def counts(self) -> tuple[int, int]:
        """How many tasks and points of the whole visit are out of the way, and how many there are."""
        states = list(self.states.values())
        done = sum(state in ("done", "skipped") for state in states)
        total = sum(state != "not_needed" for state in states)
        for phase in PHASES:
            for _, name in self.points(phase):
                total += 1
                done += self.measured(phase, name)
        return done, total

    def missing(self, say: words.Say) -> tuple[str, ...]:
        """What stands between now and closing, as words without a full stop."""
        now = self._now
        said = [say(self._rows.disturbances[id_].says) for id_ in now.disturbed if id_ in self._rows.disturbances]
        said += [
            say(words.MISSING_TASK).format(title=say(row.title))
            for row in self.left_tasks()
            if row.required and not row.auto
        ]
        for phase in PHASES:
            for row, name in self.points(phase):
                if row.required and not self.measured(phase, name):
                    title, when = point_title(name, say), say(words.PHASE_WORDS[phase])
                    said.append(say(words.MISSING_POINT).format(title=title, phase=when))
        return tuple(said)


def wanted(now: Situation, rows: Catalogue) -> Wanted:
    """What is wanted at this moment, gauges decided by their own rule."""
    return Wanted(now, rows, gauges_on=gauges(now, rows).on)


def missing(now: Situation, rows: Catalogue, say: words.Say = words.as_written) -> tuple[str, ...]:
    """What stands between now and closing: what is disturbed, undone tasks, points not measured."""
    return wanted(now, rows).missing(say)


def clamp_order(now: Situation, rows: Catalogue) -> tuple[str, ...]:
    """The points that a roaming clamp or a meter's leads still have to visit in this phase, in walking order."""
    found = wanted(now, rows)
    names = [name for row, name in found.points(now.phase) if point(name).quantity in _ROAMING and not row.gauges]
    return tuple(sorted((name for name in names if not found.measured(now.phase, name)), key=walking_order))
