"""`lineset run`: the station, until it is stopped."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import REFUSED, WRONG, say_error

if TYPE_CHECKING:
    from lineset.station.config import Config
    from lineset.station.daemon import Station


def run(
    config: Annotated[
        Path, typer.Option("--config", "-c", help="The station's configuration, a TOML file.", dir_okay=False)
    ],
    at: Annotated[
        Path | None,
        typer.Option(
            "--at", envvar="LINESET_RUNTIME", help="Folder for broker.json, by which other programs find the station."
        ),
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Check the configuration and stop.")] = False,
    log_json: Annotated[bool, typer.Option("--log-json", help="Write the log as JSON lines.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more.")] = False,
) -> None:
    """Run the station: read the instruments, keep the journal, publish over MQTT. Stop it with Ctrl-C.

    Example: lineset run --config van.toml

    Exit code: 0 when stopped, 1 when it cannot run, 2 when the configuration is wrong.
    """
    import asyncio
    import os

    from lineset.board.errors import BoardError
    from lineset.contract.entry import EntryError
    from lineset.journal.errors import JournalError
    from lineset.station import daemon
    from lineset.station.config import ConfigError, load
    from lineset.station.logs import set_up_logs
    from lineset.stream.errors import StreamError

    os.umask(0o077)  # whatever the station writes is its owner's alone, also in a folder that was there before
    set_up_logs(as_json=log_json, verbose=verbose)
    try:
        loaded = load(config)
    except ConfigError as error:
        raise say_error("run", str(error), WRONG) from error
    try:
        if loaded.broker.url:
            loaded.broker.address()  # reads the credentials file
    except StreamError as error:
        raise say_error("run", str(error), WRONG) from error
    if check:
        typer.echo(
            f"{config}: good; {len(loaded.instruments)} instruments, {len(loaded.placements)} placements, "
            f"{len(loaded.systems)} systems"
        )
        return
    try:
        asyncio.run(daemon.run(loaded, runtime=at, beside=_beside(loaded), on_ready=_announce))
    except (JournalError, StreamError, EntryError, BoardError) as error:
        raise say_error("run", str(error), REFUSED) from error
    except OSError as error:
        raise say_error("run", f"{error.filename or ''} {error.strerror or error}".strip(), REFUSED) from error


def _beside(config: Config) -> Callable[[Station], AbstractAsyncContextManager[object]]:
    """What runs beside a station by its configuration; a web server costs memory and time at the start."""
    parts: list[Callable[[Station], AbstractAsyncContextManager[object]]] = []
    if config.board.enabled:
        from lineset.board.beside import board_beside

        parts.append(board_beside)
    if config.metrics.enabled:
        from lineset.station.metrics import metrics_beside

        parts.append(metrics_beside)

    @asynccontextmanager
    async def beside(station: Station) -> AsyncIterator[None]:
        async with AsyncExitStack() as stack:
            for part in parts:
                await stack.enter_async_context(part(station))
            yield

    return beside


def _announce(station: object) -> None:
    from lineset.station.daemon import Station

    assert isinstance(station, Station)
    if station.broker is not None:
        where = f"broker on 127.0.0.1:{station.broker.mqtt_port}, credentials in {station.broker.runtime}/broker.json"
    else:
        where = f"broker {station.config.broker.url}"
    typer.echo(f"station {station.config.name} is running; {where}", err=True)
    if station.config.board.enabled:
        typer.echo("the board's address: lineset board", err=True)
    if station.config.metrics.enabled and station.config.metrics.port:
        typer.echo(f"metrics on port {station.config.metrics.port}, /metrics", err=True)
