"""`lineset board`: the address of the technician's page, or the page itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from lineset.cli.station_access import UNREACHABLE, AtOption, JsonOption, say_error


def board(
    at: AtOption = None,
    open_it: Annotated[bool, typer.Option("--open", help="Open it in this machine's browser.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Print the address of the technician's page. The address lets in whoever has it: keep it to yourself.

    Example: lineset board --open

    Exit code: 0 done, 3 when no station runs here.
    """
    from lineset.board.beside import read_board_file
    from lineset.stream.errors import StreamError

    try:
        found = read_board_file(Path(at) if at else None)
    except StreamError as error:
        raise say_error("board", str(error), UNREACHABLE) from error
    url = found.url
    typer.echo(json.dumps({"url": url, "fingerprint": found.fingerprint}) if as_json else url)
    if found.fingerprint and not as_json:
        typer.echo(
            "A phone that opens it warns, since nobody vouches for the station's own certificate. Go on where the "
            f"certificate's SHA-256 is\n{found.fingerprint}"
        )
    if open_it:
        import webbrowser

        if not webbrowser.open(url):
            raise say_error("board", "no browser could be started; open the address yourself", UNREACHABLE)
