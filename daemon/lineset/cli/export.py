"""`lineset export`: a visit's record as tables for other programs."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from lineset.cli.shop_selection import ShopFolderOption, ShopOption, SinceOption, StationsOption, UntilOption
from lineset.cli.station_access import REFUSED, WRONG, JsonOption, say_error
from lineset.cli.which_visit import DataOption, visit_names, which_visit

FORMATS = ("csv", "parquet", "senml")


def export(
    visit: Annotated[
        str | None,
        typer.Argument(help="A visit's name, or its journal file.", autocompletion=lambda: visit_names(None)),
    ] = None,
    to: Annotated[
        str,
        typer.Option(
            "--to",
            help="csv, parquet or senml (RFC 8428); with --shop csv, parquet or journal.",
            autocompletion=lambda: list(FORMATS),
        ),
    ] = "csv",
    out: Annotated[Path, typer.Option("--out", help="Folder for the files; made if needed.", file_okay=False)] = Path(
        "export"
    ),
    shop: ShopOption = False,
    shop_folder: ShopFolderOption = None,
    station: StationsOption = None,
    visits: Annotated[
        list[str] | None, typer.Option("--visit", help="With --shop: only this visit; may be given again.")
    ] = None,
    since: SinceOption = None,
    until: UntilOption = None,
    system: Annotated[
        list[str] | None, typer.Option("--system", help="With --shop: only this system; may be given again.")
    ] = None,
    table: Annotated[
        list[str] | None,
        typer.Option(
            "--table",
            help="With --shop: only this table; may be given again. What people wrote and photographed (observations, "
            "photos) is left out unless it is named here.",
        ),
    ] = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a visit's record as tables: samples, readings, derived values, settled, checks, findings, placements.

    Figures are SI; columns.json tells what each column holds. Works from the journal alone, years later. In CSV a text
    that a spreadsheet would take for a formula (it begins with = + - @) has an apostrophe before it; Parquet has none.
    Files have their names only when they are whole, and take the place of older ones of the same name.

    With --shop the tables are those of the shop's record, of every visit that is chosen, as CSV or Parquet; with --to
    journal it gives the journal files back as the stations had them.

    Example: lineset export spring-12 --to parquet --out spring-12

    Example: lineset export --shop --since 2026-04-01 --table settled_values --to parquet --out spring

    Exit code: 0 written, 1 it cannot be read or written, 2 no such visit or format.
    """
    if shop:
        from lineset.cli.export_shop import export_shop

        named = [*([visit] if visit else []), *(visits or [])]
        export_shop(to, out, shop_folder, (station, named, since, until), system or [], table or [], as_json=as_json)
        return
    if station or visits or since or until or system or table:
        raise say_error("export", "--station, --visit, --since, --until, --system, --table are for --shop", WRONG)
    if visit is None:
        raise say_error("export", "name a visit or its journal file, or --shop for what the shop has", WRONG)
    from lineset.audit.export import FORMATS as WRITERS
    from lineset.audit.export import columns_as_json, photos_to
    from lineset.contract.entry import EntryError
    from lineset.journal.errors import JournalError

    writer = WRITERS.get(to)
    if writer is None:
        raise say_error("export", f"--to {to}: no such format; use {', '.join(FORMATS)}", WRONG)
    path = which_visit("export", visit, data)
    try:
        if sys.stderr.isatty() and not as_json:
            from rich.progress import Progress

            with Progress(transient=True) as bar:
                task = bar.add_task("exporting")
                counts = writer(path, out, lambda done, of: bar.update(task, completed=done, total=of))
        else:
            counts = writer(path, out, None)
        if to != "senml":
            (out / "columns.json").write_text(columns_as_json(), encoding="utf-8")
            counts["photos"] = photos_to(path, out)
    except (JournalError, EntryError) as error:
        raise say_error("export", str(error), REFUSED) from error
    except OSError as error:
        raise say_error("export", f"{error.filename or out}: {error.strerror or error}", REFUSED) from error
    if as_json:
        typer.echo(json.dumps({"journal": str(path), "out": str(out), "format": to, "rows": counts}, indent=2))
    else:
        typer.echo(f"{path.name} written to {out}: " + ", ".join(f"{n} {table}" for table, n in counts.items() if n))
