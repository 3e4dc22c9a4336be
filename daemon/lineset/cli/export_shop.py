"""`lineset export --shop`: any selection of the shop's record as files."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path

import typer

from lineset.cli.shop_selection import selection, the_shop
from lineset.cli.station_access import REFUSED, WRONG, say_error
from lineset.equipment.language import counted

JOURNAL = "journal"


def export_shop(
    to: str,
    out: Path,
    folder: Path | None,
    chosen: tuple[list[str] | None, list[str], str | None, str | None],
    systems: Sequence[str],
    tables: Sequence[str],
    *,
    as_json: bool,
) -> None:
    """Write it, and say what was written. `chosen` is stations, visits, since, until. Raises typer.Exit."""
    import msgspec

    from lineset.journal.errors import JournalError
    from lineset.shop.errors import ShopError, UnknownNameError
    from lineset.shop.exporting import FORMATS, Exported, Progress, export
    from lineset.shop.restoring import restore

    if to not in (*FORMATS, JOURNAL):
        raise say_error(
            "export", f"--to {to}: the shop's record is written as {', '.join(FORMATS)} or {JOURNAL}", WRONG
        )
    if to == JOURNAL and (systems or tables):
        raise say_error("export", f"--to {JOURNAL} gives whole visits: leave --system and --table out", WRONG)
    stations, visits, since, until = chosen
    wanted = selection("export", stations, visits, since, until)
    config, address = the_shop("export", folder, WRONG)

    def run(progress: Progress | None) -> Exported:
        if to == JOURNAL:
            return asyncio.run(restore(address, config.name, wanted, out, progress))
        work = export(address, wanted, out, to=to, tables=tables, systems=systems, progress=progress)
        return asyncio.run(work)

    try:
        if sys.stderr.isatty() and not as_json:
            from rich.console import Console
            from rich.progress import Progress as Bar

            with Bar(transient=True, console=Console(stderr=True)) as bar:
                task = bar.add_task("exporting")
                written = run(lambda done, of: bar.update(task, completed=done, total=of))
        else:
            written = run(None)
    except UnknownNameError as error:
        raise say_error("export", str(error), WRONG) from error
    except (ShopError, JournalError) as error:
        raise say_error("export", str(error), REFUSED) from error
    except OSError as error:
        raise say_error("export", f"{error.filename or out}: {error.strerror or error}", REFUSED) from error
    told = {"out": str(out), "format": to, **msgspec.to_builtins(written)}
    if as_json:
        typer.echo(msgspec.json.format(msgspec.json.encode(told), indent=2).decode())
    else:
        rows = ", ".join(f"{n} {table}" for table, n in told["rows"].items() if n)
        typer.echo(f"{counted(told['visits'], 'visit')} written to {out}: {rows or 'no rows'}")
