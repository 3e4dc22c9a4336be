"""`lineset find`: what is plugged in and in reach, which profile fits, and what to paste into the configuration."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import UNREACHABLE, WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lineset_drivers.profile import Profile
    from lineset_drivers.radio_survey import HeardInstrument, RadioSurvey
    from lineset_drivers.survey import Found


def find(
    seconds: Annotated[float, typer.Option(help="How long to listen for Bluetooth adverts.", min=0.5)] = 6.0,
    tcp: Annotated[
        list[str] | None, typer.Option("--tcp", help="Look at this network address too: HOST:PORT. May be repeated.")
    ] = None,
    link: Annotated[
        list[str] | None, typer.Option("--link", help="Look at this link too: serial:///dev/... May be repeated.")
    ] = None,
    unit: Annotated[
        list[int] | None,
        typer.Option("--unit", help="Ask this Modbus unit instead of each profile's own. May be repeated."),
    ] = None,
    ask: Annotated[
        bool, typer.Option("--ask/--no-ask", help="Ask the instruments who they are, or only list the ports.")
    ] = True,
    with_ports: Annotated[
        bool, typer.Option("--ports/--no-ports", help="Look at the serial ports of this machine, or not.")
    ] = True,
    radio: Annotated[bool, typer.Option("--radio/--no-radio", help="Listen on the Bluetooth radio, or not.")] = True,
    folder: Annotated[
        Path | None, typer.Option("--profiles", help="Folder of your own profiles, looked at too.", file_okay=False)
    ] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show the log too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Find instruments: on serial ports, on the Bluetooth radio, and at the network addresses that you name.

    Each is asked only who it is. What fits a profile is printed as a snippet for the station's configuration.

    Example: lineset find --tcp 192.0.2.7:502 --unit 1 --unit 2

    Exit code: 0 something fits a profile, 2 wrong words, 3 nothing does.
    """
    from lineset.cli.find_words import TOLD, data, lines
    from lineset.cli.quiet import set_up_quiet_logs
    from lineset_drivers import profile as profiles
    from lineset_drivers.errors import LinkError, ProfileError
    from lineset_drivers.link import parse_link

    set_up_quiet_logs(verbose)
    known: list[Profile] = []
    for name in profiles.names(folder):
        try:
            known.append(profiles.load(name, folder))
        except ProfileError as error:
            typer.echo(f"lineset find: {error}", err=True)
    links = [f"tcp://{address.removeprefix('tcp://')}" for address in tcp or ()] + list(link or ())
    try:
        for url in links:
            if parse_link(url).scheme not in ("serial", "tcp", "rtu+tcp"):
                remedy = "adapters and radios are found by themselves"
                raise say_error("find", f"{url}: only serial://, tcp:// and rtu+tcp:// can be named; {remedy}", WRONG)
    except LinkError as error:
        raise say_error("find", str(error), WRONG) from error
    places, heard = asyncio.run(
        _look_around(known, links, unit or [], seconds, ask=ask, with_ports=with_ports, radio=radio)
    )
    if as_json:
        typer.echo(json.dumps(data(places, heard), indent=2))
    else:
        typer.echo("\n".join(lines(places, heard, known, radio_listened=radio)))
    fits = any(place.answers for place in places) or any(each.profiles for each in heard.heard)
    if not fits and ask:
        raise say_error("find", TOLD["nothing"], UNREACHABLE)


async def _look_around(
    known: Sequence[Profile],
    links: Sequence[str],
    units: Sequence[int],
    seconds: float,
    *,
    ask: bool,
    with_ports: bool,
    radio: bool,
) -> tuple[list[Found], RadioSurvey]:
    """All places side by side, told on standard error as they are done."""
    from lineset_drivers.radio_survey import RadioSurvey, survey_radio
    from lineset_drivers.survey import survey
    from lineset_drivers.transports.serial import PortWatch

    ports = PortWatch().ports() if with_ports else []
    nowhere = PortWatch(list)
    where = [f"{len(ports)} serial port{'' if len(ports) == 1 else 's'}"] if ports or not links else []
    where += [f"{len(links)} named link{'' if len(links) == 1 else 's'}"] if links else []
    where += [f"the Bluetooth radio for {seconds:g} s"] if radio else []
    _tell(f"looking at {', '.join(where)} ...")

    async def look(url: str, watch: PortWatch) -> list[Found]:
        found = await survey(known, links=[url] if url else [], ports=watch, units=units, ask=ask)
        if url.startswith("tcp://") and ask and not any(place.answers or place.problem for place in found):
            # a serial-to-network adapter passes RTU frames on as they are
            second = await survey(known, links=[f"rtu+{url}"], ports=watch, units=units)
            found = second if any(place.answers or place.note for place in second) else found
        for place in found:
            fits = ", ".join(answer.profile for answer in place.answers)
            _tell(f"{place.device}: {fits or place.problem or place.note or 'nothing answers'}")
        return found

    async def hear() -> RadioSurvey:
        if not radio:
            return RadioSurvey()
        survey_ = await survey_radio(known, seconds, tell=_heard)
        _tell("the radio: " + (survey_.problem.problem if survey_.problem else f"heard {len(survey_.heard)}"))
        return survey_

    # each port has a watch of its own, which lists nothing else
    looks = [look("", PortWatch(lambda port=port: [port])) for port in ports]  # type: ignore[misc]
    looks += [look(url, nowhere) for url in links]
    *found, heard = await asyncio.gather(*looks, hear())
    return [place for places in found if isinstance(places, list) for place in places], (
        heard if isinstance(heard, RadioSurvey) else RadioSurvey()
    )


def _heard(each: HeardInstrument) -> None:
    if each.profiles:
        _tell(f"heard {each.name or each.address}: fits {', '.join(each.profiles)}")


def _tell(text: str) -> None:
    """Progress, for who waits; not part of the answer."""
    print(f"  {text}", file=sys.stderr, flush=True)
