"""What a collector has heard of each of its stations since it started: when the last block came, which visits are open.

Told by a station's name, never a visit's. Of a station that another collector has taken over it is forgotten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from lineset.contract.transfer import ReceiptMessage


@dataclass(slots=True)
class Heard:
    """One station. Times are wall time in seconds since 1970; 0: never."""

    block_at: float = 0.0
    online: bool | None = None  # as it said, or the broker for it; None: not heard
    open_visits: set[str] = field(default_factory=set)  # of which the shop has a block and no seal


class StationsHeard:
    """All stations of a collector. `mine` says whether a station still belongs to it."""

    def __init__(self, mine: Callable[[str], bool]) -> None:
        self._mine = mine
        self._stations: dict[str, Heard] = {}

    def _of(self, station: str) -> Heard:
        found = self._stations.get(station)
        if found is None:
            found = self._stations[station] = Heard()
        return found

    def block(self, station: str, wall_s: float) -> None:
        """A block's message came."""
        self._of(station).block_at = wall_s

    def said(self, station: str, online: bool) -> None:
        """The station's own message, or its last will."""
        self._of(station).online = online

    def receipted(self, receipts: Mapping[tuple[str, str], ReceiptMessage]) -> None:
        """These receipts were committed, by station and visit."""
        for (station, visit), receipt in receipts.items():
            visits = self._of(station).open_visits
            if receipt.sealed:
                visits.discard(visit)
            elif receipt.blocks:
                visits.add(visit)

    def __iter__(self) -> Iterator[tuple[str, Heard]]:
        for station in [name for name in self._stations if not self._mine(name)]:
            del self._stations[station]
        yield from sorted(self._stations.items())

    def __len__(self) -> int:
        return sum(1 for _ in self)
