"""`lineset doctor`: whether this machine has what the job needs, and what to do where it has not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import REFUSED, AtOption, JsonOption

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lineset.cli.diagnosis import Diagnosis


def doctor(
    config: Annotated[
        Path | None, typer.Option("--config", "-c", help="The station's configuration, checked too.", dir_okay=False)
    ] = None,
    journals: Annotated[int, typer.Option(help="How many of the last visits' journals to verify.", min=0)] = 3,
    at: AtOption = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show the log too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Examine this machine: what is good, what to mind, what stops the job, and what to do about it.

    Nothing is changed; a file is written to the data folder for a moment to see that it can be.

    Example: lineset doctor --config van.toml

    Exit code: 0 the job can be done, 1 something stops it.
    """
    from lineset.cli.diagnosis import STOPS
    from lineset.cli.doctor_machine import machine
    from lineset.cli.doctor_station import configured, station
    from lineset.cli.quiet import set_up_quiet_logs

    set_up_quiet_logs(verbose)
    loaded, first = configured(config)
    found: list[Diagnosis] = []
    for diagnosis in (*machine(loaded), first, *station(loaded, at, journals)):
        found.append(diagnosis)
        if not as_json:
            for line in _lines(diagnosis):
                typer.echo(line)
    stops = [each for each in found if each.state == STOPS]
    if as_json:
        rows = [{"name": d.name, "state": d.state, "found": d.found, "remedy": d.remedy} for d in found]
        typer.echo(json.dumps({"ready": not stops, "checks": rows}, indent=2))
    else:
        typer.echo("\n" + _summary(found))
    if stops:
        raise typer.Exit(REFUSED)


def _lines(diagnosis: Diagnosis, width: int = 100) -> Iterator[str]:
    import textwrap

    lead = f"{diagnosis.state:<7}{diagnosis.name:<18}"
    for text, begin in ((diagnosis.found, lead), (diagnosis.remedy and f"-> {diagnosis.remedy}", " " * len(lead))):
        if text:
            yield from textwrap.wrap(
                text, width, initial_indent=begin, subsequent_indent=" " * len(lead), break_on_hyphens=False,
                break_long_words=False,
            )  # fmt: skip


def _summary(found: list[Diagnosis]) -> str:
    from lineset.cli.diagnosis import MIND, STOPS

    stops = [each.name for each in found if each.state == STOPS]
    minds = [each.name for each in found if each.state == MIND]
    text = f"This stops the job: {', '.join(stops)}." if stops else "Nothing stops the job."
    return text + (f" To mind: {', '.join(minds)}." if minds else "")
