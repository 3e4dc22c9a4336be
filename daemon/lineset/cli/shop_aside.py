"""`lineset shop aside`: what collectors did not take, and why."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lineset.cli.printed import printed
from lineset.cli.shop_folder import FolderOption, explained, load
from lineset.cli.station_access import REFUSED, WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from lineset.shop.kept_aside import KeptAside
    from lineset.shop.shop_config import ShopConfig

_VERB = "shop aside"
_MOST = 200  # that are listed
_LAST = 2**63 - 1  # number that the database can have


def aside(
    folder: FolderOption = None,
    everything: Annotated[bool, typer.Option("--all", help="Also what somebody has looked into already.")] = False,
    save: Annotated[
        int, typer.Option(min=0, show_default=False, help="Write the message of this number to --out.")
    ] = 0,
    out: Annotated[Path | None, typer.Option(help="File for --save; it must not exist.")] = None,
    done: Annotated[
        list[int] | None, typer.Option(min=1, help="Note that this number was looked into; needs --by.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who looked into it.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Show the messages of stations that were put aside instead of being stored, each with its reason.

    They lie whole in the database and stay there; --done only takes them off this list. A right block that comes later
    is taken all the same.

    Example: lineset shop aside --done 17 --by "who looked"

    Exit code: 0 when done, 1 no message of that number or the file is there, 2 wrong words or settings, 3 no shop or
    database there.
    """
    from lineset.shop import kept_aside

    if too_high := [number for number in (save, *(done or ())) if number > _LAST]:
        raise say_error(_VERB, f"no message has a number as high as {too_high[0]}; list them with --all", WRONG)
    if done and not by.strip():
        raise say_error(_VERB, "--done needs --by: who looked into it", WRONG)
    if bool(save) != (out is not None):
        raise say_error(_VERB, "--save and --out go together: a number, and a file", WRONG)
    config = load(_VERB, folder)
    if save and out is not None:
        payload = _ask(config, lambda connection: kept_aside.payload_of(connection, save))
        if payload is None:
            raise say_error(_VERB, f"there is no message of number {save}; list them with --all", REFUSED)
        with explained(_VERB), out.open("xb") as file:
            file.write(payload)
        typer.echo(f"{len(payload)} bytes written to {out}")
        return
    if done:
        noted, unknown = _ask(config, lambda connection: kept_aside.note(connection, done, by))
        if as_json:
            typer.echo(json.dumps({"noted": noted, "unknown": unknown}))
        else:
            typer.echo(f"Noted: {', '.join(map(str, noted)) or 'none is new'}")
        if unknown:
            text = f"there is no message of number {', '.join(map(str, unknown))}; list them with --all"
            raise say_error(_VERB, text, REFUSED)
        return
    found = _ask(config, lambda connection: kept_aside.listed(connection, everything=everything, most=_MOST + 1))
    if as_json:
        import msgspec

        typer.echo(json.dumps(msgspec.to_builtins(found[:_MOST]), indent=2))
        return
    for each in found[:_MOST]:
        typer.echo(printed(_sentence(each)))
    if len(found) > _MOST:
        typer.echo(f"These are the first {_MOST} and there are more: tick off with --done what was looked into.")
    if not found:
        typer.echo("Nothing was put aside that nobody has looked into.")


def _sentence(each: KeptAside) -> str:
    block = "a message" if each.n is None else f"block {each.n}"
    times = f", {each.times} times" if each.times > 1 else ""
    seen = f" [{each.taken_by}, {each.taken_at:%Y-%m-%d}]" if each.taken_at else ""
    return (
        f"{each.id}: {each.received_at:%Y-%m-%d %H:%M}Z  {each.station}/{each.visit}, {block}{times}: {each.reason}"
        f" ({each.words}){seen}"
    )


def _ask(config: ShopConfig, question: Callable[[Any], Awaitable[Any]]) -> Any:
    import asyncio

    from lineset.shop.database import connected
    from lineset.shop.database import explained as database_explained
    from lineset.shop.migrating import check_schema

    async def ask() -> Any:
        address = config.database("owner")
        async with connected(address) as connection:
            await check_schema(connection, address)
            with database_explained(address, "while what was put aside was looked at"):
                return await question(connection)

    with explained(_VERB):
        return asyncio.run(ask())
