"""`lineset shop run` and `lineset shop status`."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from lineset.cli.shop_folder import FolderOption, explained, load
from lineset.cli.station_access import UNREACHABLE, WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from lineset.shop.supervise import Supervisor

_ONLY = ("broker", "database", "collector", "board")


def run(
    folder: FolderOption = None,
    only: Annotated[str, typer.Option(help="Only one part: broker, database, collector or board.")] = "",
    collector_name: Annotated[str, typer.Option(help="Name of the collector, with --only collector.")] = "c1",
    log_json: Annotated[bool, typer.Option("--log-json", help="Write the log as JSON lines.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more.")] = False,
) -> None:
    """Run the shop: broker, database, collectors and board, as shop.toml says. Stop it with Ctrl-C.

    Example: lineset shop run --folder /srv/lineset-shop

    Exit code: 0 when stopped, 1 when it cannot run, 2 when the settings are wrong, 3 no shop or database there.
    """
    import asyncio

    from lineset.contract.topic import TopicError, check_level
    from lineset.shop import supervise
    from lineset.station.logs import set_up_logs

    if only and only not in _ONLY:
        raise say_error("shop run", f"--only {only}: it is one of {', '.join(_ONLY)}", WRONG)
    try:
        check_level(collector_name, "collector")
    except TopicError as error:
        raise say_error("shop run", str(error), WRONG) from error
    set_up_logs(as_json=log_json, verbose=verbose)
    config = load("shop run", folder)
    with explained("shop run"):
        if only == "collector":
            asyncio.run(supervise.run_part(config, "collector", collector_name, _say))
        elif only == "board":
            asyncio.run(supervise.run_part(config, "board", "", _say))
        else:
            part: Literal["broker", "database"] | None = (
                "broker" if only == "broker" else "database" if only == "database" else None
            )
            asyncio.run(supervise.run(config, part, _announce))


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _announce(supervisor: Supervisor) -> None:
    config = supervisor.config
    _say(f"shop {config.name} in {config.folder} is running:")
    for part in supervisor.parts:
        _say(f"  {part.name:12} process {part.pid:<8} {part.where}")
    for url in config.station_urls if supervisor.only != "database" else ():
        _say(f"  vans reach the broker at {url}")
    _say("stop it with Ctrl-C, or: kill " + str(_pid()))


def _pid() -> int:
    import os

    return os.getpid()


def status(folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Tell what runs, how many stations there are, what waits or was set aside, and the version of the tables.

    Example: lineset shop status --json

    Exit code: 0 everything that should run on this machine does, 1 a part is down, 2 wrong settings, 3 no shop there,
    or its database cannot be reached.
    """
    import asyncio

    from lineset.cli.quiet import set_up_quiet_logs
    from lineset.shop.shop_status import look, sentences

    set_up_quiet_logs()
    config = load("shop status", folder)
    with explained("shop status"):
        found = asyncio.run(look(config))
    if as_json:
        import msgspec

        typer.echo(json.dumps(msgspec.to_builtins(found), indent=2))
    else:
        typer.echo("\n".join(sentences(found)))
    if found.down:
        raise typer.Exit(1)
    if found.database_problem:
        raise typer.Exit(UNREACHABLE)
