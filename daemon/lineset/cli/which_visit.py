"""Which visit's journal a verb means: a file, or the name of a visit of the station here."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lineset.cli.station_access import WRONG, say_error

VisitArgument = Annotated[
    str, typer.Argument(help="A visit's name, or its journal file.", autocompletion=lambda: visit_names(None))
]
DataOption = Annotated[
    Path | None,
    typer.Option("--data", envvar="LINESET_DATA", help="The station's data folder; the usual one when not given."),
]


def visits_folder(data: Path | None) -> Path:
    """Where the station keeps its visits."""
    from lineset.station.config import default_folder

    return (data or default_folder()) / "visits"


def visit_names(data: Path | None) -> list[str]:
    """Names of the visits that there are; empty where there is no such folder."""
    folder = visits_folder(data)
    return sorted(path.stem for path in folder.glob("*.journal")) if folder.is_dir() else []


def which_visit(verb: str, named: str, data: Path | None) -> Path:
    """The journal file that is meant. Raises typer.Exit with what to do when there is none."""
    import difflib

    given = Path(named)
    if given.is_file():
        return given
    found = visits_folder(data) / f"{named}.journal"
    if found.is_file():
        return found
    names = visit_names(data)
    near = difflib.get_close_matches(named, names, n=3, cutoff=0.4)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    where = f"no such file, and no visit of that name in {visits_folder(data)}"
    raise say_error(verb, f"{named}: {where}{hint}", WRONG)
