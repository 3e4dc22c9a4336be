"""Readings and derived values over a visit for its pictures: played back from the journal, thinned for a page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from lineset.audit.export import rows_of

MOST = 320  # points across a picture


@dataclass(slots=True)
class Series:
    """Means of equal stretches of visit time, SI; a stretch without a good reading is a gap."""

    width_s: float
    sums: dict[int, tuple[float, int]] = field(default_factory=dict)

    def add(self, t_s: float, value: float) -> None:
        """Take a reading in."""
        n = int(t_s / self.width_s)
        total, count = self.sums.get(n, (0.0, 0))
        self.sums[n] = (total + value, count + 1)

    def points(self) -> list[tuple[float, float | None]]:
        """(visit time in s, mean), with None where three stretches and more are empty."""
        found: list[tuple[float, float | None]] = []
        last = None
        for n in sorted(self.sums):
            if last is not None and n - last > 3:
                found.append(((last + 1) * self.width_s, None))
            total, count = self.sums[n]
            found.append(((n + 0.5) * self.width_s, total / count))
            last = n
        return found


def read_series(
    path: Path, names: frozenset[str], end_s: float, progress: Callable[[int, int], None] | None = None
) -> Mapping[tuple[str, str], Series]:
    """Series by (system, name) of these points and derived values. Raises JournalError, EntryError."""
    width = max(end_s / MOST, 1.0)
    found: dict[tuple[str, str], Series] = {}
    for table, row in rows_of(path, progress):
        if table == "readings":
            if row[8] not in ("good", "entered") or row[5] is None:
                continue
        elif table != "derived":
            continue
        t_s, system, name, value = row[2], row[3], row[4], row[5]
        if name in names:
            found.setdefault((system, name), Series(width)).add(t_s, value)
    return found
