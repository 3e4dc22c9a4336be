"""From the engine's state to a worklist: what `visit.worklist` needs to know of one system, and the sheet of it."""

from __future__ import annotations

from lineset.engine.assessing import rules_of
from lineset.engine.state import EngineState, PointState, SystemState
from lineset.engine.working import rows_of
from lineset.equipment.display import Units
from lineset.equipment.language import sayer
from lineset.measure.quality import USABLE
from lineset.visit.situation import PointNow, Situation, TaskNow
from lineset.visit.tasks import Catalogue
from lineset.visit.wanted import missing
from lineset.visit.worklist import Sheet, sheet


def situation(state: EngineState, system: SystemState) -> Situation:
    """What is known of a system now, as a worklist needs it."""
    rows = rows_of(state.worklist)
    settings = rules_of(state.rules)[0].settings
    outdoor = system.points.get("outdoor_air_temperature")
    known_outdoor = outdoor is not None and "outdoor_air_temperature" in system.collected.get(state.phase, {})
    return Situation(
        system=system.record,
        t=state.t,
        phase=state.phase,
        run=system.run.state,
        mode=system.run.mode,
        run_s=(state.t - system.run.since) * 1e-9,
        run_minutes=settings.run_minutes,
        lowest_outdoor_cel=settings.lowest_outdoor_cel,
        points={name: _point(system, place, rows) for name, place in system.points.items()},
        collected={
            # what was put right later was never measured there
            phase: {name: origin for name, origin in names.items() if system.points[name].held is not None}
            for phase, names in system.collected.items()
        },
        declared=system.declared,
        tasks={id_: TaskNow(each.state, each.begun_t, each.ended_t, each.note) for id_, each in system.tasks.items()},
        disturbed={id_: each.since for id_, each in system.disturbed.items()},
        verdicts={name: told[0].partition("|")[0] for name, told in system.judged.items()},
        asks_gauges=next(iter(system.asks_gauges.values()), ""),
        known_from_before=bool(system.earlier),
        outdoor_cel=outdoor.held if outdoor is not None and known_outdoor else None,
        questioned=frozenset(
            asked.proposal
            for asked in state.questions.values()
            if asked.system == system.record.id and asked.state == "open" and asked.proposal
        ),
        quantities=frozenset(
            channel.record.quantity
            for instrument in state.instruments.values()
            if instrument.origin != "entered" and instrument.state == "linked"
            for channel in instrument.channels.values()
        ),
    )


# Further ahead than this nobody can say when something will have settled.
_FORESEEN_S = 600.0


def _point(system: SystemState, place: PointState, rows: Catalogue) -> PointNow:
    watch = place.detector
    base = place.name.partition(".")[0]
    return PointNow(
        value=place.value if place.value is not None else place.held,
        placed=bool(place.channel),
        settled=place.settled or place.attested,
        eta_s=watch.eta_s if watch is not None and not watch.settled and watch.eta_s <= _FORESEEN_S else -1.0,
        hunting=place.hunting is not None and place.hunting.told,
        coarse=watch is not None and watch.coarse,
        usable=place.value is not None and place.quality in USABLE,
        disturbed=next(
            (
                id_
                for id_ in (system.disturbed if place.disturbed else ())
                if id_ in rows.disturbances and base in rows.disturbances[id_].points
            ),
            "",
        ),
    )


def sheet_of(state: EngineState, system: SystemState, units: Units | None = None) -> Sheet:
    """The worklist of a system as it stands, in the visit's language and units."""
    now = situation(state, system)
    return sheet(now, rows_of(state.worklist), units or state.units, sayer(state.language))


def missing_of(state: EngineState, system: SystemState) -> tuple[str, ...]:
    """What the worklist of a system still asks for before closing, as sentences without a full stop.

    Until somebody takes the worklist up (a task begun, done or skipped) it asks for nothing but what is disturbed.
    """
    rows = rows_of(state.worklist)
    if system.tasks:
        return missing(situation(state, system), rows, sayer(state.language))
    say = sayer(state.language)
    return tuple(say(rows.disturbances[id_].says) for id_ in system.disturbed if id_ in rows.disturbances)
