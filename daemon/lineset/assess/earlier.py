"""What an earlier visit says of how a system runs when it is sound, condensed from what went on record then.

A later diagnosis holds today's readings against it. Only the last run that was judged counts, and only where it was
judged sound: nothing found, no check failed, and no work done on the system after it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from lineset.assess.evidence import NS
from lineset.assess.features import FEATURES
from lineset.assess.finding import NOTHING_FOUND
from lineset.contract import entry as e

CONDITIONS = (
    "outdoor_air_temperature",
    "return_air_temperature",
    "return_air_humidity",
    "return_air_wet_bulb",
    "barometric_pressure",
)
"""Points that say in which weather it ran: a person may have entered them before it started"""
_DERIVED = (
    "total_superheat",
    "subcooling",
    "vapor_dew_temperature",
    "condensing_over_outdoor",
    "outdoor_coil_rise",
    "temperature_split",
)
KEPT = frozenset(CONDITIONS) | {point for row in FEATURES.values() for point in row.points} | frozenset(_DERIVED)
"""Names of points and derived values that a later diagnosis can use"""
_NEEDED = ("outdoor_air_temperature", "return_air_temperature")
_ON = ("running", "starting")
# What stopped being steady is kept when the run ended within this time: stopping is what moved it (judgement).
_STOPPING_NS = 60 * NS
_WORK = ("work", "drying")


@dataclass(frozen=True, slots=True)
class Condensed:
    """One system in one earlier visit: whether it may be held against, why (not), and what had settled.

    `values` is name -> (value, standard uncertainty), SI; empty unless `sound`. `worked` says that work was done in
    that visit, so that what was seen in visits before it may hold no longer.
    """

    sound: bool
    reason: str
    phase: str = ""
    values: dict[str, tuple[float, float]] = field(default_factory=dict)
    worked: bool = False


@dataclass
class _Phase:
    """What one phase of the visit showed, as its entries come."""

    name: str
    values: dict[str, tuple[float, float]] = field(default_factory=dict)
    entered: dict[str, tuple[float, float]] = field(default_factory=dict)  # the weather, as a person gave it
    doubted: dict[str, int] = field(default_factory=dict)  # name -> since when it is not steady any more
    found: dict[str, str] = field(default_factory=dict)  # finding -> title, as they stand
    failed: dict[str, str] = field(default_factory=dict)  # check -> title, as they stand
    on: bool = False

    def run(self, state: str, t: int) -> None:
        if state in _ON and not self.on:
            self.values, self.doubted = dict(self.entered), {}
        elif self.on and state not in _ON:
            self.end(t)
        self.on = state in _ON

    def end(self, t: int) -> None:
        """The run is over: what had stopped being steady long before says nothing of it."""
        for name, since in self.doubted.items():
            if t - since > _STOPPING_NS:
                self.values.pop(name, None)
        self.doubted = {}

    def settled(self, body: e.Settled) -> None:
        if body.origin == "entered" and body.name in CONDITIONS:
            self.entered[body.name] = self.values[body.name] = (body.value, body.u)
        elif body.name in KEPT and body.run == "running":
            self.values[body.name] = (body.value, body.u)
            self.doubted.pop(body.name, None)


def condense(entries: Iterable[e.Entry], system: str) -> Condensed:
    """Condense one visit's entries (inputs that matter and outputs, in order) for one of its systems."""
    phases = [_Phase("at_rest")]
    t = 0
    for entry in entries:
        t, body = entry.t, entry.body
        now = phases[-1]
        if isinstance(body, e.Opened):
            now.name = body.phase
        elif isinstance(body, e.Phased):
            now.end(t)
            phases.append(_Phase(body.phase, on=now.on))
        elif getattr(body, "system", None) == system:
            _hear(now, t, body)
    phases[-1].end(t)
    return _judge(phases)


def _hear(now: _Phase, t: int, body: e.AnyBody) -> None:
    if isinstance(body, e.RunChanged):
        now.run(body.state, t)
    elif isinstance(body, e.Settled):
        now.settled(body)
    elif isinstance(body, e.Unsettled):
        now.doubted.setdefault(body.name, t)
    elif isinstance(body, e.Finding):
        if body.state == "withdrawn":
            now.found.pop(body.id, None)
        else:
            now.found[body.id] = body.title
    elif isinstance(body, e.Checked):
        now.failed.pop(body.name, None)
        if body.state == "fail":
            now.failed[body.name] = body.title


def _judge(phases: list[_Phase]) -> Condensed:
    worked = any(phase.name in _WORK for phase in phases)
    judged = [at for at, phase in enumerate(phases) if phase.found]
    if not judged:
        return Condensed(False, "it did not run steadily for long enough to be judged", worked=worked)
    last = phases[judged[-1]]
    if any(phase.name in _WORK for phase in phases[judged[-1] + 1 :]):
        return Condensed(False, "work was done after its last run that was judged", last.name, worked=worked)
    faults = [title for id_, title in last.found.items() if id_ != NOTHING_FOUND] + list(last.failed.values())
    if faults:
        return Condensed(False, f"it was not judged sound: {'; '.join(faults)}", last.name, worked=worked)
    missing = [name.replace("_", " ") for name in _NEEDED if name not in last.values]
    if missing:
        return Condensed(
            False, f"{' and '.join(missing)} had not settled, by which all is judged", last.name, {}, worked
        )
    return Condensed(
        True, "judged sound: nothing spoke for a fault and no check failed", last.name, last.values, worked
    )
