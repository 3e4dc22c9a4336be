"""How a visit goes on by command: phases, facts, closing, and how it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.engine.comparing import uncompared
from lineset.engine.springtime import worth_knowing
from lineset.engine.state import SystemState
from lineset.equipment.facts import CATALOGUE, FACTS
from lineset.equipment.language import Say, sayer
from lineset.station.announcer import describe, settled_counts
from lineset.station.asked import Done, named_system, need_visit, sentences
from lineset.station.observing import still_wanted
from lineset.stream.command import CommandRefused
from lineset.visit import words_refusals as words
from lineset.visit.closing import missing_for_closing, soft_wants
from lineset.visit.cues import LEVELS
from lineset.visit.phases import PHASES, SystemNow, missing_for

if TYPE_CHECKING:
    from lineset.station.daemon import Station


def phase(station: Station, args: c.Phase | c.ForcePhase, actor: str) -> Done:
    """Go on to another phase; refused with what is missing for it, unless forced with a reason."""
    need_visit(station)
    if args.phase not in PHASES:
        raise CommandRefused(f"no phase is called {args.phase!r}; they are {', '.join(PHASES)}")
    state = station.record.engine.state
    systems = [_now(station, system) for system in state.systems.values()]
    missing = missing_for(state.phase, args.phase, systems, _say(station))
    reason = ""
    if isinstance(args, c.ForcePhase):
        reason = a_reason(args.reason)
    elif missing:
        raise CommandRefused(
            _say(station)(words.NOT_YET).format(
                phase=_say(station)(args.phase.replace("_", " ")),
                wants=sentences(missing),
                command=f'lineset visit phase {args.phase} --force --reason "..."',
            )
        )
    seq = station.take(e.Phased(phase=args.phase, by=actor, reason=reason, missing=missing if reason else ()))
    station.announcer.visit(station.record.engine, "open")
    said = f"phase {args.phase}"
    if reason and missing:
        said += f", forced; still missing: {sentences(missing)}"
    return said, {"phase": args.phase, "seq": seq, "missing": list(missing)}


def _say(station: Station) -> Say:
    return sayer(station.record.engine.state.language)


def a_reason(given: str) -> str:
    """The reason of what is forced. Raises CommandRefused where there is none."""
    if not given.strip():
        raise CommandRefused("forcing needs a reason, which is recorded with who asked; say why")
    return given.strip()


def _now(station: Station, system: SystemState) -> SystemNow:
    engine = station.record.engine
    volts = system.points.get("line_voltage")
    sits = volts is not None and volts.channel and (volts.settled or volts.attested)
    return SystemNow(
        id=system.record.id,
        declared=dict(system.declared),
        line_volts=volts.value if volts is not None and sits else None,
        run=system.run.state,
        run_since=system.run.run_since,
        work_since=engine.state.work_since,
        uncompared=uncompared(engine.state, system),
    )


def declare(station: Station, args: c.Declare, actor: str) -> Done:
    """Something is so, is not, or is taken back."""
    need_visit(station)
    if args.fact not in FACTS:
        raise CommandRefused(f"no fact is called {args.fact!r}; known: {', '.join(FACTS)}")
    system = named_system(station, args.system)
    seq = station.take(e.Declared(system=system, fact=args.fact, value=args.value, by=actor))
    said = {True: "declared", False: "declared not so", None: "taken back"}[args.value]
    holds = CATALOGUE[args.fact].holds
    data: dict[str, object] = {"fact": args.fact, "value": args.value, "system": system, "seq": seq, "holds": holds}
    return f"{said}: {FACTS[args.fact]}", data


def missing_now(station: Station) -> tuple[str, ...]:
    """The sentences that stand between now and closing the open visit."""
    systems = station.record.engine.state.systems
    return missing_for_closing(
        {id_: system.declared for id_, system in systems.items()}, station.visits.wanted(), _say(station)
    )


def check_closing(station: Station) -> None:
    """Raises CommandRefused with the list of what is missing before the visit may be closed."""
    missing = missing_now(station)
    if missing:
        raise CommandRefused(
            _say(station)(words.NOT_CLOSED).format(
                wants=sentences(missing), command='lineset visit close --force --reason "..."'
            )
        )


def said_at_closing(station: Station) -> str:
    """What ought to have been on record and does not keep a visit open, to stand behind the answer; or ""."""
    opened = station.visits.opened()
    wants = soft_wants(technician=opened.technician if opened is not None else "", say=_say(station))
    return f"; {sentences(wants)}" if wants else ""


def cues(station: Station, args: c.Cues) -> Done:
    """How much is said, or what was said last."""
    need_visit(station)
    cues = station.record.engine.state.cues
    if args.level and args.level not in LEVELS:
        raise CommandRefused(f"no level of cues is called {args.level!r}; they are {', '.join(LEVELS)}")
    if args.repeat:
        return ("nothing was said yet" if cues.last is None else cues.last.text), {}
    return f"cues are {args.level or cues.level} now", {"level": args.level or cues.level}


def show(station: Station) -> Done:
    """The open visit as it stands."""
    if not station.record.visit:
        return "no visit is open", {"visit": ""}
    engine = station.record.engine
    state = engine.state
    systems = {}
    for id_, system in state.systems.items():
        run, mode, run_s = engine.run_of(id_)
        systems[id_] = {
            **describe(system),
            "run": run,
            "mode": mode,
            "run_s": round(run_s, 1),
            "declared": dict(system.declared),
            "worth_knowing": list(worth_knowing(state, system)),
            "settled": {
                name: place.held
                for name, place in (*system.points.items(), *system.derived.items())
                if place.held is not None
            },
        }
    data: dict[str, object] = {
        "visit": state.visit,
        "phase": state.phase,
        "minutes": round(station.visits.duration_s() / 60.0, 1),
        "systems": systems,
        "settled": settled_counts(engine),
        "missing": list(missing_now(station)),
        "wanted": still_wanted(state),
        "placements": {
            f"{known.id}/{name}": f"{channel.system}/{channel.point}"
            for known in state.instruments.values()
            for name, channel in known.channels.items()
            if channel.point
        },
    }
    return f"visit {state.visit} is open, phase {state.phase}", data
