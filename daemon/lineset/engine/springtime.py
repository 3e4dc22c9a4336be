"""From the engine's state to what `visit/spring.py` asks: the first run after a winter, as it stands."""

from __future__ import annotations

from lineset.engine.assessing import rules_of
from lineset.engine.state import EngineState, SystemState
from lineset.equipment.language import sayer
from lineset.measure.quality import USABLE, Quality
from lineset.visit.run import RunState
from lineset.visit.spring import CRANKCASE_WAIT_S, Spring, at_opening, before_start, charge_today


def spring_of(state: EngineState, system: SystemState) -> Spring:
    """What is known of one system in spring: from its probes, its run, and what was declared."""
    run = system.run
    running = run.state in (RunState.RUNNING, RunState.STARTING)
    ran_here = run.state is RunState.STOPPED and run.run_since > 0
    winter = system.declared.get("winter_off")
    rules, _ = rules_of(state.rules)
    return Spring(
        system=system.record,
        outdoor_cel=_cel(system, "outdoor_air_temperature"),
        return_cel=_cel(system, "return_air_temperature"),
        off_s=None if winter is None else CRANKCASE_WAIT_S if winter else 0.0,
        stopped_s=(state.t - run.since) * 1e-9 if ran_here else None,
        running=running,
        declared=dict(system.declared),
        lowest_outdoor_cel=rules.settings.lowest_outdoor_cel,
    )


def worth_knowing(state: EngineState, system: SystemState) -> tuple[str, ...]:
    """The sentences that matter now: all of them at rest, those of a start before it, those of the charge always."""
    now, units, say = spring_of(state, system), state.units, sayer(state.language)
    if state.phase == "at_rest":
        return tuple(dict.fromkeys((*at_opening(now, units, say), *before_start(now, units, say))))
    return (*(() if now.running else before_start(now, units, say)), *charge_today(now, units, say))


def _cel(system: SystemState, name: str) -> float | None:
    place = system.points.get(name)
    if place is None or place.value is None:
        return None
    return place.value if place.quality in USABLE or place.quality is Quality.ENTERED else None
