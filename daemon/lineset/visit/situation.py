"""What a worklist is made from: one system at one moment, as plain data. Values SI, times visit time in ns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from lineset.equipment.system import SystemRecord

_NONE: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class PointNow:
    """One point: `value` is the live reading, else what last settled. `eta_s` below 0: cannot be said."""

    value: float | None = None
    placed: bool = False  # a channel sits there
    settled: bool = False
    eta_s: float = -1.0
    hunting: bool = False
    coarse: bool = False
    usable: bool = True
    disturbed: str = ""  # id of a disturbance


@dataclass(frozen=True, slots=True)
class TaskNow:
    """What was said of a task (or of a point that was skipped): begun, done, skipped."""

    state: str
    begun_t: int = -1  # -1: its beginning was not told
    ended_t: int = -1
    note: str = ""


@dataclass(frozen=True)
class Situation:
    """One system at one moment.

    `collected` maps a phase to what was measured in it: name -> origin (instrument, entered). `verdicts` maps checks
    to their state in this phase, `asks_gauges` is the title of a finding that asks for pressures. `disturbed` maps
    active disturbances to when they began. `quantities` are what the station's instruments measure by themselves.
    """

    system: SystemRecord
    t: int = 0
    phase: str = "at_rest"
    run: str = "unknown"
    mode: str = ""
    run_s: float = 0.0
    run_minutes: float = 15.0
    lowest_outdoor_cel: float = (55.0 - 32.0) / 1.8
    points: Mapping[str, PointNow] = field(default_factory=dict)
    collected: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    declared: Mapping[str, bool] = field(default_factory=dict)
    tasks: Mapping[str, TaskNow] = field(default_factory=dict)
    disturbed: Mapping[str, int] = field(default_factory=dict)
    verdicts: Mapping[str, str] = field(default_factory=dict)
    asks_gauges: str = ""
    known_from_before: bool = False
    outdoor_cel: float | None = None
    questioned: frozenset[str] = frozenset()
    quantities: frozenset[str] = frozenset()

    @property
    def runs(self) -> bool:
        """Whether it runs."""
        return self.run in ("running", "starting")

    def has(self, phase: str, name: str) -> bool:
        """Whether a point was measured in a phase."""
        return name in self.collected.get(phase, _NONE)

    def done(self, task: str) -> bool:
        """Whether a task is out of the way: done, or skipped with a reason."""
        found = self.tasks.get(task)
        return found is not None and found.state in ("done", "skipped")
