"""`lineset relay`: the drivers alone, on a small computer near the air handler, handing frames on to the station."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lineset.cli.station_access import REFUSED, WRONG, say_error


def relay(
    config: Annotated[
        Path | None, typer.Option("--config", "-c", help="The relay's configuration, a TOML file.", dir_okay=False)
    ] = None,
    new_key: Annotated[
        Path | None, typer.Option("--new-key", help="Make a key file that the relay and its station share, and stop.")
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Check the configuration and stop.")] = False,
    log_json: Annotated[bool, typer.Option("--log-json", help="Write the log as JSON lines.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more.")] = False,
) -> None:
    """Run instruments where the station's radio does not reach; keep every frame until the station has stored it.

    The configuration: [relay] name, listen = "8931" or "ADDRESS:8931", key_file, spool; and [[instrument]] as for a
    station. At the station the same [[instrument]] has link = "relay://HOST:8931", and [relay] key_file names a copy of
    the key. Both are on the technician's own network; frames are authenticated, not secret.

    Example: lineset relay --new-key relay.key; lineset relay --config attic.toml

    Exit code: 0 when stopped, 1 when it cannot run, 2 when the configuration is wrong.
    """
    import asyncio
    import os

    from lineset.station.config import ConfigError
    from lineset.station.logs import set_up_logs
    from lineset.station.relay_config import load_relay
    from lineset_drivers.errors import DriverError

    if new_key is not None:
        _make_key(new_key)
        return
    if config is None:
        raise say_error("relay", "name a configuration: lineset relay --config attic.toml", WRONG)
    os.umask(0o077)  # the spool holds readings; they are its owner's alone
    set_up_logs(as_json=log_json, verbose=verbose)
    try:
        loaded = load_relay(config)
    except ConfigError as error:
        raise say_error("relay", str(error), WRONG) from error
    if check:
        typer.echo(f"{config}: good; {len(loaded.instruments)} instruments")
        return
    try:
        asyncio.run(_run(loaded))
    except DriverError as error:
        raise say_error("relay", str(error), REFUSED) from error


def _make_key(path: Path) -> None:
    import os

    from lineset_drivers.relay_server import new_key

    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        raise say_error("relay", f"{path}: {error.strerror}; a key that is there is never replaced", REFUSED) from error
    with os.fdopen(descriptor, "w") as file:
        file.write(new_key() + "\n")
    typer.echo(f"{path}: a new key. Copy it to the station over a way you trust, readable for you alone.")


async def _run(loaded: object) -> None:
    import asyncio
    import signal

    from lineset.station.relay_config import RelayConfig
    from lineset_drivers.relay_server import RelayServer
    from lineset_drivers.relay_spool import Spool

    assert isinstance(loaded, RelayConfig)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for signum in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(signum, stop.set)
    spool = Spool(loaded.spool)
    try:
        async with RelayServer(
            loaded.name,
            loaded.key,
            [item.spec for item in loaded.instruments],
            spool,
            host=loaded.host,
            speed=loaded.speed,
            port=loaded.port,
        ) as server:
            typer.echo(f"relay {loaded.name} listens on port {server.port}; {spool.waiting} frames wait", err=True)
            await stop.wait()
    finally:
        spool.close()
