"""`lineset visit open|systems|amend|show|phase|close`: the visit from its opening to its seal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from lineset.cli.station_access import WRONG, AtOption, JsonOption, command, say_error, show_reply
from lineset.equipment.system import NO_NAME

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Open, describe, show, move on and close the visit."
)


@app.command("open")
def open_(
    name: Annotated[
        str,
        typer.Argument(
            help="A reference of a-z, 0-9, _ and -, such as the job's number: never a person or an address, for it is "
            "seen wherever the visit is. Left out: one is made."
        ),
    ] = "",
    refrigerant: Annotated[str, typer.Option(help="Refrigerant on the nameplate, such as R-410A.")] = "",
    metering_device: Annotated[str, typer.Option(help="txv, eev, fixed_orifice or capillary.")] = "",
    system: Annotated[
        list[str] | None,
        typer.Option(
            help="Its name; one of its own lets it be remembered and held against earlier visits. Several for several."
        ),
    ] = None,
    line_frequency: Annotated[float | None, typer.Option(help="Line frequency in Hz.")] = None,
    altitude: Annotated[float | None, typer.Option(help="Altitude of the site in metres.")] = None,
    file: Annotated[
        list[Path] | None, typer.Option("--file", help="A system's description as a TOML file. Several for several.")
    ] = None,
    technician: Annotated[str, typer.Option(help="Name or number of who does the work, for the record.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Open a visit. Only the refrigerant and the metering device are asked now; say the rest when a check needs it.

    Of a system that the station remembers its name is enough (`lineset visit systems` lists them). Without any of
    them the systems of the station's configuration are taken.

    Example: lineset visit open 2027-0412 --refrigerant R-410A --metering-device txv

    Example: lineset visit open --system upstairs --system downstairs

    Exit code: 0 open, 1 refused, 2 wrong words, 3 no station runs here.
    """
    systems = [_from_file(each) for each in file or ()]
    names = system or ([NO_NAME] if refrigerant else [])
    if refrigerant and len(names) > 1:
        raise say_error("visit open", "one refrigerant goes with one --system; describe the others in files", WRONG)
    given: dict[str, Any] = {
        "refrigerant": refrigerant,
        "metering_device": metering_device,
        "line_frequency_hz": line_frequency,
        "altitude_m": altitude,
    }
    said = {key: value for key, value in given.items() if value not in ("", None)}
    if said and not names:
        raise say_error("visit open", "say of which system: --refrigerant R-410A, or --system NAME", WRONG)
    systems += [{"id": each, **(said if len(names) == 1 else {})} for each in names]
    args = {"visit": name, "systems": systems, "technician": technician}
    show_reply("visit open", command("visit-open", "visit open", args, at), as_json)


