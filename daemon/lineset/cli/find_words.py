"""What was found, in words, as data, and as a snippet for the configuration."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from lineset.cli.cautions import cautions
from lineset.cli.printed import printed
from lineset_drivers.profile import Profile
from lineset_drivers.radio_survey import HeardInstrument, RadioSurvey
from lineset_drivers.survey import Found

TOLD = {
    "nothing": (
        "nothing that fits a profile was found. See that the instruments are on, plugged in and near; name network "
        "addresses with --tcp, units with --unit; an instrument without a profile needs one: lineset profile --help"
    )
}
_ID_LETTERS = 32  # an instrument's id in a configuration is no longer
STRANGERS = 12


def snippets(places: Sequence[Found], heard: RadioSurvey) -> list[str]:
    """One `[[instrument]]` table of TOML for each instrument that fits a profile; ids are unique."""
    used: dict[str, int] = {}

    def table(profile: str, link: str, rows: Sequence[str] = (), remarks: Sequence[str] = ()) -> str:
        used[profile] = count = used.get(profile, 0) + 1
        tail = "" if count == 1 else f"-{count}"
        id_ = profile[: _ID_LETTERS - len(tail)] + tail
        lines = [f"# {remark}" for remark in remarks]
        lines += ["[[instrument]]", f'id = "{id_}"', f'profile = "{profile}"', f"link = {_quoted(link)}", *rows]
        return "\n".join(lines)

    found = []
    for place in places:
        for (unit, _), alike in _by_instrument(place).items():
            first, *others = alike
            remarks = [f"or profile {other.profile}, which it answers too" for other in others]
            if place.weak:
                remarks.append("the adapter has no serial number: another of its make in this socket looks the same")
            rows = [] if unit is None else [f"unit = {unit}"]
            if first.serial:
                rows.append(f"serial = {_quoted(first.serial)}")
            found.append(table(first.profile, place.link, rows, remarks))
    for each in heard.heard:
        if each.profiles:
            profile, *rest = each.profiles
            remarks = [f"{each.name}"] if each.name.isprintable() and each.name else []
            remarks += [f"or profile {other}, which fits its advert too" for other in rest]
            rows = []
            if each.encrypted:
                remarks.append("its adverts are encrypted: put its own key in place of the zeros")
                rows = [f'options = {{ bindkey = "{"0" * 32}" }}']
            found.append(table(profile, each.link, rows, remarks))
    return found


def _by_instrument(place: Found) -> dict[tuple[int | None, str], list[Any]]:
    """Answers by the instrument that gave them: several profiles can fit one."""
    groups: dict[tuple[int | None, str], list[Any]] = {}
    for answer in place.answers:
        groups.setdefault((answer.unit, answer.told if answer.unit is None else ""), []).append(answer)
    return groups


def _quoted(text: str) -> str:
    """A TOML basic string."""
    escaped = "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in text)
    return f'"{escaped}"'


def lines(
    places: Sequence[Found], heard: RadioSurvey, known: Sequence[Profile], *, radio_listened: bool, width: int = 100
) -> Iterator[str]:
    """Everything that was looked at, in words, then the snippets."""
    yield "Serial ports and network addresses"
    if not places:
        yield "  no serial port is plugged in, and no network address was named"
    for place in places:
        own = place.link.partition("://")[2] == place.device or not place.device.startswith("/")
        yield from _hung(f"{place.link if own else place.device}{_described(place)}", "  ", width)
        if not own:
            yield f"      link {place.link}"
        for answer in place.answers:
            unit = "" if answer.unit is None else f"unit {answer.unit}, "
            serial = f", serial number {answer.serial}" if answer.serial else ""
            said = f'{unit}it says "{_printable(answer.told)}"{serial}'
            yield from _hung(f"fits {answer.profile}: {said}", "      ", width)
        text = place.problem or place.note or ("" if place.answers else "nothing answers that a profile knows")
        if text:
            yield from _hung(text, "      ", width)
    if radio_listened:
        yield ""
        yield "Bluetooth Low Energy"
        yield from _radio_lines(heard, width)
    snippets_ = snippets(places, heard)
    if not snippets_:
        return
    yield ""
    yield "For the station's configuration (give ids as you call them):"
    for snippet in snippets_:
        yield ""
        yield from snippet.splitlines()
    fitting = {answer.profile for place in places for answer in place.answers}
    fitting |= {name for each in heard.heard for name in each.profiles}
    sentences = cautions({c.quantity for profile in known if profile.name in fitting for c in profile.channels})
    if sentences:
        yield ""
    for text in sentences:
        yield from _hung(f"Caution: {text}", "", width)


def _radio_lines(heard: RadioSurvey, width: int) -> Iterator[str]:
    if heard.problem is not None:
        yield from _hung(f"{heard.problem.problem}. {heard.problem.remedy}", "  ", width)
    elif not heard.heard:
        yield "  nobody was heard; switch the instruments on and bring them near"
    fitting = [each for each in heard.heard if each.profiles]
    strangers = [each for each in heard.heard if not each.profiles]
    for each in fitting:
        yield f"  {_called(each)}"
        told = f": {each.told}" if each.told else ""
        locked = "; its adverts are encrypted, so its key is needed" if each.encrypted else ""
        yield from _hung(f"fits {', or '.join(each.profiles)}{told}{locked}", "      ", width)
    if strangers:
        yield f"  {len(strangers)} that fit no profile"
    for each in strangers[:STRANGERS]:
        yield f"      {_called(each)}"
    if len(strangers) > STRANGERS:
        yield f"      and {len(strangers) - STRANGERS} weaker ones"


def _called(each: HeardInstrument) -> str:
    strength = "" if each.rssi is None else f", {each.rssi} dBm"
    return f"{each.address}  {_printable(each.name) or 'without a name'}{strength}"


def _described(place: Found) -> str:
    return f"  {_printable(place.description)}" if place.description not in ("", "n/a") else ""


def _printable(text: str) -> str:
    # adverts and identities come from strangers: no control character of theirs reaches the terminal
    return printed(text)[:80]


def data(places: Sequence[Found], heard: RadioSurvey) -> dict[str, Any]:
    """The same as data."""
    problem = heard.problem
    return {
        "places": msgspec.to_builtins(list(places)),
        "bluetooth": {
            "problem": None if problem is None else {"problem": problem.problem, "remedy": problem.remedy},
            "heard": [{**msgspec.to_builtins(each), "link": each.link} for each in heard.heard],
        },
        "snippets": snippets(places, heard),
    }


def _hung(text: str, lead: str, width: int) -> Iterator[str]:
    return iter(
        textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=lead + "  ", break_on_hyphens=False) or [lead]
    )
