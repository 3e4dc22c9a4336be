"""Drawings for a report, as SVG that needs nothing else: lines over the visit's minutes, settled windows shaded.

Lines are told apart by dashes and by their names beside them, never by colour alone; a settled window is shaded and
has a bar at its foot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape

INKS = ("#1d4b45", "#8a4207", "#4a3a78", "#5c5a20")
DASHES = ("", "7 3", "2 3", "9 3 2 3")
_FONT = "font-family=\"'Libertinus Serif', Georgia, 'Times New Roman', serif\""
_TEXT = "#222222"


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its name, and (minutes, value in display units), None where there is a gap."""

    name: str
    points: Sequence[tuple[float, float | None]]
    settled: Sequence[tuple[float, float]] = ()  # windows, minutes


@dataclass(frozen=True, slots=True)
class Drawing:
    """Lines of one unit over one axis of minutes; `phases` are names with the minute at which each begins."""

    unit: str
    minutes: str  # "minutes since the visit began"
    lines: Sequence[Line]
    phases: Sequence[tuple[str, float]] = field(default=())
    width: int = 640
    height: int = 230
    end: float = 0.0


def draw(drawing: Drawing) -> str:
    """The drawing as SVG; empty where no line has two points."""
    shown = [line for line in drawing.lines if sum(value is not None for _, value in line.points) >= 2]
    if not shown:
        return ""
    values = [value for line in shown for _, value in line.points if value is not None]
    end = max(drawing.end, *(line.points[-1][0] for line in shown)) or 1.0
    ticks = _ticks(min(values), max(values))
    # a hair below a tick needs no whole step more
    hair = 0.03 * (ticks[-1] - ticks[0])
    if len(ticks) > 2 and min(values) > ticks[1] - hair:
        ticks = ticks[1:]
    low, high = min(ticks[0], min(values)), max(ticks[-1], max(values))
    if high <= low:  # what never changed is a line in the middle of something
        half = abs(low) / 100 or 1.0
        low, high = low - half, high + half
    left, right, top, bottom = 52.0, 150.0, 22.0, 38.0
    wide, tall = drawing.width - left - right, drawing.height - top - bottom

    def x(minute: float) -> float:
        return left + wide * minute / end

    def y(value: float) -> float:
        return top + tall * (1.0 - (value - low) / (high - low))

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawing.width} {drawing.height}" '
        f'width="{drawing.width}" height="{drawing.height}" {_FONT} font-size="11" fill="{_TEXT}">'
    ]
    foot = top + tall
    for n, line in enumerate(shown):
        for start, stop in line.settled:
            broad = max(x(stop) - x(start), 1.5)
            out.append(
                f'<rect x="{x(start):.1f}" y="{top}" width="{broad:.1f}" height="{tall:.1f}" fill="{INKS[n % 4]}" '
                'fill-opacity="0.07"/>'
                f'<rect x="{x(start):.1f}" y="{foot - 3 - 4 * n:.1f}" width="{broad:.1f}" height="3" '
                f'fill="{INKS[n % 4]}"/>'
            )
    for tick in ticks:
        out.append(
            f'<line x1="{left}" x2="{left + wide}" y1="{y(tick):.1f}" y2="{y(tick):.1f}" stroke="#cfcac0" '
            f'stroke-width="0.6"/><text x="{left - 6}" y="{y(tick) + 4:.1f}" text-anchor="end">{_number(tick)}</text>'
        )
    out.append(f'<text x="{left}" y="{top - 9}">{escape(drawing.unit)}</text>')
    for minute in _ticks(0.0, end):
        if 0.0 <= minute <= end:
            out.append(
                f'<line x1="{x(minute):.1f}" x2="{x(minute):.1f}" y1="{foot}" y2="{foot + 4}" stroke="{_TEXT}"/>'
                f'<text x="{x(minute):.1f}" y="{foot + 15}" text-anchor="middle">{_number(minute)}</text>'
            )
    out.append(
        f'<line x1="{left}" x2="{left + wide}" y1="{foot}" y2="{foot}" stroke="{_TEXT}"/>'
        f'<text x="{left + wide / 2}" y="{foot + 30}" text-anchor="middle">{escape(drawing.minutes)}</text>'
    )
    taken = -1e9
    for name, minute in drawing.phases:
        at = x(minute)
        out.append(
            f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{top}" y2="{foot}" stroke="#6b665c" stroke-width="0.8" '
            'stroke-dasharray="1 2"/>'
        )
        if at + 3 > taken:
            out.append(f'<text x="{at + 3:.1f}" y="{top + 8}" font-size="9" fill="#55514a">{escape(name)}</text>')
            taken = at + 6 + 4.6 * len(name)
    out += _lines(shown, x, y, left + wide)
    out.append("</svg>")
    return "".join(out)


def _lines(shown: Sequence[Line], x: Callable[[float], float], y: Callable[[float], float], edge: float) -> list[str]:
    out: list[str] = []
    names: list[tuple[float, int, str]] = []
    for n, line in enumerate(shown):
        dash = f' stroke-dasharray="{DASHES[n % 4]}"' if DASHES[n % 4] else ""
        for piece in _pieces(line.points):
            path = " ".join(f"{x(m):.1f},{y(v):.1f}" for m, v in piece)
            out.append(f'<polyline points="{path}" fill="none" stroke="{INKS[n % 4]}" stroke-width="1.5"{dash}/>')
        last = next(value for _, value in reversed(line.points) if value is not None)
        names.append((y(last), n, line.name))
    names.sort()
    for n in range(1, len(names)):
        names[n] = (max(names[n][0], names[n - 1][0] + 10 + 11 * len(_wrapped(names[n - 1][2], 20))), *names[n][1:])
    for at, n, name in names:
        dash = f' stroke-dasharray="{DASHES[n % 4]}"' if DASHES[n % 4] else ""
        words = _wrapped(name, 20)
        out.append(
            f'<line x1="{edge + 6}" x2="{edge + 24}" y1="{at:.1f}" y2="{at:.1f}" stroke="{INKS[n % 4]}" '
            f'stroke-width="1.5"{dash}/>'
        )
        out += [
            f'<text x="{edge + 28}" y="{at + 4 + 11 * row:.1f}" fill="{INKS[n % 4]}">{escape(text)}</text>'
            for row, text in enumerate(words[:3])
        ]
    return out


def _pieces(points: Sequence[tuple[float, float | None]]) -> list[list[tuple[float, float]]]:
    pieces: list[list[tuple[float, float]]] = [[]]
    for minute, value in points:
        if value is None:
            pieces.append([])
        else:
            pieces[-1].append((minute, value))
    return [piece for piece in pieces if len(piece) > 1]


def _wrapped(text: str, most: int) -> list[str]:
    rows = [""]
    for word in text.split():
        if rows[-1] and len(rows[-1]) + 1 + len(word) > most:
            rows.append(word)
        else:
            rows[-1] = f"{rows[-1]} {word}".strip()
    return rows


def _ticks(low: float, high: float) -> list[float]:
    span = max(high - low, 1e-6 * max(abs(high), 1.0))
    raw = span / 5.0
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= raw)
    first, last = math.floor(low / step), math.ceil(high / step)
    return [n * step for n in range(first, last + 1)]


def _number(value: float) -> str:
    return f"{value:.6g}"
