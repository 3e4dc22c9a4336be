"""Fits the sheet into a terminal window: fewer events, no blank lines, briefer, and at last the end is left out."""

from __future__ import annotations

from lineset.cli.watch_rows import WEAK, Line
from lineset.cli.watch_view import View

MOST_EVENTS = 12
LEAST_EVENTS = 2


def fitted(view: View, width: int, height: int, now: float) -> list[Line]:
    """The sheet in at most `height` lines."""
    room = height - 1  # the last line of a window scrolls
    foot = Line("Ctrl-C ends the watching, not the station."[:width], WEAK)
    for events in range(MOST_EVENTS, LEAST_EVENTS - 1, -1):
        lines = [*view.lines(width, now, events=events), Line(""), foot]
        if len(lines) <= room:
            return lines
    kept: list[Line] = []
    for brief, events in ((0, LEAST_EVENTS), (1, MOST_EVENTS), (1, LEAST_EVENTS), (2, LEAST_EVENTS), (2, 0)):
        kept = [line for line in view.lines(width, now, events=events, brief=brief) if line.text]
        if len(kept) <= room:
            return kept
    more = f"... and {len(kept) - room + 1} more lines: make the window taller, or lineset watch --once"
    return [*kept[: max(room - 1, 1)], Line(more[:width], WEAK)]
