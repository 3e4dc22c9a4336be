"""Which of the shop's visits a verb means, and where the shop is."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import WRONG, say_error

if TYPE_CHECKING:
    from lineset.shop.received import Selection
    from lineset.shop.shop_config import DatabaseAddress, ShopConfig

ShopOption = Annotated[bool, typer.Option("--shop", help="Ask the shop's record.")]
ShopFolderOption = Annotated[
    Path | None,
    typer.Option(
        "--shop-folder", envvar="LINESET_SHOP", help="The shop's folder; the usual one when not given.", file_okay=False
    ),
]
StationsOption = Annotated[
    list[str] | None, typer.Option("--station", help="With --shop: only this station; may be given again.")
]
SinceOption = Annotated[
    str | None, typer.Option("--since", help="With --shop: opened on this day (UTC, 2026-05-01) or time, or later.")
]
UntilOption = Annotated[str | None, typer.Option("--until", help="With --shop: opened before this day (UTC) or time.")]


def selection(
    verb: str, stations: list[str] | None, visits: list[str] | None, since: str | None, until: str | None
) -> Selection:
    """The visits that are meant. Raises typer.Exit for what is no time."""
    from lineset.shop.received import Selection

    return Selection(
        stations=tuple(stations or ()),
        visits=tuple(visits or ()),
        since=_moment(verb, "--since", since),
        until=_moment(verb, "--until", until),
    )


def _moment(verb: str, option: str, text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        if len(text) == 10:
            return datetime.combine(date.fromisoformat(text), time(), UTC)
        found = datetime.fromisoformat(text)
        return found.astimezone(UTC) if found.tzinfo is not None else found.replace(tzinfo=UTC)
    except (ValueError, OverflowError) as error:
        raise say_error(verb, f"{option} {text}: this is no day or time; write 2026-05-01", WRONG) from error


def the_shop(verb: str, folder: Path | None, code: int) -> tuple[ShopConfig, DatabaseAddress]:
    """The shop's settings, and its database as the auditor reaches it. Raises typer.Exit with `code`."""
    from lineset.shop.errors import ShopError
    from lineset.shop.shop_config import load_shop

    try:
        config = load_shop(folder)
        return config, config.database("auditor")
    except ShopError as error:
        raise say_error(verb, str(error), code) from error
