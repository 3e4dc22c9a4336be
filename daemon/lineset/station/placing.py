"""Where channels sit and what a person reads by eye, by command."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.equipment.display import shown
from lineset.equipment.points import PointError, point
from lineset.measure.uncertainty import Z95
from lineset.station.asked import Done, named_system, need_visit
from lineset.stream.command import CommandRefused
from lineset_drivers.errors import DriverError
from lineset_drivers.quantity import Quantity, parse_measured, unit_of

if TYPE_CHECKING:
    from lineset.station.daemon import Station

_SQRT3 = 3.0**0.5


def place(station: Station, args: c.Place, actor: str) -> Done:
    """A channel sits at a point from now on, or nowhere."""
    need_visit(station)
    engine = station.record.engine
    known = engine.state.instruments.get(args.instrument)
    if known is None:
        names = ", ".join(engine.state.instruments)
        raise CommandRefused(f"no instrument is called {args.instrument!r}; this station has {names}")
    if known.origin == "entered":
        raise CommandRefused(f"{args.instrument} is read by eye; use `lineset enter POINT VALUE` for what it shows")
    channel = args.channel
    if not channel:
        fitting = list(known.channels)
        if args.point:
            try:
                to = point(args.point)
            except PointError as error:
                raise CommandRefused(str(error)) from error
            same = {name: each.record for name, each in known.channels.items() if each.record.quantity == to.quantity}
            # an inrush channel is never meant elsewhere; where none catches a start, the refusal below says so
            fitting = [name for name, record in same.items() if record.captures == to.captures] or list(same)
        else:
            fitting = [name for name, each in known.channels.items() if each.point]
        if len(fitting) != 1:
            said = "no channel of it fits" if not fitting else f"say which channel: {', '.join(fitting)}"
            raise CommandRefused(f"{args.instrument}: {said}")
        channel = fitting[0]
    system = named_system(station, args.system) if args.point else ""
    why_not = engine.refuse_placement(args.instrument, channel, system, args.point)
    if why_not:
        raise CommandRefused(why_not)
    there = engine.state.systems[system].points.get(args.point) if system else None
    before = f"{there.instrument}/{there.channel}" if there is not None and there.channel else ""
    seq = station.take(
        e.Placed(
            instrument=args.instrument,
            channel=channel,
            system=system,
            point=args.point,
            by=actor,
            supersedes=args.supersedes,
        )
    )
    told = station.states.get(args.instrument)
    if told is not None:
        station.announcer.instrument(engine, told)
    where = f"is at {args.point} of {system}" if args.point else "is placed nowhere now"
    data: dict[str, object] = {
        "instrument": args.instrument, "channel": channel, "system": system, "point": args.point, "seq": seq,
    }  # fmt: skip
    if before and before != f"{args.instrument}/{channel}":
        where += f"; {before} was there and is placed nowhere now"
        data["instead_of"] = before
    return f"{args.instrument}/{channel} {where}", data


def enter(station: Station, args: c.Enter, actor: str) -> Done:
    """A value that a person read."""
    need_visit(station)
    system = named_system(station, args.system)
    known = station.record.engine.state.instruments.get(args.instrument)
    if known is None:
        raise CommandRefused(f"no instrument is called {args.instrument!r}; leave it out, or configure it")
    try:
        place = point(args.point)
        measured = parse_measured(args.value, place.quantity)
        resolution = _last_digit(args.value) * abs(unit_of(measured.unit, place.quantity).factor)
        if args.resolution:
            step = parse_measured(args.resolution, place.quantity)
            zero = unit_of(step.unit, place.quantity).offset
            resolution = abs(step.value - zero)
    except (PointError, DriverError) as error:
        raise CommandRefused(f"{args.point}: {error}") from error
    half_width = measured.half_width
    if half_width is None:
        half_width = _usual_half_width(station, known.id, place.quantity, measured.value)
    seq = station.take(
        e.Entered(
            instrument=args.instrument,
            system=system,
            point=args.point,
            value=measured.value,
            half_width=half_width,
            resolution=resolution,
            text=args.value,
            by=actor,
        )
    )
    text = shown(measured.value, place.quantity, station.config.units)
    data = {"point": args.point, "system": system, "value": measured.value, "unit": place.si_unit, "seq": seq}
    return f"{args.point} entered as {text}", data


def _usual_half_width(station: Station, instrument: str, quantity: str, value: float) -> float | None:
    """95 % half width of what the profile says of such a meter, where it says anything (SI)."""
    for channel in station.record.engine.state.instruments[instrument].channels.values():
        record = channel.record
        if record.quantity == quantity:
            unit = unit_of(record.unit, Quantity(quantity))
            sent = (value - unit.offset) / unit.factor
            limit = abs(sent) * record.reading_pct / 100 + record.absolute + record.counts * record.resolution
            return limit * abs(unit.factor) / _SQRT3 * Z95
    return None


def _last_digit(text: str) -> float:
    """The step of the last digit typed: 0.1 for "52.4 degF", 1 for "118 psig"."""
    match = re.match(r"\s*[-+−]?\d*(?:\.(\d*))?", text)
    decimals = len(match[1]) if match and match[1] else 0
    return 10.0**-decimals
