"""What was said of the worklist's tasks, and what they disturb: points that cannot settle until they are restored.

A task's `disturbs` and `leaves` begin with it. They end when a task that restores them is done, when the fact is
declared, or (an outdoor coil that dries) when the condenser's reading shows it (`drying`). While one holds, its
points' windows are forgotten, and what is entered there counts for nothing; both begin anew when it ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from lineset.assess.features import FEATURES
from lineset.contract import entry as e
from lineset.engine import drying, hunting, settling
from lineset.engine.state import DisturbedState, EngineState, PointState, SystemState, TaskState
from lineset.equipment.points import POINTS
from lineset.measure.quality import Quality
from lineset.visit.tasks import Catalogue, Disturbance, WorklistError, catalogue
from lineset_drivers.quantity import Quantity

_PORTS = frozenset({"vapor_service_pressure", "liquid_service_pressure"})
_BY_PRESSURE = tuple(row.title for row in FEATURES.values() if _PORTS.intersection(row.points))


ASIDE: dict[str, tuple[Quantity, str]] = {
    "gauges_open": (Quantity.PRESSURE_GAUGE, "the gauges are open to the air"),
    "manometer_open": (Quantity.PRESSURE_DIFFERENCE, "the manometer is open to the room"),
    "thermometers_together": (Quantity.TEMPERATURE, "the thermometers lie together"),
}
"""Fact -> what is away from its points while it holds, and in words why they say nothing"""


@lru_cache(maxsize=8)
def rows_of(text: str) -> Catalogue:
    """The worklist's rows of a record; the shipped ones where the shop's cannot be read by this version."""
    try:
        return catalogue(text)
    except WorklistError:
        return catalogue()


def key_of(state: EngineState, task: str) -> str:
    """Under what a task is kept; a point that is skipped with its phase, of now unless said ("before/power")."""
    return f"{state.phase}/{task}" if task.partition(".")[0] in POINTS else task


def mark(state: EngineState, body: e.Marked) -> list[e.OutputBody]:
    """A task was begun, done, skipped or taken back."""
    system = state.systems.get(body.system)
    if system is None:
        return []
    rows = rows_of(state.worklist)
    key = key_of(state, body.task)
    row = rows.tasks.get(key)
    before = system.tasks.get(key)
    leaves = row.leaves if row is not None else ()
    disturbs = row.disturbs if row is not None else ()
    if body.state == "undone":
        system.tasks.pop(key, None)
        for id_ in [id_ for id_, each in system.disturbed.items() if each.by == key]:
            _end(state, system, rows.disturbances.get(id_), id_)
        return _refresh(state, system, rows)
    begun_t = state.t if body.state == "begun" else before.begun_t if before is not None else -1
    ended_t = -1 if body.state == "begun" else state.t
    system.tasks[key] = TaskState(body.state, begun_t, ended_t, body.note)
    if body.state == "begun":
        for id_ in (*disturbs, *leaves):
            _begin(state, system, rows.disturbances[id_], key)
    elif body.state == "done":
        for id_ in leaves:
            # a task that is written down late opens nothing that was closed since
            closed = any(_done(system, each) for each in rows.disturbances[id_].restored_by)
            if not closed:
                _begin(state, system, rows.disturbances[id_], key)
        for each in rows.disturbances.values():
            if key in each.restored_by and each.id in system.disturbed:
                _end(state, system, each, each.id)
        _close(system, rows, key)
    return _refresh(state, system, rows)


def _done(system: SystemState, task: str) -> bool:
    found = system.tasks.get(task)
    return found is not None and found.state == "done"


def _close(system: SystemState, rows: Catalogue, key: str) -> None:
    """What the task closed is so from now on, also where nobody had said that it was open."""
    for fact in dict.fromkeys(each.fact for each in rows.disturbances.values() if key in each.restored_by):
        if fact and fact not in _open_facts(system, rows):
            system.declared[fact] = True


def _open_facts(system: SystemState, rows: Catalogue) -> list[str]:
    return [rows.disturbances[id_].fact for id_ in system.disturbed if id_ in rows.disturbances]


def declared(state: EngineState, body: e.Declared) -> list[e.OutputBody]:
    """A fact was declared: it may end what is disturbed, or begin it where the fact is of one thing only."""
    system = state.systems.get(body.system)
    if system is None:
        return []
    rows = rows_of(state.worklist)
    if body.fact in ASIDE:
        return _refresh(state, system, rows)
    if body.value is None:
        return []
    meant = [each for each in rows.disturbances.values() if each.fact == body.fact]
    if body.value:
        for each in meant:
            _end(state, system, each, each.id)
    elif len(meant) == 1:
        _begin(state, system, meant[0], "")
    return _refresh(state, system, rows)


def begin_phase(state: EngineState) -> list[e.OutputBody]:
    """A phase begins: what is disturbed stays so, and the fact with it; instruments are back at their points."""
    rows = rows_of(state.worklist)
    out: list[e.OutputBody] = []
    for system in state.systems.values():
        system.asks_gauges.clear()
        for id_ in system.disturbed:
            row = rows.disturbances.get(id_)
            if row is not None and row.fact:
                system.declared[row.fact] = False
        out += _refresh(state, system, rows)
    return out


def look(state: EngineState, system: SystemState) -> list[e.OutputBody]:
    """Once a second: whether the condenser's reading shows that a washed coil is dry."""
    if not system.disturbed:
        return []
    rows = rows_of(state.worklist)
    for id_ in list(system.disturbed):
        row = rows.disturbances.get(id_)
        if row is not None and row.drying and drying.shows_dry(state, system):
            _end(state, system, row, id_)
            return _refresh(state, system, rows)
    return []