def _from_file(path: Path) -> dict[str, Any]:
    """A system's description from a file, or an exit that names key, line and remedy."""
    from lineset.equipment.description import described, read_system
    from lineset.equipment.errors import SystemDescriptionError

    try:
        record, _ = read_system(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise say_error("visit open", f"{path} cannot be read: {error}", WRONG) from error
    except SystemDescriptionError as error:
        raise say_error("visit open", str(error), WRONG) from error
    return described(record)


@app.command()
def systems(at: AtOption = None, as_json: JsonOption = False) -> None:
    """List the systems that the station remembers from earlier visits.

    Example: lineset visit systems

    Exit code: 0 listed, 3 no station runs here.
    """
    reply = command("systems", "visit systems", {}, at)
    if as_json or not reply.data.get("systems"):
        show_reply("visit systems", reply, as_json)
        return
    for row in reply.data["systems"]:
        of = ", ".join(part for part in (row["title"], row["refrigerant"], row["metering_device"]) if part)
        typer.echo(f"{row['id']:24}{row['noted']:12}{of}")
    for wrong in reply.data["wrong"]:
        typer.echo(f"lineset visit systems: {wrong}", err=True)


def complete_key(incomplete: str) -> list[str]:
    """Keys of a system's description that begin so."""
    from lineset.equipment.nameplate import KEYS
    from lineset.equipment.system import SYSTEM_KEYS

    return [f"{key}=" for key in (*SYSTEM_KEYS, *KEYS) if key.startswith(incomplete) and key not in ("id", "nameplate")]


@app.command()
def amend(
    given: Annotated[
        list[str],
        typer.Argument(
            help="KEY=VALUE, such as compressor_rla_a=13.5; KEY= takes it back.", autocompletion=complete_key
        ),
    ],
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say more of a system than was known when the visit was opened; it is remembered for its next visit.

    Example: lineset visit amend compressor_rla_a=13.5 herm_capacitor_uf=45 heat_strip_kw=5,5

    Exit code: 0 noted, 1 refused, 2 wrong words, 3 no station runs here.
    """
    found: dict[str, Any] = {}
    for each in given:
        key, equals, value = each.partition("=")
        if not equals or not key:
            raise say_error("visit amend", f"{each!r} is no KEY=VALUE; write it like compressor_rla_a=13.5", WRONG)
        found[key.strip()] = _value(key.strip(), value.strip())
    reply = command("amend", "visit amend", {"given": found, "system": system}, at)
    show_reply("visit amend", reply, as_json)


_TEXTS = ("refrigerant", "metering_device", "title", "kind", "capacity_control")


def _value(key: str, text: str) -> Any:
    """A value as typed: nothing (take it back), a text, a list with commas, or a number."""
    if not text:
        return None
    if key in _TEXTS:
        return text
    parts = [part.strip() for part in text.split(",")]
    try:
        numbers: list[float] = [float(part) for part in parts]
    except ValueError:
        return text
    return numbers if key == "heat_strip_kw" or len(numbers) > 1 else numbers[0]


@app.command()
def phase(
    name: Annotated[
        str, typer.Argument(help="at_rest, before, work, drying or after.", autocompletion=lambda: list(_PHASES))
    ],
    force: Annotated[bool, typer.Option("--force", help="Go on whatever is missing; needs --reason.")] = False,
    reason: Annotated[str, typer.Option(help="Why it is forced; it goes on record with your name.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Go on to another phase; what settles from now on belongs to it. Refused with a list of what is missing for it.

    Example: lineset visit phase after

    Example: lineset visit phase before --force --reason "gauges were zeroed in the van"

    Exit code: 0 in that phase, 1 refused, 2 wrong words, 3 no station runs here.
    """
    _check_force("visit phase", force, reason)
    args = {"phase": name, "reason": reason} if force else {"phase": name}
    show_reply("visit phase", command("force-phase" if force else "phase", "visit phase", args, at), as_json)


_PHASES = ("at_rest", "before", "work", "drying", "after")


def _check_force(verb: str, force: bool, reason: str) -> None:
    if force and not reason.strip():
        raise say_error(verb, 'forcing needs a reason, which is recorded: --force --reason "..."', WRONG)


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
        lines += [f"  worth knowing: {each}" for each in system.get("worth_knowing", ())]
    placements = data["placements"]
    assert isinstance(placements, dict)
    if placements:
        lines.append("\nplaced")
        lines += [f"  {channel} at {where}" for channel, where in placements.items()]
    missing = data.get("missing")
    if isinstance(missing, list) and missing:
        lines += ["\nmissing before it can be closed", *[f"  {each}" for each in missing]]
    return lines


@app.command()
def close(
    force: Annotated[bool, typer.Option("--force", help="Close whatever is missing; needs --reason.")] = False,
    reason: Annotated[str, typer.Option(help="A remark, or why it is forced; it goes on record with your name.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Close the visit and seal its journal. Refused with a list of what is missing.

    Before you leave: thermostat as it was, caps on, disconnect in, panels closed.

    Example: lineset visit close

    Example: lineset visit close --force --reason "the customer has to leave"

    Exit code: 0 closed and sealed, 1 refused, 2 wrong words, 3 no station runs here.
    """
    _check_force("visit close", force, reason)
    verb = "force-close" if force else "visit-close"
    reply = command(verb, "visit close", {"reason": reason}, at, timeout_s=30.0)
    if as_json or not reply.ok:
        show_reply("visit close", reply, as_json)
        return
    typer.echo(f"{reply.text}\njournal {reply.data.get('journal')}\nhead {reply.data.get('head')}")
