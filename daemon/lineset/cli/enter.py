"""`lineset enter`: a value that a person read from a display."""

from __future__ import annotations

from typing import Annotated

import typer

from lineset.cli.place import complete_point
from lineset.cli.station_access import AtOption, JsonOption, command, show_reply


def enter(
    point: Annotated[str, typer.Argument(help="Point, such as vapor_service_pressure.", autocompletion=complete_point)],
    value: Annotated[str, typer.Argument(help='Value with its unit, such as "118 psig" or "52.4 +/- 0.5 degF".')],
    instrument: Annotated[str, typer.Option(help="Instrument that was read, where it is configured.")] = "by-eye",
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    resolution: Annotated[
        str, typer.Option(help='Step of the display, such as "1 psig"; else the last digit typed.')
    ] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter a value read by eye. It is settled because you say so, and the record says that it was entered.

    Example: lineset enter vapor_service_pressure "118 psig"

    Exit code: 0 entered, 1 refused, 3 no station runs here.
    """
    args = {"point": point, "value": value, "instrument": instrument, "system": system, "resolution": resolution}
    show_reply("enter", command("enter", "enter", args, at), as_json)
