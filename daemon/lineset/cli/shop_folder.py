"""What the verbs of the shop share: the folder option, completion of station names, errors and their exit codes."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import REFUSED, UNREACHABLE, WRONG, say_error

if TYPE_CHECKING:
    from lineset.shop.shop_config import ShopConfig

EXIT_CODES = "Exit code: 0 done, 1 refused or failed, 2 wrong words or settings, 3 no shop, broker or database there."

FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--folder", envvar="LINESET_SHOP", help="The shop's folder; the usual one when not given.", file_okay=False
    ),
]


def load(verb: str, folder: Path | None) -> ShopConfig:
    """The shop's settings. Raises typer.Exit with a sentence when they cannot be used."""
    from lineset.shop.shop_config import load_shop

    with explained(verb):
        return load_shop(folder)


@contextlib.contextmanager
def explained(verb: str) -> Iterator[None]:
    """Errors of the shop become a sentence and an exit code."""
    from lineset.shop.errors import DatabaseError, NoShopError, ShopError, ShopSettingsError

    try:
        yield
    except (NoShopError, DatabaseError) as error:
        raise say_error(verb, str(error), UNREACHABLE) from error
    except ShopSettingsError as error:
        raise say_error(verb, str(error), WRONG) from error
    except ShopError as error:
        raise say_error(verb, str(error), REFUSED) from error
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        remedy = "check the path, its rights and the room on the disk"
        raise say_error(verb, f"{where}{error.strerror or error}; {remedy}", REFUSED) from error


def complete_station(context: typer.Context, incomplete: str) -> list[str]:
    """Names of stations for the shell, from the folder that was given so far."""
    from lineset.shop.errors import ShopError
    from lineset.shop.shop_config import load_shop
    from lineset.shop.stations import read_stations

    try:
        found = read_stations(load_shop(context.params.get("folder") or os.environ.get("LINESET_SHOP")))
    except (ShopError, OSError):
        return []
    return [name for name in found.admitted if name.startswith(incomplete)]
