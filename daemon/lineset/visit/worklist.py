"""The worklist of one system: what to collect and do, in walking order, as sentences; what is next, what is missing.

Pure: from a `Situation` and the catalogue of rows. Nothing here judges a reading; it says how far it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from lineset.contract.worklist import WorklistItem
from lineset.equipment.display import Units, shown
from lineset.equipment.points import point, short_title
from lineset.equipment.points import title as point_title
from lineset.equipment.walk import stop_of, walking_order
from lineset.visit import words_worklist as words
from lineset.visit.gauges import Gauges, gauges
from lineset.visit.minutes import drying_left_min, minutes_left, run_left_min
from lineset.visit.situation import PointNow, Situation
from lineset.visit.tasks import PHASES, TASK_STOPS, Catalogue, PointRow, TaskRow
from lineset.visit.wanted import OUT_OF_THE_WAY, Wanted

_MEANWHILE = 3
_NOWHERE = PointNow()
# What a standing system shows as well as a running one.
_WITHOUT_RUN = frozenset(
    "line_voltage line_voltage_ab line_voltage_bc line_voltage_ca control_voltage air_handler_voltage "
    "outdoor_air_temperature return_air_temperature return_air_humidity return_air_wet_bulb barometric_pressure "
    "herm_capacitance fan_capacitance blower_capacitance".split()
)


@dataclass(frozen=True)
class Sheet:
    """A worklist as it stands. `next` is the id of what to do next, "" where only waiting is left."""

    system: str
    phase: str
    items: tuple[WorklistItem, ...]
    minutes_left: float
    next: str
    next_sentence: str
    meanwhile: tuple[str, ...]
    missing: tuple[str, ...]
    done: int
    total: int
    gauges: Gauges


class _Item(NamedTuple):
    """An item with where it stands in the order, and what has to come before it."""

    order: tuple[int, ...]
    item: WorklistItem
    first: str = ""  # what has to come before it
    disturbs: bool = False
    idle: bool = False  # it is wanted, nothing sits there yet


def sheet(now: Situation, rows: Catalogue, units: Units = "customary", say: words.Say = words.as_written) -> Sheet:
    """The worklist of a system at this moment, in the phase's own order of walking."""
    return _Writer(now, rows, units, say).sheet()


