"""From evidence to findings on record: what explains a running system's readings, whenever that changed.

Diagnosed when verdicts are judged, never per sample. What was found stands when the run ends; a phase begins with
nothing found. What a standing system showed (pressures at rest) is kept through the phases `at_rest` and `before`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from lineset.assess.diagnosis import diagnose
from lineset.assess.evidence import Evidence, Known
from lineset.assess.finding import Finding, findings
from lineset.contract import entry as e
from lineset.engine.settling import sig9
from lineset.engine.state import EarlierRun, EngineState, SystemState
from lineset.visit.run import RunState

_DIGITS = re.compile(r"[-\d.]+")
# points whose settled values at rest say something of the charge and of the gauges
_AT_REST = frozenset(
    "vapor_service_pressure liquid_service_pressure vapor_line_temperature liquid_line_temperature "
    "outdoor_air_temperature return_air_temperature return_air_humidity barometric_pressure".split()
)
# refrigerant may be added or taken from here on: what stood before says nothing any more
_TOUCHED = frozenset({"work", "drying", "after"})


def remember_rest(system: SystemState, settled: e.Settled) -> None:
    """Keep what settled while the system stood."""
    if settled.run == RunState.STOPPED and settled.name in _AT_REST:
        system.rest[settled.name] = (settled.value, settled.u)


def recall(system: SystemState, body: e.Recalled) -> None:
    """Keep what an earlier visit showed of this system, where it was judged sound then."""
    if body.sound and body.values:
        system.earlier.append(EarlierRun(body.visit, body.date, body.values))


def begin_phase(system: SystemState, phase: str) -> None:
    """A phase begins: nothing found in it yet."""
    system.found.clear()
    if phase in _TOUCHED:
        system.rest.clear()


def diagnosed(state: EngineState, system: SystemState, evidence: Evidence, run_minutes: float) -> list[e.OutputBody]:
    """The findings that are new or changed, and those that are withdrawn."""
    if system.run.state is not RunState.RUNNING:
        return []
    diagnosis = diagnose(evidence, at_rest=_at_rest(system), earlier=_earlier(system), least_run_s=run_minutes * 60.0)
    told: list[e.OutputBody] = []
    visits = [f"{each.date} ({each.visit})" for each in system.earlier]
    now = {finding.id: finding for finding in findings(diagnosis, earlier=visits)}
    if not now:
        return []
    for id_ in [id_ for id_ in system.found if id_ not in now]:
        title = system.found.pop(id_).partition("|")[0]
        told.append(e.Finding(system=system.record.id, phase=state.phase, id=id_, title=title, state="withdrawn"))
    for id_, finding in now.items():
        key = _key(finding)
        if system.found.get(id_) != key:
            system.found[id_] = key
            told.append(_entry(state, system, finding))
    return told


def _at_rest(system: SystemState) -> Evidence | None:
    if not system.rest:
        return None
    values = {name: Known(value, u, phase="at_rest") for name, (value, u) in system.rest.items()}
    return Evidence(system.record, phase="at_rest", run="stopped", values=values)


def _earlier(system: SystemState) -> list[Evidence]:
    return [
        Evidence(
            system.record,
            run="running",
            mode="cool",
            values={name: Known(value, u) for name, (value, u) in each.values.items()},
        )
        for each in system.earlier
    ]


def _key(finding: Finding) -> str:
    """What must differ for a finding to be told again: words, not digits."""
    words: Sequence[str] = (finding.confidence, *finding.evidence, *finding.against, finding.meaning, finding.next_step)
    return f"{finding.title}|{_DIGITS.sub('#', '|'.join(words))}"


def _entry(state: EngineState, system: SystemState, finding: Finding) -> e.Finding:
    return e.Finding(
        system=system.record.id,
        phase=state.phase,
        id=finding.id,
        title=finding.title,
        state="open",
        category=finding.kind,
        rank=finding.rank,
        confidence=finding.confidence,
        share=round(finding.share, 3),
        evidence=finding.evidence,
        against=finding.against,
        meaning=finding.meaning,
        caution=finding.caution,
        next_step=finding.next_step,
        basis=finding.basis,
        run=system.run.state,
        run_s=sig9((state.t - system.run.since) * 1e-9),
    )
