"""Evidence: what is known of one system at one moment, as far as a judgement may lean on it.

Values are SI (Cel, K, Pa gauge, A, V, Hz, F, VA) under the names of points and derived values. A value may be
settled and live, held (it settled earlier in this run and phase, and the probe has gone on), or merely live. What a
technician declares (panels on, filter in, coil dry) is a fact that may be yes, no or not known: nobody said is never
read as yes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from lineset.equipment.facts import FACTS as FACTS
from lineset.equipment.system import SystemRecord
from lineset.measure.uncertainty import Z95

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What the instrument behind a value states of itself at this reading, SI.

    `limit` is the largest error that it states (before any division: a certificate's or a profile's limit, its last
    digit not counted), `resolution` one step of its display, `response_s` the time constant of its probe,
    `overdue` that its calibration is past its due date.
    """

    limit: float
    resolution: float = 0.0
    response_s: float = 0.0
    overdue: bool = False
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Known:
    """One value: SI, with its standard uncertainty `u`, and how it came to be known.

    `settled`: steady now, attested by a person, or computed from such. `held`: it settled earlier in this run and
    phase; the probe has gone on since. `t` is visit time in ns. `inputs` are, for a derived value, the names of the
    points that it came from. `accuracy` is None where no instrument states one (entered values, derived values).
    """

    value: float
    u: float
    t: int = 0
    settled: bool = True
    held: bool = False
    phase: str = ""
    origin: str = "instrument"  # instrument, entered, derived
    inputs: tuple[str, ...] = ()
    accuracy: Accuracy | None = None
    quality: str = "good"
    coverage: float = Z95  # factor from `u` to the half width of its 95 % interval: of the shape of its error


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of one system at visit time `t` [ns].

    `run` is stopped, starting, running, defrost or unknown, `mode` cool, heat, fan, emergency or empty, `run_s`
    for how many seconds the run state has held; `stage` low, high, or empty where no two kinds of evidence tell or
    there are none. `since_touched_s` is the time since refrigerant was added or removed, or None when it was not.
    """

    system: SystemRecord
    t: int = 0
    phase: str = ""
    run: str = "unknown"
    mode: str = ""
    run_s: float = 0.0
    values: Mapping[str, Known] = field(default_factory=dict)
    declared: Mapping[str, bool] = field(default_factory=dict)
    stage: str = ""
    since_touched_s: float | None = None

    @property
    def undisturbed_s(self) -> float:
        """For how many seconds this run has gone on without refrigerant added or removed."""
        return self.run_s if self.since_touched_s is None else min(self.run_s, self.since_touched_s)

    def known(self, name: str) -> Known | None:
        """What is known under a name, settled or not; None when nothing is."""
        return self.values.get(name)

    def settled(self, name: str) -> Known | None:
        """What is known under a name if it may be judged: settled now, or held from this run and phase."""
        found = self.values.get(name)
        return found if found is not None and (found.settled or found.held) else None

    def said(self, fact: str) -> bool | None:
        """What was declared of a fact: yes, no, or None for not known. Raises KeyError for no fact of FACTS."""
        if fact not in FACTS:
            raise KeyError(f"{fact!r} is not a fact that can be declared; known: {', '.join(FACTS)}")
        return self.declared.get(fact)

    def instances(self, base: str) -> Iterator[str]:
        """The names known under `base` and its instances ("heat_strip_current", "heat_strip_current.2"), in order."""
        for name in sorted(self.values):
            if name.partition(".")[0] == base:
                yield name

    def having(self, **values: Known) -> Evidence:
        """The same evidence with more or other values."""
        return replace(self, values={**self.values, **values})
