"""`lineset done` and `lineset worklist`: the job sheet, and marking what is done on it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import (
    REFUSED,
    UNREACHABLE,
    WRONG,
    AtOption,
    JsonOption,
    command,
    reach,
    say_error,
    show_reply,
)

if TYPE_CHECKING:
    from lineset.contract.worklist import WorklistItem, WorklistMessage

_WAIT_S = 3.0
_MORE_S = 0.2  # retained messages come together


def complete_task(incomplete: str) -> list[str]:
    """Tasks of the shipped worklist that begin so."""
    from lineset.visit.tasks import catalogue

    return [id_ for id_ in catalogue().tasks if id_.startswith(incomplete)]


def done(
    task: Annotated[
        str,
        typer.Argument(help="Task, such as filter; or a point, with --skip.", autocompletion=complete_task),
    ],
    begin: Annotated[bool, typer.Option("--begin", help="It is begun now.")] = False,
    skip: Annotated[bool, typer.Option("--skip", help="It is not done; say why with --note.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take back what was said of it.")] = False,
    note: Annotated[str, typer.Option(help="A remark; the reason, where it is skipped.")] = "",
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that a task of the worklist is done, begun, skipped with a reason, or take that back.

    A task that opens, takes out or wets something unsettles the points that it disturbs from --begin on, until what
    restores them is done. Its caution is said when it is begun: it never replaces lock-out, discharge, protective
    equipment, local code or a licence.

    Examples: lineset done wash_outdoor_coil --begin

    lineset done wash_outdoor_coil

    lineset done supply_static --skip --note "no test port"

    Exit code: 0 marked, 1 refused, 2 wrong words, 3 no station runs here.
    """
    chosen = [state for state, given in (("begun", begin), ("skipped", skip), ("undone", undo)) if given]
    if len(chosen) > 1:
        raise say_error("done", "--begin, --skip and --undo exclude each other", WRONG)
    args = {"task": task, "state": chosen[0] if chosen else "done", "note": note, "system": system}
    show_reply("done", command("task", "done", args, at), as_json)


def worklist(
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    everything: Annotated[bool, typer.Option("--all", help="Also what is done, and why each thing is wanted.")] = False,
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the worklist of the open visit as a job sheet: what is next, what has settled, what is missing.

    Example: lineset worklist

    Exit code: 0 printed, 1 no visit is open, 3 no station runs here.
    """
    from lineset.stream.errors import StreamError

    try:
        sheets = asyncio.run(_sheets(at))
    except StreamError as error:
        raise say_error("worklist", str(error), UNREACHABLE) from error
    sheets = {id_: sheet for id_, sheet in sheets.items() if system in ("", id_)}
    if not sheets:
        of = f" on {system}" if system else ""
        raise say_error("worklist", f"no worklist{of}: no visit is open, or the station has just begun", REFUSED)
    if as_json:
        import json

        import msgspec

        typer.echo(json.dumps(msgspec.to_builtins(sheets), indent=2))
        return
    for id_, sheet in sheets.items():
        for line in sheet_lines(sheet, heading=id_ if len(sheets) > 1 else "", everything=everything):
            typer.echo(line)


async def _sheets(at: Path | None) -> dict[str, WorklistMessage]:
    """The retained worklists of the station, by system; what is older than the open visit is not among them."""
    import msgspec

    from lineset.contract.live import VisitMessage
    from lineset.contract.worklist import WorklistMessage
    from lineset.stream.ask import retained

    address, topics = reach("worklist", at, "watch")

    def told(found: dict[str, bytes]) -> tuple[dict[str, VisitMessage], dict[tuple[str, str], WorklistMessage]]:
        visits, sheets = {}, {}
        for topic, payload in found.items():
            parsed = topics.parse(topic)
            if parsed.kind.name == "visit":
                visits[parsed.fields["visit"]] = msgspec.json.decode(payload, type=VisitMessage)
            elif parsed.kind.name == "worklist":
                key = parsed.fields["visit"], parsed.fields["system"]
                sheets[key] = msgspec.json.decode(payload, type=WorklistMessage)
        return visits, sheets

    def whole(found: dict[str, bytes]) -> bool:
        visits, sheets = told(found)
        wanted = {(name, system) for name, visit in visits.items() if visit.state == "open" for system in visit.systems}
        return bool(visits) and wanted <= sheets.keys()

    below = f"{topics.base}/visit"
    found = await retained(address, f"{below}/+", f"{below}/+/+/worklist", wait_s=_WAIT_S, more_s=_MORE_S, enough=whole)
    visits, sheets = told(found)
    current = {name for name, visit in visits.items() if visit.state == "open"}
    return {system: sheet for (name, system), sheet in sheets.items() if name in current}


def sheet_lines(sheet: WorklistMessage, *, heading: str = "", everything: bool = False) -> Iterator[str]:
    """A worklist as lines, in walking order: what is open of this phase, with cautions; all of it on request."""
    about = f"about {sheet.minutes_left:.0f} minutes left, " if sheet.minutes_left else ""
    phase = sheet.phase.replace("_", " ")
    yield f"{heading + ': ' if heading else ''}phase {phase}, {about}{sheet.done} of {sheet.total} done"
    yield f"Next: {sheet.next_sentence}"
    for sentence in sheet.meanwhile:
        yield f"Meanwhile: {sentence}"
    stop = at = ""
    cautions: dict[str, None] = {}
    for item in sheet.items:
        if not everything and (item.phase != sheet.phase or item.state in ("done", "skipped", "not_needed")):
            continue
        if (item.phase, item.stop) != (at, stop):
            at, stop = item.phase, item.stop
            named = "" if at == sheet.phase else f" ({at.replace('_', ' ')})"
            yield f"\n{stop[:1].upper()}{stop[1:]}{named}"
        yield _line(item)
        if everything and item.why:
            yield f"      {item.why}"
        if item.caution and item.state in ("todo", "doing"):
            cautions.update(dict.fromkeys(item.caution.split(". ")))
    if cautions:
        yield "\nCaution"
        for caution in cautions:
            yield f"  {caution.rstrip('.')}."
    if sheet.missing and everything:
        yield "\nMissing before closing"
        for missing in sheet.missing:
            yield f"  {missing}"


_MARKS = {"settled": "x", "done": "x", "skipped": "-", "not_needed": "-", "doing": ">", "settling": "~", "hunting": "~"}


def _line(item: WorklistItem) -> str:
    mark = _MARKS.get(item.state, "?" if item.state == "questioned" else " ")
    return f"  [{mark}] {item.sentence}  ({item.id})"
