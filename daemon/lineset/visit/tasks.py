"""What a visit has to collect and do, as data: tasks, points, cautions, disturbances; a shop adds or replaces rows.

The shipped rows are the TOML files of `sheets/`. A shop's file has the same tables; a row with a known id (or name, of
a point) replaces single keys of the shipped one, `drop = true` takes it away, and a new id adds a row. Everything is
checked whole, each problem with key, line and remedy.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from lineset.assess.evidence import FACTS
from lineset.equipment.nameplate import MOTOR_KINDS
from lineset.equipment.points import POINTS
from lineset.equipment.system import KINDS, METERING_DEVICES, SystemRecord
from lineset.equipment.walk import STOPS
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import REFRIGERANTS, canonical_name
from lineset_drivers.errors import ProfileError
from lineset_drivers.toml_text import Table, near, parse

PHASES = ("at_rest", "before", "work", "drying", "after")
THERMOSTAT = "at the thermostat"
TASK_STOPS = (THERMOSTAT, *STOPS)
AUTO = ("", "running", "stopped")
GAUGES = ("cause", "always", "never")
_FILES = ("ground", "outdoor", "electrical", "indoor", "points")
_ID = r"[a-z][a-z0-9_]{0,47}"
_MOTORS = ("compressor_motor", "outdoor_fan_motor", "blower_motor")
_SOURCE = "common practice, no source"


class WorklistError(ValueError):
    """A worklist file that cannot be used; `problems` holds every one of them, with key, line and remedy."""

    def __init__(self, problems: list[ProfileError]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


@dataclass(frozen=True)
class Needs:
    """The systems that a row is for. An empty tuple asks nothing; what is not known of a system excludes nothing.

    `motors` maps a motor of the nameplate to kinds; one that fits is enough. `strips`: only where the nameplate names
    heat strips.
    """

    kinds: tuple[str, ...] = ()
    metering: tuple[str, ...] = ()
    motors: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    strips: bool = False

    def fit(self, system: SystemRecord) -> bool:
        """Whether the row is for this system."""
        plate = system.nameplate
        if self.kinds and system.kind and system.kind not in self.kinds:
            return False
        if self.metering and system.metering_device and system.metering_device not in self.metering:
            return False
        if self.strips and not plate.heat_strip_w:
            return False
        if not self.motors:
            return True
        given = {motor: getattr(plate, motor) for motor in self.motors}
        return any(not kind or kind in self.motors[motor] for motor, kind in given.items())


@dataclass(frozen=True)
class TaskRow:
    """One task. `after` are tasks that come before it; `last`: it closes what the tasks opened that are `behind` it.

    `disturbs` holds from its beginning until it is done, `leaves` from its beginning until something else restores it.
    `auto`: the run state that shows it done by itself.
    """

    id: str
    stop: str
    phase: str
    title: str
    sentence: str
    why: str
    minutes: float
    required: bool = True
    after: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    disturbs: tuple[str, ...] = ()
    leaves: tuple[str, ...] = ()
    signs: tuple[str, ...] = ()
    auto: str = ""
    last: bool = False
    behind: str = ""  # the task that closes the panel behind which this one is done
    source: str = _SOURCE
    needs: Needs = Needs()


@dataclass(frozen=True)
class PointRow:
    """One point to be measured in `phases`; `instead` are points any of which does as well."""

    name: str
    phases: tuple[str, ...]
    why: str
    required: bool = True
    gauges: bool = False
    minutes: float = 0.5
    after: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()
    needs: Needs = Needs()


@dataclass(frozen=True)
class Caution:
    """The usual caution where a hand is; `classes` are the refrigerants' safety classes that it belongs to, () any."""

    id: str
    text: str
    classes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Disturbance:
    """A state of the equipment in which `points` say nothing that a verdict may lean on.

    It ends when a task of `restored_by` is done or `fact` is declared; `drying`: also when the condenser's reading
    shows that the coil is dry. `panel`: somebody may have his hands in it.
    """

    id: str
    says: str
    points: tuple[str, ...]
    fact: str = ""
    restored_by: tuple[str, ...] = ()
    panel: bool = False
    drying: bool = False
    drying_minutes: float = 0.0


