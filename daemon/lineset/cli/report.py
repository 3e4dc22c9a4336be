"""`lineset report`: a visit as a letter to the customer and pages for the professional."""

from __future__ import annotations

import json
import sys
from datetime import tzinfo
from pathlib import Path
from typing import Annotated

import typer

from lineset.cli.station_access import REFUSED, WRONG, JsonOption, say_error
from lineset.cli.which_visit import DataOption, VisitArgument, visits_folder, which_visit

FORMATS = ("html", "pdf")
LANGUAGES = ("en", "es")
UNITS = ("customary", "si")


def report(
    visit: VisitArgument,
    out: Annotated[Path, typer.Option("--out", help="Folder for the files; made if needed.", file_okay=False)] = Path(
        "report"
    ),
    formats: Annotated[str, typer.Option("--format", help="html, pdf, or both with a comma between.")] = "html,pdf",
    language: Annotated[
        str, typer.Option("--language", help="en or es.", autocompletion=lambda: list(LANGUAGES))
    ] = "en",
    units: Annotated[str, typer.Option("--units", help="customary or si.", autocompletion=lambda: list(UNITS))] = (
        "customary"
    ),
    zone: Annotated[
        str, typer.Option("--zone", help="Time zone of dates and times, as America/Chicago; UTC when not given.")
    ] = "UTC",
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a visit's report: page one for the customer, then every check, finding, window, instrument and the seal.

    Works from the journal alone, years later. Earlier visits of the same systems are taken from the folder that the
    journal lies in, or from --data. A visit that is still open, or whose seal does not verify, is marked on every page.

    Example: lineset report spring-12 --out spring-12 --language es

    Exit code: 0 written, 1 it cannot be read or written, 2 no such visit, format, language or units.
    """
    wanted = [each.strip() for each in formats.split(",") if each.strip()]
    for option, given, known in (
        *(("--format", each, FORMATS) for each in wanted or [""]),
        ("--language", language, LANGUAGES),
        ("--units", units, UNITS),
    ):
        if given not in known:
            raise say_error("report", f"{option} {given}: not known; use {', '.join(known)}", WRONG)
    time_zone = _zone(zone)
    path = which_visit("report", visit, data)

    from lineset.contract.entry import EntryError
    from lineset.journal.errors import JournalError
    from lineset.report.make import read_report, write_report
    from lineset.report.typst_sheet import SheetError

    visits = path.parent if data is None else visits_folder(data)
    try:
        if sys.stderr.isatty() and not as_json:
            from rich.progress import Progress

            with Progress(transient=True) as bar:
                task = bar.add_task("reading")
                told = read_report(
                    path, visits, lambda what, done, of: bar.update(task, description=what, completed=done, total=of)
                )
        else:
            told = read_report(path, visits)
        files = write_report(told, out, list(dict.fromkeys(wanted)), language, units, time_zone)  # type: ignore[arg-type]
    except (JournalError, EntryError, SheetError) as error:
        raise say_error("report", str(error), REFUSED) from error
    except OSError as error:
        raise say_error("report", f"{error.filename or out}: {error.strerror or error}", REFUSED) from error
    if as_json:
        typer.echo(
            json.dumps(
                {
                    "journal": str(path),
                    "files": [str(file) for file in files],
                    "language": language,
                    "units": units,
                    "mark": told.mark,
                    "problems": [problem.text for problem in told.verification.problems],
                    "systems": [system.facts.record.id for system in told.systems],
                    "left_out": list(told.unread),
                },
                indent=2,
            )
        )
        return
    typer.echo("written: " + ", ".join(str(file) for file in files))
    if told.mark:
        from lineset.report.compose import MARKS

        typer.echo(MARKS[told.mark], err=True)


def _zone(name: str) -> tzinfo:
    from datetime import UTC
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise say_error("report", f"--zone {name}: not known here; name it as America/Chicago", WRONG) from error
