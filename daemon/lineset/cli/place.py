"""`lineset place`: say at which point of the system a channel sits."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from lineset.cli.station_access import WRONG, AtOption, JsonOption, command, say_error, show_reply


def complete_point(incomplete: str) -> list[str]:
    """Points that begin so."""
    from lineset.equipment.points import POINTS

    return [name for name in POINTS if name.startswith(incomplete)]


def place(
    instrument: Annotated[str | None, typer.Argument(help="Instrument, or instrument/channel.")] = None,
    point: Annotated[
        str,
        typer.Argument(
            help="Point, such as compressor_common_current; --list names all.", autocompletion=complete_point
        ),
    ] = "",
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    off: Annotated[bool, typer.Option("--off", help="Take the channel away from its point.")] = False,
    supersedes: Annotated[
        int, typer.Option(show_default=False, help="Entry number of a wrong placement that this puts right.")
    ] = 0,
    list_all: Annotated[bool, typer.Option("--list", help="Name all points.")] = False,
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Place a channel at a point, take it away, or list the points.

    Line voltage: clamp and probe only where the panel can be worked in safely; place from outside the panel.

    Example: lineset place clamp/current herm_lead_current

    Exit code: 0 placed, 1 refused, 2 wrong words, 3 no station runs here.
    """
    if list_all:
        from lineset.equipment.points import POINTS

        if as_json:
            rows = [
                {"name": p.name, "title": p.title, "quantity": p.quantity, "unit": p.si_unit, "where": p.where}
                for p in POINTS.values()
            ]
            typer.echo(json.dumps(rows, indent=2))
        else:
            for p in POINTS.values():
                typer.echo(f"{p.name:32}{p.quantity.replace('_', ' '):24}{p.where}")
        return
    if not instrument or not (point or off):
        raise say_error("place", "name an instrument and a point: lineset place clamp herm_lead_current", WRONG)
    if point and off:
        raise say_error("place", "a point and --off together make no sense; give one of them", WRONG)
    name, _, channel = instrument.partition("/")
    args = {"instrument": name, "channel": channel, "point": point, "system": system, "supersedes": supersedes}
    show_reply("place", command("place", "place", args, at), as_json)
