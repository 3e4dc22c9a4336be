"""`lineset visit open|show|phase|close`: the visit, in a first plain form."""

from __future__ import annotations

from typing import Annotated

import typer

from lineset.cli.station_access import AtOption, JsonOption, command, show_reply
from lineset.equipment.system import NO_NAME

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Open, show, move on and close the visit.")


@app.command("open")
def open_(
    name: Annotated[str, typer.Argument(help="An opaque reference of a-z, 0-9, _ and -: never a name or an address.")],
    refrigerant: Annotated[str, typer.Option(help="Refrigerant on the nameplate, such as R-410A.")] = "",
    metering_device: Annotated[str, typer.Option(help="txv, eev, fixed_orifice or capillary.")] = "",
    system: Annotated[
        str,
        typer.Option(help="Its name; one of its own lets it be held against earlier visits."),
    ] = NO_NAME,
    line_frequency: Annotated[float, typer.Option(help="Line frequency in Hz.")] = 60.0,
    altitude: Annotated[float, typer.Option(help="Altitude of the site in metres.")] = 0.0,
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Open a visit. Without a refrigerant the systems of the station's configuration are taken.

    Example: lineset visit open 2027-0412 --refrigerant R-410A --metering-device txv

    Exit code: 0 open, 1 refused, 3 no station runs here.
    """
    systems = []
    if refrigerant:
        systems = [
            {
                "id": system,
                "refrigerant": refrigerant,
                "metering_device": metering_device,
                "line_frequency_hz": line_frequency,
                "altitude_m": altitude,
            }
        ]
    show_reply("visit open", command("visit-open", "visit open", {"visit": name, "systems": systems}, at), as_json)


@app.command()
def phase(
    name: Annotated[str, typer.Argument(help="at_rest, before, work, drying or after.")],
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Go on to another phase; what settles from now on belongs to it.

    Example: lineset visit phase after
    """
    show_reply("visit phase", command("phase", "visit phase", {"phase": name}, at), as_json)


@app.command()
def show(at: AtOption = None, as_json: JsonOption = False) -> None:
    """Show the open visit: phase, systems, what has settled, where probes sit.

    Example: lineset visit show
    """
    reply = command("visit-show", "visit show", {}, at)
    if as_json or not reply.ok or not reply.data.get("visit"):
        show_reply("visit show", reply, as_json)
        return
    typer.echo("\n".join(_described(reply.data)))


def _described(data: dict[str, object]) -> list[str]:
    from lineset.equipment.display import shown
    from lineset.station.events import quantity_of, title_of

    lines = [f"visit {data['visit']}, phase {data['phase']}, {data['minutes']} minutes since it was opened"]
    systems = data["systems"]
    assert isinstance(systems, dict)
    for id_, system in systems.items():
        lines.append(f"\nsystem {id_}: {system['refrigerant']}, {system['run']} {system['mode']}".rstrip())
        for name, value in system["settled"].items():
            lines.append(f"  settled  {title_of(name)}: {shown(value, quantity_of(name))}")
    placements = data["placements"]
    assert isinstance(placements, dict)
    if placements:
        lines.append("\nplaced")
        lines += [f"  {channel} at {where}" for channel, where in placements.items()]
    return lines


@app.command()
def close(
    reason: Annotated[str, typer.Option(help="A remark on the closing.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Close the visit and seal its journal.

    Example: lineset visit close
    """
    reply = command("visit-close", "visit close", {"reason": reason}, at, timeout_s=30.0)
    if as_json or not reply.ok:
        show_reply("visit close", reply, as_json)
        return
    typer.echo(f"{reply.text}\njournal {reply.data.get('journal')}\nhead {reply.data.get('head')}")
