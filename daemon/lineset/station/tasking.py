"""The worklist by command: a task is begun, done, skipped with a reason or taken back; what it still asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.engine.sheets import missing_of, situation
from lineset.engine.working import key_of, rows_of
from lineset.equipment.points import PointError, point
from lineset.station.asked import Done, named_system, need_visit
from lineset.stream.command import CommandRefused
from lineset.visit.tasks import PHASES
from lineset.visit.wanted import wanted

if TYPE_CHECKING:
    from lineset.station.daemon import Station

STATES = ("begun", "done", "skipped", "undone")


def task(station: Station, args: c.Task, actor: str) -> Done:
    """Mark a task of the worklist, or skip a point with a reason ("supply_static", "before/supply_static")."""
    need_visit(station)
    if args.state not in STATES:
        raise CommandRefused(f"a task is {', '.join(STATES)}, not {args.state!r}")
    system = named_system(station, args.system)
    state = station.record.engine.state
    rows = rows_of(state.worklist)
    if args.state == "skipped" and not args.note.strip():
        raise CommandRefused(
            f"say why {args.task} is skipped: the reason goes on record with it, "
            f'for example: lineset done {args.task} --skip --note "no access"'
        )
    where = _point(args.task)
    row = rows.tasks.get(args.task)
    if row is None and not where:
        raise CommandRefused(f"no task or point is called {args.task!r}. {rows.nearest(args.task)}".strip())
    if where and args.state not in ("skipped", "undone"):
        raise CommandRefused(f"{where} is a point: measure it, or enter what you read: lineset enter {where} VALUE")
    if row is not None and not row.needs.fit(state.systems[system].record):
        raise CommandRefused(f"{args.task} is not for {system}, as its description says")
    key = key_of(state, args.task)
    if args.state == "undone" and key not in state.systems[system].tasks:
        raise CommandRefused(f"nothing was said of {args.task} in {system} that could be taken back")
    ahead = _ahead(station, system, args.task) if args.state in ("begun", "done") else ()
    seq = station.take(e.Marked(system=system, task=args.task, state=args.state, note=args.note.strip(), by=actor))
    title = row.title if row is not None else where.replace("_", " ")
    said = {"begun": "begun", "done": "done", "skipped": "skipped", "undone": "taken back"}[args.state]
    text = f"{title}: {said}"
    if ahead:
        text += f"; before it belongs: {', '.join(ahead)}"
    if row is not None and args.state in ("begun", "done"):
        caution = rows.caution(row.hazards, state.systems[system].record)
        text += f". {caution}" if args.state == "begun" and caution else ""
        disturbed = [rows.disturbances[id_].says for id_ in state.systems[system].disturbed]
        text += f". Until that is put right {', '.join(disturbed)}" if disturbed else ""
    return text, {"task": args.task, "state": args.state, "system": system, "seq": seq, "before": list(ahead)}


def _point(name: str) -> str:
    """The point that is meant by "supply_static" or "before/supply_static"; "" where none is."""
    phase, slash, rest = name.partition("/")
    bare = rest if slash and phase in PHASES else name
    try:
        point(bare)
    except PointError:
        return ""
    return bare


def _ahead(station: Station, system: str, name: str) -> tuple[str, ...]:
    """Titles of what belongs before a task and is still open: told, never forbidden, for hands know better."""
    state = station.record.engine.state
    rows = rows_of(state.worklist)
    row = rows.tasks.get(name)
    if row is None:
        return ()
    return tuple(each.title for each in wanted(situation(state, state.systems[system]), rows).first(row))


def wanted_before_closing(station: Station) -> tuple[str, ...]:
    """What the worklists of the open visit still ask for, as sentences without a full stop."""
    state = station.record.engine.state
    several = len(state.systems) > 1
    return tuple(
        f"{id_}: {each}" if several else each
        for id_, system in state.systems.items()
        for each in missing_of(state, system)
    )
