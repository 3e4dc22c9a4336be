"""`lineset shop token`: who may open the shop's board and its API."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.shop_folder import EXIT_CODES, FolderOption, explained, load
from lineset.cli.station_access import WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from lineset.shop.board_tokens import Token

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Tokens that open the shop's board and its API.")


@app.command("add", epilog=EXIT_CODES)
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
    """
    from lineset.shop.board_tokens import SCOPES, add_token

    wanted = [known for known in SCOPES if known in (scope or ())]
    unknown = [each for each in scope or () if each not in SCOPES]
    if unknown:
        raise say_error("shop token add", f"{unknown[0]!r} is no scope; use {' or '.join(SCOPES)}", WRONG)
    config = load("shop token add", folder)
    with explained("shop token add"):
        secret, token = add_token(config.folder, name, wanted, days)
    scheme = "https" if config.board.certificate or config.board.network else "http"
    url = f"{scheme}://{'HOST' if config.board.network else '127.0.0.1'}:{config.board.port}/#{secret}"
    if as_json:
        typer.echo(json.dumps(_told(token) | {"token": secret, "url": url}, indent=2))
        return
    typer.echo(secret)
    typer.echo(f"Opens {', '.join(token.scopes)} until {token.expires:%Y-%m-%d}. The board: {url}", err=True)


@app.command("list", epilog=EXIT_CODES)
def list_tokens(folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Name the tokens, what they open and until when.

    Example: lineset shop token list
    """
    from lineset.shop.board_tokens import read_tokens

    config = load("shop token list", folder)
    with explained("shop token list"):
        tokens = read_tokens(config.folder)
    if as_json:
        typer.echo(json.dumps([_told(token) for token in tokens], indent=2))
        return
    if not tokens:
        typer.echo("No tokens; make one with: lineset shop token add NAME")
    now = datetime.now(UTC)
    for token in tokens:
        over = ", expired" if token.expires <= now else ""
        typer.echo(f"{token.name:24}{', '.join(token.scopes):16}until {token.expires:%Y-%m-%d}{over}")


@app.command("revoke", epilog=EXIT_CODES)
def revoke(
    name: Annotated[str, typer.Argument(help="Name of the token.")],
    folder: FolderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a token back. A board that is open with it is closed within seconds.

    Example: lineset shop token revoke "front desk"
    """
    from lineset.shop.board_tokens import revoke_token

    config = load("shop token revoke", folder)
    with explained("shop token revoke"):
        token = revoke_token(config.folder, name)
    typer.echo(json.dumps(_told(token), indent=2) if as_json else f"revoked: {token.name}")


def _told(token: Token) -> dict[str, object]:
    return {
        "name": token.name,
        "scopes": list(token.scopes),
        "made": token.made.isoformat(),
        "expires": token.expires.isoformat(),
    }
