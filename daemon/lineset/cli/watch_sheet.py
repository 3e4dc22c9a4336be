"""Fits the sheet into a terminal window: fewer events, no blank lines, briefer, and at last its end is left out.

What happened last keeps a share of the window, however many points and verdicts there are.
"""

from __future__ import annotations

from lineset.cli.watch_rows import WEAK, Line
from lineset.cli.watch_view import View

MOST_EVENTS = 12
LEAST_EVENTS = 2
_SHARE = 5  # a window's lines over those that the last events are sure of, their heading included


def fitted(view: View, width: int, height: int, now: float) -> list[Line]:
    """The sheet in at most `height` lines."""
    room = height - 1  # the last line of a window scrolls
    foot = Line("Ctrl-C ends the watching, not the station."[:width], WEAK)
    for events in range(MOST_EVENTS, LEAST_EVENTS - 1, -1):
        lines = [*view.lines(width, now, events=events), Line(""), foot]
        if len(lines) <= room:
            return lines
    sheet: list[Line] = []
    for brief in (0, 1, 2):
        sheet = [line for line in view.lines(width, now, events=0, brief=brief) if line.text]
        last = _last(view, width, max(room // _SHARE, room - len(sheet)))
        if len(sheet) + len(last) <= room:
            return [*sheet, *last]
    last = _last(view, width, room // _SHARE)
    left = max(room - len(last) - 1, 1)
    more = f"... and {len(sheet) - left} more lines: make the window taller, or lineset watch --once"
    return [*sheet[:left], Line(more[:width], WEAK), *last]


def _last(view: View, width: int, room: int) -> list[Line]:
    """As many of the last events as `room` lines hold with their heading; none where not even one has room."""
    found: list[Line] = []
    for events in range(1, MOST_EVENTS + 1):
        lines = [line for line in view.last(width, events) if line.text]
        if len(lines) > room:
            break
        found = lines
    return found
