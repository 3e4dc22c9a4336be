"""`lineset shop join` and `lineset shop leave`: the technician's laptop and its shop."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lineset.cli.station_access import REFUSED, WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from lineset.station.config import Config

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", "-c", help="The station's configuration: its data folder and names.", dir_okay=False),
]
DATA_VARIABLE = "LINESET_DATA"
DataOption = Annotated[
    Path | None,
    typer.Option("--data", envvar=DATA_VARIABLE, help="The station's data folder, where no configuration names it."),
]


def join(
    file: Annotated[Path, typer.Argument(help="The join file that the shop made: NAME.join.", dir_okay=False)],
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Join this station to its shop: check the join file and put a copy, readable for you alone, into the data folder.

    A running station takes it up within seconds; a newer file takes the place of the one before. Delete the file that
    you were given when it is done: whoever has it is this station to the shop.

    Example: lineset shop join van-1.join --config van.toml

    Exit code: 0 joined, 1 the copy cannot be made, 2 the file cannot be used.
    """
    from lineset.station.join_file import check_names, read_join
    from lineset.stream.address import write_private
    from lineset.stream.errors import SettingsError

    loaded, kept, _ = place("join", config, data)
    try:
        found = read_join(file)
        if loaded is not None:
            check_names(found, loaded.shop, loaded.name, f"join file {file}")
    except SettingsError as error:
        raise say_error("shop join", str(error), WRONG) from error
    before = kept.exists()
    try:
        kept.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_private(kept, file.read_bytes())
    except OSError as error:
        raise say_error("shop join", f"{kept}: {error.strerror or error}; check its rights", REFUSED) from error
    done = "joined anew" if before else "joined"
    told: dict[str, Any] = {"shop": found.shop, "station": found.station, "urls": list(found.urls), "file": str(kept)}
    if as_json:
        typer.echo(json.dumps(told | {"replaced": before}, indent=2))
        return
    typer.echo(f"station {found.station} has {done} shop {found.shop} at {', '.join(found.urls)}")
    typer.echo(f"kept in {kept}; a running station takes it up within seconds")
    if loaded is None:
        text = f'the configuration must say, under [station]: name = "{found.station}", shop = "{found.shop}"'
        typer.echo(f"no configuration was named, so the names were not compared: {text}")
    typer.echo(f"now delete {file}: whoever has it is this station to the shop")


def leave(config: ConfigOption = None, data: DataOption = None, as_json: JsonOption = False) -> None:
    """Leave the shop: remove the copy of the join file. Records stay here; what the shop has stays there.

    Example: lineset shop leave --config van.toml

    Exit code: 0 left, 1 this station has not joined a shop.
    """
    _, kept, _ = place("leave", config, data)
    try:
        kept.unlink()
    except FileNotFoundError as error:
        text = f"{kept} does not exist: this station has not joined a shop"
        raise say_error("shop leave", text, REFUSED) from error
    except OSError as error:
        raise say_error("shop leave", f"{kept}: {error.strerror or error}; check its rights", REFUSED) from error
    if as_json:
        typer.echo(json.dumps({"left": True, "file": str(kept)}, indent=2))
        return
    typer.echo(f"{kept} is removed; a running station stops sending within seconds, and keeps what it has recorded")
    typer.echo("the shop revokes the credentials: lineset shop station revoke NAME")


def place(verb: str, config: Path | None, data: Path | None) -> tuple[Config | None, Path, Path]:
    """The configuration if one was named, where the station looks for its join file, and its data folder.

    A folder that the environment names gives way to a configuration; one that was typed contradicts it.
    """
    from lineset.station.config import ConfigError, default_folder, load
    from lineset.station.join_file import NAME

    if config is None:
        folder = data or default_folder()
        return None, folder / NAME, folder
    if data is not None and str(data) != os.environ.get(DATA_VARIABLE):
        raise say_error(f"shop {verb}", "name --config or --data, not both: the configuration names the folder", WRONG)
    try:
        loaded = load(config)
    except ConfigError as error:
        raise say_error(f"shop {verb}", str(error), WRONG) from error
    return loaded, loaded.uplink or loaded.data / NAME, loaded.data
