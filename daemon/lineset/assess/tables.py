"""Published look-up tables, shipped as package data: bilinear between four cells, never beyond them.

Tables are in degrees Fahrenheit, as published (tables/README.md says from where and how surely).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import NamedTuple

_EDGE_F = 1e-6  # SI and back loses the last bits; a reading on the rim is not beyond it


class Found(NamedTuple):
    """A looked-up value [degF] with its slopes by the row's and the column's quantity [degF per degF]."""

    value: float
    by_row: float
    by_column: float


class Missing(NamedTuple):
    """There is no value: `why` is "row" or "column" (beyond the table), "dash" or "empty"."""

    why: str


@dataclass(frozen=True)
class Grid:
    """A table on whole degrees. `cells` holds a value, None for a dash, and leaves out what is not printed."""

    rows: tuple[int, int]  # first and last
    columns: tuple[int, int]
    cells: dict[tuple[int, int], float | None]
    filled: frozenset[tuple[int, int]]  # cells that are not in the source and were filled in

    def look_up(self, row_f: float, column_f: float) -> Found | Missing:
        """The value at a row's and a column's quantity, by bilinear interpolation of the four cells around it.

        Cells that bear no weight are not looked at, so a value on a grid line needs only that line's cells.
        """
        for value, (low, high), which in ((row_f, self.rows, "row"), (column_f, self.columns, "column")):
            if not low - _EDGE_F <= value <= high + _EDGE_F:
                return Missing(which)
        row, column = _snap(row_f, self.rows), _snap(column_f, self.columns)
        top, left = min(int(row), self.rows[1] - 1), min(int(column), self.columns[1] - 1)
        down, across = row - top, column - left
        corners: list[float | None] = []
        why = ""
        for r, c, weight in (
            (top, left, (1 - down) * (1 - across)),
            (top, left + 1, (1 - down) * across),
            (top + 1, left, down * (1 - across)),
            (top + 1, left + 1, down * across),
        ):
            cell = self.cells.get((r, c))
            if cell is None and weight > 0.0:
                why = "dash" if (r, c) in self.cells or why == "dash" else "empty"
            corners.append(cell)
        if why:
            return Missing(why)
        return _bilinear(corners, down, across)


def _snap(value: float, limits: tuple[int, int]) -> float:
    nearest = round(value)
    snapped = float(nearest) if abs(value - nearest) < _EDGE_F else value
    return min(max(snapped, float(limits[0])), float(limits[1]))


def _bilinear(corners: list[float | None], down: float, across: float) -> Found:
    # a corner without weight may be a dash; its neighbour along the axis stands in, for the slopes' sake
    a, b, c, d = corners
    if down == 0.0:
        c, d = _or(c, a), _or(d, b)
    if down == 1.0:
        a, b = _or(a, c), _or(b, d)
    if across == 0.0:
        b, d = _or(b, a), _or(d, c)
    if across == 1.0:
        a, c = _or(a, b), _or(c, d)
    assert a is not None
    assert b is not None
    assert c is not None
    assert d is not None
    by_row = (c - a) * (1 - across) + (d - b) * across
    by_column = (b - a) * (1 - down) + (d - c) * down
    value = (a * (1 - across) + b * across) * (1 - down) + (c * (1 - across) + d * across) * down
    return Found(value, by_row, by_column)


def _or(cell: float | None, other: float | None) -> float | None:
    return other if cell is None else cell


@lru_cache(maxsize=4)
def grid(name: str) -> Grid:
    """The shipped table `name` ("target_superheat", "target_split")."""
    text = resources.files("lineset.assess").joinpath("tables", f"{name}.csv").read_text("utf-8")
    lines = list(csv.reader(text.splitlines()))
    columns = [int(each) for each in lines[0][1:]]
    cells: dict[tuple[int, int], float | None] = {}
    filled = set()
    for line in lines[1:]:
        row = int(line[0])
        for column, written in zip(columns, line[1:], strict=True):
            if not written:
                continue
            bare = written.rstrip("*")
            cells[row, column] = None if bare == "-" else float(bare)
            if bare != written:
                filled.add((row, column))
    return Grid((int(lines[1][0]), int(lines[-1][0])), (columns[0], columns[-1]), cells, frozenset(filled))
