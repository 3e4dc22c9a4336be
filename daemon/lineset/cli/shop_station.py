"""`lineset shop station add|rotate|revoke|list`: who may come to the shop."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lineset.cli.shop_folder import EXIT_CODES, FolderOption, complete_station, explained, load
from lineset.cli.station_access import REFUSED, WRONG, JsonOption, say_error
from lineset.equipment.language import counted

if TYPE_CHECKING:
    from lineset.shop.shop_config import ShopConfig
    from lineset.station.join_file import JoinFile

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The stations of the shop: let one in, change its password, shut it out.",
)

NamesArgument = Annotated[list[str], typer.Argument(help="Names of stations.", autocompletion=complete_station)]
NewNamesArgument = Annotated[list[str], typer.Argument(help="Names for the new stations, such as van-7.")]
OutOption = Annotated[
    Path | None, typer.Option("--out", help="Where the join file goes, or the folder for several; NAME.join here.")
]


@app.command("add", epilog=EXIT_CODES)
def add(
    names: NewNamesArgument,
    out: OutOption = None,
    again: Annotated[bool, typer.Option("--again", help="Let one in again that was revoked.")] = False,
    folder: FolderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let stations in, and write a join file for each: the laptop imports it with lineset shop join FILE.

    Whoever has a join file is that station to the shop: bring it over by a safe way, and delete it afterwards.

    Example: lineset shop station add van-7 --out van-7.join
    """
    from lineset.shop import stations

    config = load("shop station add", folder)
    with explained("shop station add"):
        stations.check_new(config, names, again=again)
    _give_out("shop station add", config, names, out, as_json, lambda name: stations.add(config, name, again=again))


@app.command("rotate", epilog=EXIT_CODES)
def rotate(
    names: NamesArgument, out: OutOption = None, folder: FolderOption = None, as_json: JsonOption = False
) -> None:
    """Give stations new passwords, and write their new join files. The old passwords are refused at once.

    The station keeps its record and goes on where it was as soon as it has imported the new file.

    Example: lineset shop station rotate van-7
    """
    from lineset.shop import stations

    config = load("shop station rotate", folder)
    with explained("shop station rotate"):
        stations.check_admitted(config, names)
    _give_out("shop station rotate", config, names, out, as_json, lambda name: stations.rotate(config, name))


@app.command("revoke", epilog=EXIT_CODES)
def revoke(names: NamesArgument, folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Shut stations out: they are disconnected at once and may not come back. What they sent stays on record.

    Example: lineset shop station revoke van-7
    """
    import asyncio

    from lineset.shop import stations

    config = load("shop station revoke", folder)
    with explained("shop station revoke"):
        stations.check_admitted(config, names)
        for name in names:
            stations.revoke(config, name)
        told = _tell(config)
        told["retained"] = asyncio.run(_clear(config, names))
    _report([{"station": name, "revoked": True} for name in names], told, as_json, "{station}: revoked")


@app.command("list", epilog=EXIT_CODES)
def list_(folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Show the stations and since when they may come, or no more.

    Example: lineset shop station list --json
    """
    from lineset.shop import stations

    config = load("shop station list", folder)
    with explained("shop station list"):
        found = stations.read_stations(config).stations
    rows = [
        {"station": name, "added_at": row.added_at, "changed_at": row.changed_at, "revoked_at": row.revoked_at}
        for name, row in sorted(found.items())
    ]
    if as_json:
        typer.echo(json.dumps(rows, indent=2))
        return
    for row in rows:
        fate = f"revoked {row['revoked_at']}" if row["revoked_at"] else f"password of {row['changed_at']}"
        typer.echo(f"{row['station']:20} added {row['added_at']}, {fate}")
    if not rows:
        typer.echo("no stations yet; let one in with: lineset shop station add NAME")


def _give_out(verb: str, config: ShopConfig, names: list[str], out: Path | None, as_json: bool, made: Any) -> None:
    several = len(names) > 1
    paths: dict[str, Path] = {}
    with explained(verb):
        for name in names:
            path = (out / f"{name}.join") if out and (several or out.is_dir()) else out or Path(f"{name}.join")
            if path.exists():
                raise say_error(verb, f"{path} is there already; name another with --out; nothing was changed", WRONG)
            if not path.resolve().parent.is_dir():
                raise say_error(verb, f"{path.parent} is no folder; nothing was changed", WRONG)
            if not os.access(path.resolve().parent, os.W_OK | os.X_OK):
                remedy = "name another place with --out; nothing was changed"
                raise say_error(verb, f"no permission to write into {path.resolve().parent}; {remedy}", WRONG)
            paths[name] = path
        joins: list[JoinFile] = []
        for name in names:
            joins.append(made(name))
            try:
                _write_join(paths[name], joins[-1])
            except OSError as error:
                _tell(config)
                remedy = f"make one at another place: lineset shop station rotate {name} --out FILE"
                text = (
                    f"{paths[name]}: {name} may come, but its join file cannot be written ({error.strerror}); {remedy}"
                )
                raise say_error(verb, text, REFUSED) from error
        told = _tell(config)
    rows = [{"station": join.station, "file": str(paths[join.station])} for join in joins]
    _report(rows, told, as_json, "{station}: {file}; on the laptop: lineset shop join {file}")


def _write_join(path: Path, join: JoinFile) -> None:
    from lineset.station.join_file import join_text
    from lineset.stream.address import write_private

    write_private(path, join_text(join).encode())


async def _clear(config: ShopConfig, names: list[str]) -> str:
    from lineset.shop.errors import ShopError
    from lineset.shop.leftovers import clear_leftovers

    try:
        count = sum([await clear_leftovers(config, name) for name in names])
    except ShopError as error:
        return f"what the station said last may still be shown: {error}"
    are = "is" if count == 1 else "are"
    return f"{counted(count, 'state')} that the broker still showed {are} cleared"


def _tell(config: ShopConfig) -> dict[str, str]:
    """Put the change into force: the running broker, then the database; what came of it."""
    import asyncio

    from lineset.cli.quiet import set_up_quiet_logs
    from lineset.shop.in_force import put_in_force

    set_up_quiet_logs()
    return asyncio.run(put_in_force(config))


def _report(rows: list[dict[str, Any]], told: dict[str, str], as_json: bool, text: str) -> None:
    if as_json:
        typer.echo(json.dumps({"stations": rows, **told}, indent=2))
    else:
        for row in rows:
            typer.echo(text.format(**row))
        for what, sentence in told.items():
            typer.echo(f"{what.replace('_', ' ')}: {sentence}")
    if "not_yet_at" in told:  # a station that was shut out may still come in there
        raise typer.Exit(REFUSED)