class _Writer:
    def __init__(self, now: Situation, rows: Catalogue, units: Units, say: words.Say) -> None:
        self._now, self._rows, self._units, self._say = now, rows, units, say
        self._gauges = gauges(now, rows, units, say)
        self._wanted = Wanted(now, rows, gauges_on=self._gauges.on)

    # ----------------------------------------------------------------------------------------------------------- items

    def sheet(self) -> Sheet:
        """The whole sheet."""
        now = self._now
        found = sorted([*map(self._task, self._wanted.tasks), *self._points()], key=lambda each: each.order)
        next_, sentence = self._next(found)
        done, total = self._wanted.counts()
        return Sheet(
            system=now.system.id,
            phase=now.phase,
            items=tuple(each.item for each in found),
            minutes_left=minutes_left(now, self._rows, self._wanted.left_tasks(), self._wanted.left_points()),
            next=next_,
            next_sentence=sentence,
            meanwhile=self._meanwhile(found, next_),
            missing=self._wanted.missing(self._say),
            done=done,
            total=total,
            gauges=self._gauges,
        )

    def _task(self, row: TaskRow) -> _Item:
        say = self._say
        state = self._wanted.states[row.id]
        first = self._first(row)
        mark = self._now.tasks.get(row.id)
        title = _capital(say(row.title))
        if state == "skipped":
            sentence = say(words.SKIPPED).format(title=title, note=mark.note if mark and mark.note else "-")
        elif state in ("done", "not_needed"):
            sentence = say(words.DONE).format(title=title)
        elif state == "doing":
            sentence = say(words.DOING).format(title=title, sentence=say(row.sentence))
        elif first:
            sentence = say(words.TASK_AFTER).format(sentence=say(row.sentence), first=first)
        else:
            sentence = say(row.sentence)
        open_ = state in ("todo", "doing")
        item = WorklistItem(
            id=row.id,
            kind="task",
            stop=row.stop,
            phase=row.phase,
            title=say(row.title),
            state=state,
            sentence=sentence,
            why=say(row.why) if open_ else "",
            caution=self._caution(row.hazards) if open_ else "",
            minutes=row.minutes,
            required=row.required,
        )
        order = (PHASES.index(row.phase), int(row.last), TASK_STOPS.index(row.stop), self._depth(row), 0)
        return _Item(order, item, first, bool(row.disturbs or row.leaves))

    def _depth(self, row: TaskRow, seen: tuple[str, ...] = ()) -> int:
        """How many tasks of its own phase and stop come before a task: those go first on the way."""
        before = [
            self._rows.tasks[id_]
            for id_ in row.after
            if id_ in self._rows.tasks and id_ not in seen and self._rows.tasks[id_].phase == row.phase
        ]
        return max((1 + self._depth(each, (*seen, row.id)) for each in before), default=0)

    def _first(self, row: TaskRow | PointRow) -> str:
        """Titles of the tasks that have to come before this one."""
        return ", ".join(self._say(each.title) for each in self._wanted.first(row))

    def _caution(self, hazards: tuple[str, ...]) -> str:
        system = self._now.system
        texts = [self._rows.caution((id_,), system) for id_ in self._rows.cautions if id_ in hazards]
        return " ".join(self._say(text) for text in texts if text)

    def _points(self) -> Iterator[_Item]:
        phase = {"at_rest": "before", "drying": "after"}.get(self._now.phase, self._now.phase)
        done: set[str] = set()
        for row, name in (*self._wanted.points(self._now.phase), *self._wanted.points(phase)):
            if name not in done:
                done.add(name)
                at = self._now.phase if self._now.phase in row.phases else phase
                yield self._point(row, name, at)
        if not self._gauges.on and phase in ("before", "after"):
            for row in self._rows.points.values():
                if row.gauges and phase in row.phases and row.name not in done:
                    yield self._stays_off(row, phase)

    def _stays_off(self, row: PointRow, phase: str) -> _Item:
        title = self._title(row.name)
        why = self._gauges.sentence
        if self._gauges.decided and self._gauges.proved:
            proved = ", ".join(self._say(each) for each in self._gauges.proved)
            why = f"{why} {self._say(words.PROVED).format(proved=proved)}"
        item = WorklistItem(
            id=row.name,
            kind="point",
            stop=stop_of(row.name),
            phase=phase,
            title=point_title(row.name, self._say),
            state="not_needed",
            sentence=self._say(words.STAYS_OFF).format(title=title, why=why),
            required=False,
        )
        return _Item(_point_order(phase, row.name), item)

    def _point(self, row: PointRow, name: str, phase: str) -> _Item:
        here = self._now.points.get(name, _NOWHERE)
        first = self._first(row)
        state, sentence = self._told(row, name, phase, here, first)
        value = "" if here.value is None or state == "todo" else self._shown(name, here.value)
        open_ = state not in OUT_OF_THE_WAY
        why = self._say(row.why) if open_ else ""
        if row.gauges and open_ and not here.placed:
            why = f"{self._gauges.sentence} {_capital(why)}".strip()
        item = WorklistItem(
            id=name,
            kind="point",
            stop=stop_of(name),
            phase=phase,
            title=point_title(name, self._say),
            state=state,
            sentence=sentence,
            value=value,
            why=why,
            caution=self._caution(row.hazards) if open_ else "",
            eta_s=round(here.eta_s, 1) if state == "settling" and here.eta_s >= 0.0 else None,
            minutes=row.minutes,
            required=row.required,
        )
        return _Item(_point_order(phase, name), item, first, idle=not here.placed)

    def _told(self, row: PointRow, name: str, phase: str, here: PointNow, first: str) -> tuple[str, str]:
        """State and sentence of a point."""
        now, say, title = self._now, self._say, self._title(name)

        def told(state: str, template: str, **more: str) -> tuple[str, str]:
            value = self._shown(name, here.value) if here.value is not None else ""
            return state, say(template).format(title=title, value=value, **more)

        mark = now.tasks.get(f"{phase}/{name}")
        for other in row.instead:
            if now.has(phase, other) and not now.has(phase, name):
                return "not_needed", say(words.DONE).format(title=self._title(other))
        if now.has(phase, name):
            entered = now.collected[phase][name] == "entered"
            return told("settled", words.ENTERED if entered else words.SETTLED)
        if mark is not None and mark.state == "skipped":
            return told("skipped", words.SKIPPED, note=mark.note or "-")
        if name in now.questioned:
            return told("questioned", words.QUESTIONED)
        if here.disturbed and here.disturbed in self._rows.disturbances:
            return told("disturbed", words.DISTURBED, says=say(self._rows.disturbances[here.disturbed].says))
        if here.placed and phase == now.phase:
            if not here.usable or here.value is None:
                return told("todo", words.SILENT)
            if here.coarse:
                return told("todo", words.COARSE)
            if here.hunting:
                return told("hunting", words.HUNTING)
            if here.eta_s > 0.0:
                return told("settling", words.SETTLING, time=words.time_words(here.eta_s, say))
            return told("settling", words.UNSTEADY)
        if first:
            return told("todo", words.AFTER_FIRST, first=first)
        if now.run == "stopped" and phase == now.phase and name.partition(".")[0] not in _WITHOUT_RUN:
            return told("todo", words.RUN_FIRST)
        return told("todo", words.PLACE if point(name).quantity in now.quantities else words.ENTER)

    def _title(self, name: str) -> str:
        return _capital(short_title(name, self._say))

    def _shown(self, name: str, value: float) -> str:
        return shown(value, point(name).quantity, self._units, say=self._say)

    # ------------------------------------------------------------------------------------------------- what to do next

    def _next(self, found: list[_Item]) -> tuple[str, str]:
        say, now = self._say, self._now
        doing = [each.item for each in found if each.item.state == "doing"]
        if doing:
            return doing[0].id, doing[0].sentence
        ready = [each.item for each in found if self._ready(each)]
        ready.sort(key=lambda item: not item.required)
        if ready:
            return ready[0].id, ready[0].sentence
        waiting = [each.item for each in found if each.item.state in ("settling", "hunting")]
        if now.phase in ("before", "after") and waiting and run_left_min(now) > 1.0 and now.runs:
            return "", say(words.WAIT_RUN).format(time=words.time_words(run_left_min(now) * 60.0, say))
        if waiting:
            longest = max(waiting, key=lambda item: item.eta_s if item.eta_s is not None else 0.0)
            return "", say(words.WAIT).format(what=longest.sentence)
        drying = drying_left_min(now, self._rows)
        if now.phase == "drying" and drying:
            return "", say(words.DRYING).format(time=words.time_words(drying * 60.0, say))
        blocked = [each.item for each in found if each.item.phase == now.phase and self._open(each)]
        blocked = [item for item in blocked if item.required]
        if blocked:
            return blocked[0].id, blocked[0].sentence
        for phase in PHASES[self._wanted.here + 1 :]:
            return "", say(words.NEXT_PHASE[phase])
        return "", say(words.ALL_DONE)

    def _open(self, each: _Item) -> bool:
        return each.item.state not in OUT_OF_THE_WAY

    def _ready(self, each: _Item) -> bool:
        """Whether somebody could begin it now: of this phase or an earlier one, and nothing has to come before it."""
        item = each.item
        if item.state != "todo" or each.first:
            return False
        if item.kind == "point":
            stopped = self._now.run == "stopped" and item.id.partition(".")[0] not in _WITHOUT_RUN
            return item.phase == self._now.phase and each.idle and not stopped
        return PHASES.index(item.phase) <= self._wanted.here

    def _meanwhile(self, found: list[_Item], next_: str) -> tuple[str, ...]:
        """What can be done while something settles, dries or runs in, and disturbs nothing."""
        waits = any(each.item.state in ("settling", "hunting") for each in found)
        waits = waits or (self._now.phase in ("before", "after") and self._now.runs and run_left_min(self._now) > 0.0)
        waits = waits or (self._now.phase == "drying" and drying_left_min(self._now, self._rows) > 0.0)
        if not waits:
            return ()
        ready = [each.item for each in found if self._ready(each) and not each.disturbs and each.item.id != next_]
        return tuple(item.sentence for item in ready[:_MEANWHILE])


def _point_order(phase: str, name: str) -> tuple[int, ...]:
    place, instance = walking_order(name)
    # points come after the tasks of the same stop: what opens or starts something goes first
    return PHASES.index(phase), 0, TASK_STOPS.index(stop_of(name)), 50 + place, instance


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