@dataclass(frozen=True)
class Catalogue:
    """Everything that a worklist is made from. `gauges` is cause, always or never."""

    tasks: Mapping[str, TaskRow]
    points: Mapping[str, PointRow]
    cautions: Mapping[str, Caution]
    disturbances: Mapping[str, Disturbance]
    gauges: str = "cause"
    name: str = ""  # of the shop's file

    def caution(self, hazards: Iterable[str], system: SystemRecord) -> str:
        """The sentences that belong to these hazards at this system, in the order of the table."""
        wanted = set(hazards)
        safety = safety_class(system)
        return " ".join(
            row.text
            for row in self.cautions.values()
            if row.id in wanted and (not row.classes or safety == "" or safety in row.classes)
        )

    def nearest(self, word: str) -> str:
        """What may have been meant, for a message; all ids where nothing is near."""
        known = (*self.tasks, *self.points)
        return near(word, known) or f"Known: {', '.join(self.tasks)}. "

    def sentences(self) -> tuple[str, ...]:
        """Every text of the shipped rows that a person sees, for a catalogue of translations."""
        said: list[str] = []
        for task in self.tasks.values():
            said += [task.title, task.sentence, task.why]
        said += [row.why for row in self.points.values()]
        said += [row.text for row in self.cautions.values()]
        said += [row.says for row in self.disturbances.values()]
        return tuple(dict.fromkeys(each for each in said if each))


def safety_class(system: SystemRecord) -> str:
    """A1, A2L or A3; "" for a refrigerant that is not known (then every caution is given)."""
    try:
        name = canonical_name(system.refrigerant)
    except PhysicsError:
        return ""
    found = REFRIGERANTS.get(name) if name else None
    return found.safety_class if found is not None else ""


@lru_cache(maxsize=8)
def catalogue(text: str = "") -> Catalogue:
    """The shipped rows with a shop's file over them. Raises WorklistError with every problem found."""
    return read_worklist(text, "the shop's worklist")


def read_worklist(text: str, file: str) -> Catalogue:
    """The shipped rows with this TOML text over them. Raises WorklistError with every problem found."""
    found = _shipped()
    if not text.strip():
        return found
    root = parse(text, file)
    if root.problems:
        raise WorklistError(root.problems)
    found = _Reading(found).read(root)
    if root.problems:
        raise WorklistError(root.problems)
    return found


@lru_cache(maxsize=1)
def _shipped() -> Catalogue:
    folder = Path(__file__).parent / "sheets"
    found = Catalogue({}, {}, {}, {})
    problems: list[ProfileError] = []
    roots = []
    for name in _FILES:
        file = folder / f"{name}.toml"
        root = parse(file.read_text(encoding="utf-8"), str(file))
        problems += root.problems
        roots.append(root)
    if not problems:
        # tasks of one file name tasks of another: what they refer to is looked at when all are read
        reading = _Reading(found)
        for root in roots:
            reading.take(root)
        found = reading.done()
        problems = [problem for root in roots for problem in root.problems]
    if problems:
        raise WorklistError(problems)
    return found


