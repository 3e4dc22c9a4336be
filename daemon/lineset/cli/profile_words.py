"""A profile in words and as data: link, identity, and what each channel measures, how well and by which source."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import Any

from lineset.cli.cautions import cautions
from lineset.equipment.points import POINTS
from lineset_drivers.channel import AdvertObject, Channel, Characteristic, Field, Query, Register
from lineset_drivers.profile import Profile


def accuracy_words(channel: Channel) -> str:
    """ "0.5 % of the reading + 0.1 V", or that none is stated."""
    accuracy, parts = channel.accuracy, []
    if accuracy.reading_pct:
        parts.append(f"{accuracy.reading_pct:g} % of the reading")
    if accuracy.absolute:
        parts.append(f"{accuracy.absolute:g} {channel.unit}")
    if accuracy.counts:
        parts.append(f"{accuracy.counts:g} counts")
    return " + ".join(parts) if parts else "not stated"


def range_words(channel: Channel) -> str:
    """ "80 to 300 V"; empty when the profile states none."""
    low, high = channel.low, channel.high
    if math.isfinite(low) and math.isfinite(high):
        return f"{low:g} to {high:g} {channel.unit}"
    if math.isfinite(high):
        return f"up to {high:g} {channel.unit}"
    return f"from {low:g} {channel.unit}" if math.isfinite(low) else ""


def where_words(channel: Channel) -> str:
    """Where on the wire the channel stands."""
    where = channel.where
    match where:
        case Register():
            bit = "" if where.bit is None else f", bit {where.bit}"
            order = f", words {where.word_order} first" if where.count > 1 and where.type != "ascii" else ""
            return f"{where.function} register {where.address}, {where.type}{bit}{order}"
        case Query():
            selector = f", while the meter is switched to {where.function}" if where.function else ""
            return f"query {where.query}, number {where.column + 1} of the answer{selector}"
        case Field():
            place = f"group {where.group}" if where.group else f"column {where.column}"
            conditions = [f"{key} is {' or '.join(words)}" for key, words in where.when.items()]
            return place + (f", when {' and '.join(conditions)}" if conditions else "")
        case Characteristic():
            field = f", field {where.field}" if where.field else ""
            return f"characteristic {where.characteristic}{field}, {where.mode}" + (
                f", when {where.when}" if where.when else ""
            )
        case AdvertObject():
            return f"advert object {where.object}" + (f", the {where.instance}." if where.instance > 1 else "")
        case None:
            return "read by a person"
    return ", ".join(f"{key} {value}" for key, value in where.items())


def points_of(channel: Channel) -> list[str]:
    """The points that this channel can be placed at."""
    return [
        point.name
        for point in POINTS.values()
        if (point.quantity, point.captures) == (channel.quantity, channel.captures)
    ]


def lines(profile: Profile, width: int = 100) -> Iterator[str]:
    """The whole profile for people."""
    link = profile.link
    yield f"{profile.name}: {profile.title}"
    facts = {"protocol": profile.protocol, "source": profile.source}
    if profile.poll_s:
        facts["protocol"] += f", asked every {profile.poll_s:g} s"
    elif profile.protocol != "entered":
        facts["protocol"] += ", sends by itself"
    facts["protocol"] += f"; stale after {profile.stale_after_s:g} s"
    if profile.protocol in ("modbus", "scpi", "lines"):
        shape = f"{link.bytesize}{link.parity}{link.stopbits:g}"
        unit = f", unit {link.unit}" if profile.protocol == "modbus" else ""
        facts["link"] = f"{link.baud} baud {shape} on a serial port{unit}; answers within {link.timeout_s:g} s"
    identity = profile.identity
    if identity is not None:
        asked = identity.query
        if identity.register is not None:
            asked = f"{identity.register.function} register {identity.register.address}"
        facts["identity"] = f"asked by {asked or 'its own characteristics'}; the answer fits {identity.match!r}"
    if profile.settings.encrypted:
        facts["key"] = "its adverts are encrypted: the configuration gives options.bindkey, 32 hexadecimal digits"
    facts["file"] = f"{profile.file}, SHA-256 {profile.sha256[:16]}..."
    for what, text in facts.items():
        yield from _hung(text, f"  {what:<10}", width)
    for text in cautions({channel.quantity for channel in profile.channels}):
        yield from _hung(text, f"  {'caution':<10}", width)
    column = max(len(channel.name) for channel in profile.channels) + 4
    for channel in profile.channels:
        yield ""
        yield f"  {channel.name:<{column - 2}}{channel.title}, {channel.quantity.replace('_', ' ')} in {channel.unit}"
        resolution = f"{channel.resolution:g} {channel.unit}" if channel.resolution else "not stated"
        well = f"accuracy {accuracy_words(channel)}; resolution {resolution}"
        if channel.response_s:
            well += f"; responds in {channel.response_s:g} s"
        reach = range_words(channel)
        points = points_of(channel)
        rest = (
            well,
            f"range {reach}" if reach else "",
            f"on the wire: {where_words(channel)}",
            f"source: {channel.source}",
            f"fits the points {', '.join(points)}" if points else "fits no point: it is kept on record only",
        )
        for text in rest:
            if text:
                yield from _hung(text, " " * column, width)


def data(profile: Profile) -> dict[str, Any]:
    """The whole profile as data; a range without an end is null."""
    return {
        "name": profile.name,
        "title": profile.title,
        "protocol": profile.protocol,
        "source": profile.source,
        "file": profile.file,
        "sha256": profile.sha256,
        "poll_s": profile.poll_s,
        "stale_after_s": profile.stale_after_s,
        "channels": [
            {
                "name": channel.name,
                "title": channel.title,
                "quantity": str(channel.quantity),
                "unit": channel.unit,
                "accuracy": {
                    "reading_pct": channel.accuracy.reading_pct,
                    "absolute": channel.accuracy.absolute,
                    "counts": channel.accuracy.counts,
                },
                "resolution": channel.resolution,
                "range": [channel.low if math.isfinite(channel.low) else None,
                          channel.high if math.isfinite(channel.high) else None],
                "response_s": channel.response_s,
                "where": where_words(channel),
                "source": channel.source,
                "points": points_of(channel),
            }
            for channel in profile.channels
        ],
    }  # fmt: skip


def _hung(text: str, lead: str, width: int) -> Iterator[str]:
    return iter(
        textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False)
    )