def heard(state: EngineState, out: Sequence[e.OutputBody]) -> None:
    """Keep what was collected in which phase, and which findings ask for pressures."""
    for each in out:
        if isinstance(each, e.Settled):
            if each.name.partition(".")[0] in POINTS:
                system = state.systems[each.system]
                origin = "entered" if each.origin == "entered" else "instrument"
                system.collected.setdefault(each.phase, {})[each.name] = origin
        elif isinstance(each, e.Finding):
            asks = state.systems[each.system].asks_gauges
            if each.state != "open":
                asks.pop(each.id, None)
            elif each.category == "refrigerant" or any(title in each.next_step for title in _BY_PRESSURE):
                asks[each.id] = each.title


def words_at(system: SystemState, point_name: str) -> str:
    """Why a point says nothing now; "" where nothing disturbs it."""
    return system.disturbed_points.get(point_name.partition(".")[0], "") if system.disturbed_points else ""


def panel_open(state: EngineState, system: SystemState) -> bool:
    """Whether somebody may have a hand in a panel: declared, or a task opened one that is not closed yet."""
    if system.declared.get("panel_open", False):
        return True
    rows = rows_of(state.worklist)
    return any(rows.disturbances[id_].panel for id_ in system.disturbed if id_ in rows.disturbances)


# -------------------------------------------------------------------------------------------------------- disturbances


def _begin(state: EngineState, system: SystemState, row: Disturbance, by: str) -> None:
    known = system.disturbed.get(row.id)
    if known is None:
        system.disturbed[row.id] = DisturbedState(state.t, by)
    elif row.drying_minutes:
        known.since = state.t  # wetted again
    if row.drying:
        system.drying = None
    if row.fact:
        system.declared[row.fact] = False


def _end(state: EngineState, system: SystemState, row: Disturbance | None, id_: str) -> None:
    if system.disturbed.pop(id_, None) is None or row is None or not row.fact:
        return
    if row.fact not in _open_facts(system, rows_of(state.worklist)):
        system.declared[row.fact] = True


def _refresh(state: EngineState, system: SystemState, rows: Catalogue) -> list[e.OutputBody]:
    """Bring the points in line with what is disturbed now; what had settled at one of them is told to be so no more."""
    now: dict[str, str] = {}
    for id_ in system.disturbed:
        row = rows.disturbances.get(id_)
        for name in row.points if row is not None else ():
            now.setdefault(name, row.says if row is not None else "")
    for fact, (quantity, says) in ASIDE.items():
        if system.declared.get(fact, False):
            for name, known in POINTS.items():
                if known.quantity is quantity:
                    now.setdefault(name, says)
    if now == system.disturbed_points:
        return []
    system.disturbed_points = now
    out: list[e.OutputBody] = []
    for place in system.points.values():
        words = now.get(place.name.partition(".")[0], "")
        if bool(words) != bool(place.disturbed):
            out += _anew(state, system, place, words)
        place.disturbed = words
    for target in system.derived.values():
        words = settling.disturbed_input(system, target.name)
        if words:
            out += _anew(state, system, target, words)
    return out


def _anew(state: EngineState, system: SystemState, place: PointState, words: str) -> list[e.OutputBody]:
    out = hunting.end(state, system, place, words) if words else []
    if words and (place.settled or place.attested):
        out.append(settling.lost(state, system, place, words))
    place.attested = False
    if place.quality is Quality.ENTERED:
        place.value = None  # it was read under other circumstances
    for watch in (place.detector, place.staying):
        if watch is not None:
            watch.reset()
    return out
