"""`lineset profile list|show|check|try`: the instrument models that are known here, and whether a link speaks one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import REFUSED, UNREACHABLE, WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from lineset_drivers.profile import Profile

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Show, check and try profiles: the TOML files that describe instrument models.",
)


def _complete_profile(incomplete: str) -> list[str]:
    from lineset_drivers.profile import names

    return [name for name in names() if name.startswith(incomplete)]


FolderOption = Annotated[
    Path | None, typer.Option("--profiles", help="Folder of your own profiles, looked at first.", file_okay=False)
]
ProfileArgument = Annotated[
    str, typer.Argument(help="Name of a profile, or the path of a .toml file.", autocompletion=_complete_profile)
]


def _loaded(verb: str, name: str, folder: Path | None) -> Profile:
    from lineset_drivers import profile as profiles
    from lineset_drivers.errors import ProfileError

    try:
        return profiles.load(name, folder)
    except ProfileError as error:
        raise say_error(f"profile {verb}", str(error), WRONG) from error


@app.command("list")
def list_(folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """List the profiles that are known here, with what they measure.

    Example: lineset profile list

    Exit code: 0 listed, 1 when one of them cannot be used (the others are listed).
    """
    from lineset_drivers import profile as profiles
    from lineset_drivers.errors import ProfileError

    found, wrong = [], []
    for name in profiles.names(folder):
        try:
            found.append(profiles.load(name, folder))
        except ProfileError as error:
            wrong.append(error)
    if as_json:
        rows = [
            {
                "name": each.name,
                "title": each.title,
                "protocol": each.protocol,
                "file": each.file,
                "channels": [channel.name for channel in each.channels],
            }
            for each in found
        ]
        typer.echo(json.dumps(rows, indent=2))
    else:
        for each in found:
            typer.echo(f"{each.name:<26}{each.protocol:<10}{each.title}")
            typer.echo(f"{'':<36}{_channels_in_short(each)}")
    for problem in wrong:
        typer.echo(f"lineset profile list: {problem}", err=True)
    if wrong:
        raise typer.Exit(REFUSED)


def _channels_in_short(profile: Profile) -> str:
    """Names of the channels; of a long row of alike ones the first and the last."""
    names = [channel.name for channel in profile.channels]
    return ", ".join(names) if len(names) <= 7 else f"{', '.join(names[:3])} ... {names[-1]} ({len(names)} channels)"


@app.command()
def show(name: ProfileArgument, folder: FolderOption = None, as_json: JsonOption = False) -> None:
    """Show a profile: link, identity, and each channel with unit, accuracy, resolution and source.

    Example: lineset profile show clamp-meter-line

    Exit code: 0 shown, 2 when there is no such profile or it is wrong.
    """
    from lineset.cli import profile_words

    found = _loaded("show", name, folder)
    if as_json:
        typer.echo(json.dumps(profile_words.data(found), indent=2))
        return
    for line in profile_words.lines(found):
        typer.echo(line)


@app.command()
def check(
    files: Annotated[
        list[str], typer.Argument(help="Profiles: .toml files or names.", autocompletion=_complete_profile)
    ],
    folder: FolderOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check profiles; every problem is named with its file, line, key and remedy.

    Example: lineset profile check my-meter.toml

    Exit code: 0 all are good, 1 at least one has a problem.
    """
    from lineset_drivers import profile as profiles

    found = {file: profiles.check(file, folder) for file in files}
    bad = [file for file, problems in found.items() if problems]
    if as_json:
        rows = [
            {
                "file": file,
                "good": not problems,
                "problems": [
                    {"line": each.line, "key": each.key, "problem": each.problem, "remedy": each.remedy}
                    for each in problems
                ],
            }
            for file, problems in found.items()
        ]
        typer.echo(json.dumps(rows, indent=2))
    else:
        for file, problems in found.items():
            if not problems:
                channels = profiles.load(file, folder).channels
                typer.echo(f"{file}: good, {len(channels)} channel{'s' if len(channels) != 1 else ''}")
            for problem in problems:
                typer.echo(str(problem))
        if bad:
            count = sum(len(problems) for problems in found.values())
            plural = "s" if count > 1 else ""
            typer.echo(f"lineset profile check: {count} problem{plural} in {', '.join(bad)}", err=True)
    if bad:
        raise typer.Exit(REFUSED)


@app.command("try")
def try_(
    name: ProfileArgument,
    link: Annotated[
        str, typer.Option(help="Where it is: serial:///dev/ttyUSB0, usb://..., tcp://HOST:PORT, rtu+tcp://, ble://...")
    ],
    unit: Annotated[int | None, typer.Option(help="Modbus unit, where it differs from the profile's.", min=1)] = None,
    count: Annotated[int, typer.Option(help="Stop after so many frames; 0 goes on until Ctrl-C.", min=0)] = 5,
    patience: Annotated[float, typer.Option(help="Give up when nothing came for so many seconds.", min=0.1)] = 20.0,
    bindkey: Annotated[str, typer.Option(help="Key of encrypted adverts, 32 hexadecimal digits.")] = "",
    folder: FolderOption = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show the log too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Try a profile on a real link: print what is decoded, and the bytes that it came from.

    Nothing is recorded. What goes wrong is told in sentences while it is tried again.

    Example: lineset profile try thermocouple-4ch --link serial:///dev/ttyUSB0 --unit 2

    Exit code: 0 so many frames came, 1 frames came but no valid value, 2 wrong words, 3 nothing came.
    """
    import asyncio

    from lineset.cli.profile_try import Trial
    from lineset.cli.quiet import set_up_quiet_logs
    from lineset_drivers.errors import LinkError
    from lineset_drivers.instrument import InstrumentSpec
    from lineset_drivers.link import parse_link

    set_up_quiet_logs(verbose)
    found = _loaded("try", name, folder)
    if found.protocol == "entered":
        raise say_error("profile try", "this one is read by a person; type what it shows: lineset enter", WRONG)
    try:
        parse_link(link)
    except LinkError as error:
        raise say_error("profile try", str(error), WRONG) from error
    options = {"bindkey": bindkey} if bindkey else {}
    spec = InstrumentSpec(id=found.name[:32], profile=found, link=link, unit=unit, options=options)
    trial = Trial(spec, as_json=as_json)
    if not as_json:
        trial.introduce()
    asyncio.run(trial.run(count, patience))
    if not trial.frames:
        raise say_error("profile try", f"nothing came from {link}: {trial.last_reason or 'it is silent'}", UNREACHABLE)
    if not trial.valid:
        raise say_error("profile try", "frames came, but no channel has had a valid value", REFUSED)
