"""`lineset shop token`: who may open the shop's board and its API."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import REFUSED, JsonOption, say_error

if TYPE_CHECKING:
    from lineset.shop.board_tokens import Token

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Tokens that open the shop's board and its API.")

FolderOption = Annotated[
    Path | None, typer.Option("--folder", envvar="LINESET_SHOP", help="The shop's folder; else the usual place.")
]


@app.command("add")
def add(
    name: Annotated[str, typer.Argument(help="Whose it is: a desk or a script.")],
    scope: Annotated[
        list[str] | None,
        typer.Option(help="What it opens besides the board: notes (what people wrote, photos, reports)."),
    ] = None,
    days: Annotated[int, typer.Option(help="For how many days it holds.")] = 365,
    folder: FolderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a token and print it, this once: only its hash is kept.

    Example: lineset shop token add "front desk" --scope notes

    Exit code: 0 made, 1 it could not be.
    """
    from lineset.shop.board_tokens import SCOPES, add_token
    from lineset.shop.errors import ShopError
    from lineset.shop.shop_config import load_shop

    wanted = [known for known in SCOPES if known in (scope or ())]
    unknown = [each for each in scope or () if each not in SCOPES]
    if unknown:
        raise say_error("shop token", f"{unknown[0]!r} is no scope; use {' or '.join(SCOPES)}", REFUSED)
    try:
        config = load_shop(folder)
        secret, token = add_token(config.folder, name, wanted, days)
    except ShopError as error:
        raise say_error("shop token", str(error), REFUSED) from error
    scheme = "https" if config.board.certificate or config.board.network else "http"
    url = f"{scheme}://{'HOST' if config.board.network else '127.0.0.1'}:{config.board.port}/#{secret}"
    if as_json:
        typer.echo(json.dumps(_told(token) | {"token": secret, "url": url}, indent=2))
        return
    typer.echo(secret)
    typer.echo(f"Opens {', '.join(token.scopes)} until {token.expires:%Y-%m-%d}. The board: {url}", err=True)


@app.command("list")
def list_tokens(folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Name the tokens, what they open and until when.

    Example: lineset shop token list

    Exit code: 0, or 1 where the shop cannot be read.
    """
    from lineset.shop.board_tokens import read_tokens
    from lineset.shop.errors import ShopError
    from lineset.shop.shop_config import load_shop

    try:
        tokens = read_tokens(load_shop(folder).folder)
    except ShopError as error:
        raise say_error("shop token", str(error), REFUSED) from error
    if as_json:
        typer.echo(json.dumps([_told(token) for token in tokens], indent=2))
        return
    if not tokens:
        typer.echo("No tokens; make one with: lineset shop token add NAME")
    now = datetime.now(UTC)
    for token in tokens:
        over = ", expired" if token.expires <= now else ""
        typer.echo(f"{token.name:24}{', '.join(token.scopes):16}until {token.expires:%Y-%m-%d}{over}")


@app.command("revoke")
def revoke(
    name: Annotated[str, typer.Argument(help="Name of the token.")],
    folder: FolderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a token back. A board that is open with it is closed within seconds.

    Example: lineset shop token revoke "front desk"

    Exit code: 0 taken back, 1 there is none of this name.
    """
    from lineset.shop.board_tokens import revoke_token
    from lineset.shop.errors import ShopError
    from lineset.shop.shop_config import load_shop

    try:
        token = revoke_token(load_shop(folder).folder, name)
    except ShopError as error:
        raise say_error("shop token", str(error), REFUSED) from error
    typer.echo(json.dumps(_told(token), indent=2) if as_json else f"revoked: {token.name}")


def _told(token: Token) -> dict[str, object]:
    return {
        "name": token.name,
        "scopes": list(token.scopes),
        "made": token.made.isoformat(),
        "expires": token.expires.isoformat(),
    }
