"""The lines of a sheet: points in walking order with value and how steady it is, then what is computed from them."""

from __future__ import annotations

import textwrap
import time
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

from lineset.cli.watch_events import named
from lineset.contract.live import SettledMessage, ValueMessage
from lineset.derive.catalogue import CATALOGUE
from lineset.equipment.walk import stop_of, walking_order
from lineset.measure.quality import REASON, USABLE, Quality

PLAIN, HEAD, WEAK = "", "bold", "dim"
NARROW = 76  # below this a row's words go under its value
_VALUE = 12
_TITLE = 38
_STATE = 32  # room for "settled since 11:41:04, +/- 0.14"


class Line(NamedTuple):
    """One line of the sheet and how it is set: PLAIN, HEAD or WEAK."""

    text: str
    style: str = PLAIN


def rows(
    readings: Mapping[str, ValueMessage],
    derived: Mapping[str, ValueMessage],
    settled_by_phase: Mapping[str, Mapping[str, SettledMessage]],
    phase: str,
    width: int,
    away: Mapping[str, str] = MappingProxyType({}),
    *,
    earlier_phases: bool = True,
) -> Iterator[Line]:
    """All lines of one system. `away`: instruments that give nothing now, and the word for how they stand."""
    settled = settled_by_phase.get(phase, {})
    live = {**readings, **derived}
    names = sorted({*live, *(name for name, said in settled.items() if said.settled)}, key=sheet_order)
    if not names:
        yield from wrapped("no reading yet: place a channel at a point, or enter a value", width, "  ")
    column = min(max((len(named(name)) for name in names), default=0), _TITLE, max(width - _VALUE - _STATE - 8, 24))
    part = ""
    for name in names:
        if (at := _part(name)) != part:
            part = at
            yield Line(f"  {part}")
        state, weak = _state(live.get(name), settled.get(name), away)
        text = _shown(live.get(name), settled.get(name))
        yield from _row(named(name), column, text, state, width, WEAK if weak else PLAIN)
    for earlier, said in settled_by_phase.items() if earlier_phases else ():
        kept = [said[name] for name in sorted(said, key=sheet_order) if said[name].settled]
        if earlier != phase and kept:
            yield Line(f"  Settled in phase {earlier.replace('_', ' ')}")
            for message in kept:
                how = "entered" if message.origin == "entered" else "settled"
                text = _without_interval(message.text)
                state = f"{how} {clock(message.t)}{_interval(message, text)}"
                yield from _row(named(message.name), column, text, state, width, PLAIN)


def sheet_order(name: str) -> tuple[int, int, str]:
    """Points in walking order first, then derived values in the order of their catalogue, then what is not known."""
    base, _, instance = name.partition(".")
    if base in CATALOGUE:
        return 1000 + list(CATALOGUE).index(base), 0, instance
    try:
        place, number = walking_order(name)
    except (KeyError, ValueError):
        return 5000, 0, name
    return place, number, ""


def _part(name: str) -> str:
    if name.partition(".")[0] in CATALOGUE:
        return "Computed from these"
    try:
        return f"At the {stop_of(name)}"
    except KeyError:
        return "Elsewhere"


def _row(title: str, column: int, text: str, state: str, width: int, style: str) -> Iterator[Line]:
    if width < NARROW:
        yield from wrapped(f"{title}  {text}", width, "    ", style)
        yield from wrapped(state, width, "      ", style)
        return
    *above, last = textwrap.wrap(title, column) or [""]
    for piece in above:
        yield Line(f"    {piece}", style)
    yield from wrapped(state, width, f"    {last:{column}}  {text:>{_VALUE}}  ", style)


def _shown(value: ValueMessage | None, said: SettledMessage | None) -> str:
    if value is not None:
        return value.text or "no value"
    return _without_interval(said.text) if said is not None else ""


def _state(value: ValueMessage | None, said: SettledMessage | None, away: Mapping[str, str]) -> tuple[str, bool]:
    """How steady a value is and since when, or what is wrong with it; and whether it is not to be built on."""
    settled = said if said is not None and said.settled else None
    if value is None:
        if settled is None:
            return "", True
        word = "entered" if settled.origin == "entered" else "settled"
        gone = "; no probe there now" if settled.origin == "instrument" else ""
        return f"{word} {clock(settled.t)}{_interval(settled, _without_interval(settled.text))}{gone}", False
    if value.quality not in USABLE:
        state = f"{value.quality.replace('_', ' ')}: {_reason(value.quality)}"
        if value.quality == Quality.STALE and value.instrument in away:
            state = f"stale: {value.instrument} is {away[value.instrument]}"
        if settled is not None:
            state += f"; settled {clock(settled.t)} at {settled.text}"
        return state, True
    if settled is not None and settled.origin == "entered":
        state = f"entered {clock(settled.t)}{_interval(settled, value.text)}"
    elif settled is not None:
        state = f"settled since {clock(settled.t)}{_interval(settled, value.text)}"
    elif value.quality == Quality.ENTERED:
        state = f"entered; since {clock(said.t)} {said.reason}" if said is not None else "entered in an earlier phase"
    elif value.settled:
        state = "settled"
    elif said is not None:
        # what it does now says more than what it did then, but how long is still needed goes beside it
        why = said.reason if not value.ahead else f"{said.reason}; {value.ahead}" if _on_its_way(value) else value.ahead
        state = f"not steady since {clock(said.t)}: {why}"
    else:
        state = value.ahead or "not settled yet"
    if value.quality == Quality.OUT_OF_CALIBRATION:
        state += f"; {_reason(value.quality)}"
    return state if value.recorded else f"{state}; not recorded", False


def _on_its_way(value: ValueMessage) -> bool:
    return value.eta_s is not None or value.ahead.startswith("calm")


def _without_interval(text: str) -> str:
    """ "5.60 +/- 0.31 A" without its interval: "5.60 A"."""
    value, plus_minus, rest = text.partition(" +/- ")
    return f"{value} {rest.partition(' ')[2]}".rstrip() if plus_minus else text


def _interval(said: SettledMessage, shown: str) -> str:
    """What is to be added to the value that is shown: its 95 % interval; all of what settled where that differs."""
    if _without_interval(said.text) != shown:
        return f" at {said.text}"
    _, plus_minus, rest = said.text.partition(" +/- ")
    return f", +/- {rest.partition(' ')[0]}" if plus_minus else ""


def _reason(quality: str) -> str:
    try:
        return REASON[Quality(quality)]
    except ValueError:
        return "this version does not know what that means"


def clock(t: float) -> str:
    """Local time of day of a wall time in seconds since 1970."""
    return time.strftime("%H:%M:%S", time.localtime(t))


def wrapped(text: str, width: int, lead: str, style: str = PLAIN) -> Iterator[Line]:
    """`text` behind `lead`, gone on with under itself where the line is full."""
    room = max(width - len(lead), 20)
    pieces = textwrap.wrap(text, room, break_on_hyphens=False) or [""]
    yield Line((lead + pieces[0]).rstrip(), style)
    for piece in pieces[1:]:
        yield Line(" " * len(lead) + piece, style)
