"""`lineset note`: a remark for the record."""

from __future__ import annotations

from typing import Annotated

import typer

from lineset.cli.station_access import AtOption, JsonOption, command, show_reply


def note(
    text: Annotated[str, typer.Argument(help="The remark.")],
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a remark on the visit's record.

    Example: lineset note "port cap on the liquid valve was loose"

    Exit code: 0 noted, 1 refused, 3 no station runs here.
    """
    show_reply("note", command("note", "note", {"text": text}, at), as_json)
