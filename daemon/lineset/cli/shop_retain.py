"""`lineset shop retain`: remove the months that shop.toml no longer keeps, or show which they are."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.shop_folder import FolderOption, explained, load
from lineset.cli.station_access import JsonOption
from lineset.equipment.language import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lineset.shop.retention import Removed
    from lineset.shop.shop_config import ShopConfig


def retain(
    folder: FolderOption = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Remove nothing, only show what would be.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Remove from the database the months of records that [retention] months in shop.toml no longer keeps.

    A month goes only when everything of its visits came before the months that are kept. The visits' own rows remain.
    With reading_months the rows of readings and derived values go sooner, and the blocks that hold them stay.
    A running shop does the same once a day. What is removed cannot be brought back but from a copy of the database.

    Example: lineset shop retain --dry-run

    Exit code: 0 when done, 2 when the settings are wrong, 3 no shop or database there.
    """
    import asyncio

    config = load("shop retain", folder)
    with explained("shop retain"):
        removed = asyncio.run(_retain(config, dry_run))
    if as_json:
        months = [
            {"month": str(each.month), "what": each.what, "visits": each.visits, "bytes": each.size} for each in removed
        ]
        kept = {"months_kept": config.retention.months, "reading_months_kept": config.retention.reading_months}
        typer.echo(json.dumps({**kept, "dry_run": dry_run, "removed": months}))
        return
    for each in removed:
        verb = "would be removed" if dry_run else "removed"
        visits = f"{'readings of ' if each.what == 'readings' else ''}{counted(each.visits, 'visit')}"
        typer.echo(f"{each.month:%Y-%m}: {visits}, {each.size / 1e6:.1f} MB {verb}")
    if not removed:
        readings = f", readings {counted(found, 'month')}" if (found := config.retention.reading_months) else ""
        typer.echo(f"Nothing is older than the {config.retention.months} months that are kept{readings}.")


async def _retain(config: ShopConfig, dry: bool) -> Sequence[Removed]:
    from lineset.shop import retention
    from lineset.shop.database import connected
    from lineset.shop.database import explained as database_explained
    from lineset.shop.migrating import check_schema

    address = config.database("owner")
    async with connected(address, command_timeout=600.0) as connection:
        await check_schema(connection, address)
        with database_explained(address, "while old months were looked for"):
            kept = config.retention
            return await retention.retain(connection, months=kept.months, reading_months=kept.reading_months, dry=dry)