class _Reading:
    """Rows over the rows that are there; what refers to another row is looked at in the end."""

    def __init__(self, base: Catalogue) -> None:
        self._tasks, self._points = dict(base.tasks), dict(base.points)
        self._cautions, self._disturbances = dict(base.cautions), dict(base.disturbances)
        self._gauges, self._name = base.gauges, base.name
        self._refers: list[tuple[Table, str, tuple[str, ...], str]] = []

    def read(self, root: Table) -> Catalogue:
        self.take(root)
        return self.done()

    def take(self, root: Table) -> None:
        """Take up the rows of one file."""
        self._name = root.text("name", self._name)
        gauges = root.table("gauges")
        self._gauges = gauges.text("when", self._gauges, one_of=GAUGES)
        gauges.finish()
        for table in root.tables("caution"):
            self._caution(table)
        for table in root.tables("disturbance"):
            self._disturbance(table)
        for table in root.tables("task"):
            self._task(table)
        for table in root.tables("point"):
            self._point(table)
        root.finish()

    def done(self) -> Catalogue:
        """All rows, once every name that they refer to is known."""
        known: dict[str, Mapping[str, object]] = {
            "task": self._tasks,
            "caution": self._cautions,
            "disturbance": self._disturbances,
        }
        for table, key, names, what in self._refers:
            for name in names:
                if name not in known[what]:
                    remedy = f"{near(name, known[what])}Known: {', '.join(known[what]) or 'none'}"
                    table.problem(key, f"no {what} is called {name!r}", remedy)
        return Catalogue(self._tasks, self._points, self._cautions, self._disturbances, self._gauges, self._name)

    def _names(self, table: Table, key: str, usual: tuple[str, ...], what: str) -> tuple[str, ...]:
        found: tuple[str, ...] = table.items(key, (str,), usual, example=f'["a_{what}"]')
        self._refers.append((table, key, found, what))
        return found

    def _name_of(self, table: Table, key: str, usual: str, what: str) -> str:
        found: str = table.text(key, usual)
        self._refers.append((table, key, (found,) if found else (), what))
        return found

    def _caution(self, table: Table) -> None:
        id_ = table.text("id", regex=_ID, example='"voltage"')
        old = self._cautions.get(id_)
        classes = _listed(table, "refrigerants", old.classes if old else (), ("A1", "A2L", "A3"))
        said = _words(table, "text", old.text if old else None)
        table.finish()
        self._cautions[id_] = Caution(id_, said, classes)

    def _disturbance(self, table: Table) -> None:
        id_ = table.text("id", regex=_ID, example='"filter_out"')
        old = self._disturbances.get(id_)
        row = Disturbance(
            id_,
            _words(table, "says", old.says if old else None),
            _listed(table, "points", old.points if old else (), tuple(POINTS)),
            table.text("fact", old.fact if old else "", one_of=("", *FACTS)),
            self._names(table, "restored_by", old.restored_by if old else (), "task"),
            table.boolean("panel", old.panel if old else False),
            table.boolean("drying", old.drying if old else False),
            table.number("drying_minutes", old.drying_minutes if old else 0.0, least=0.0, most=240.0),
        )
        table.finish()
        if not row.fact and not row.restored_by:
            table.problem("restored_by", "nothing would ever end this", "Name a task that restores it, or a fact")
        self._disturbances[id_] = row

    def _task(self, table: Table) -> None:
        id_ = table.text("id", regex=_ID, example='"wash_outdoor_coil"')
        old = self._tasks.get(id_)
        if table.boolean("drop", False):
            table.finish()
            if old is None:
                table.problem("id", f"no task is called {id_!r}", f"{near(id_, self._tasks)}Only known ones go away")
            self._tasks.pop(id_, None)
            return
        row = TaskRow(
            id=id_,
            stop=_one(table, "stop", old.stop if old else None, TASK_STOPS),
            phase=_one(table, "phase", old.phase if old else None, PHASES),
            title=_words(table, "title", old.title if old else None),
            sentence=_words(table, "sentence", old.sentence if old else None),
            why=_words(table, "why", old.why if old else None),
            minutes=table.number("minutes", old.minutes if old else 2.0, least=0.0, most=240.0),
            required=table.boolean("required", old.required if old else True),
            after=self._names(table, "after", old.after if old else (), "task"),
            hazards=self._names(table, "hazards", old.hazards if old else (), "caution"),
            disturbs=self._names(table, "disturbs", old.disturbs if old else (), "disturbance"),
            leaves=self._names(table, "leaves", old.leaves if old else (), "disturbance"),
            signs=table.items("signs", (str,), old.signs if old else ()),
            auto=table.text("auto", old.auto if old else "", one_of=AUTO),
            last=table.boolean("last", old.last if old else False),
            behind=self._name_of(table, "behind", old.behind if old else "", "task"),
            source=table.text("source", old.source if old else _SOURCE),
            needs=_needs(table, old.needs if old else Needs()),
        )
        table.finish()
        if id_ in POINTS:
            table.problem("id", f"{id_!r} is the name of a point", "Give the task a name of its own")
        self._tasks[id_] = row

    def _point(self, table: Table) -> None:
        name = table.text("name", one_of=tuple(POINTS))
        old = self._points.get(name)
        if table.boolean("drop", False):
            table.finish()
            self._points.pop(name, None)
            return
        row = PointRow(
            name=name,
            phases=_listed(table, "phases", old.phases if old else ("before", "after"), PHASES),
            why=_words(table, "why", old.why if old else ""),
            required=table.boolean("required", old.required if old else True),
            gauges=table.boolean("gauges", old.gauges if old else False),
            minutes=table.number("minutes", old.minutes if old else 0.5, least=0.0, most=60.0),
            after=self._names(table, "after", old.after if old else (), "task"),
            hazards=self._names(table, "hazards", old.hazards if old else (), "caution"),
            instead=_listed(table, "instead", old.instead if old else (), tuple(POINTS)),
            needs=_needs(table, old.needs if old else Needs()),
        )
        table.finish()
        self._points[name] = row


def _words(table: Table, key: str, usual: str | None) -> str:
    found: str = table.text(key, example='"..."') if usual is None else table.text(key, usual)
    return found


def _one(table: Table, key: str, usual: str | None, known: tuple[str, ...]) -> str:
    found: str = table.text(key, one_of=known) if usual is None else table.text(key, usual, one_of=known)
    return found


def _listed(table: Table, key: str, usual: tuple[str, ...], known: tuple[str, ...]) -> tuple[str, ...]:
    found: tuple[str, ...] = table.items(key, (str,), usual, example=f'["{known[0]}"]')
    for each in found:
        if each not in known:
            table.problem(key, f"{each!r} is not known here", f"{near(each, known)}Use names of {', '.join(known[:8])}")
    return found


def _needs(table: Table, usual: Needs) -> Needs:
    motors = dict(usual.motors)
    if "motors" in table:
        given = table.table("motors")
        motors = {motor: _listed(given, motor, (), MOTOR_KINDS) for motor in given if motor in _MOTORS}
        given.finish()
    return Needs(
        _listed(table, "kinds", usual.kinds, KINDS),
        _listed(table, "metering", usual.metering, METERING_DEVICES),
        motors,
        table.boolean("strips", usual.strips),
    )
