"""What the shop's processes cost while the visits go on: CPU by kind of part, from the system's own account."""

from __future__ import annotations

import asyncio
import time

import psutil
from fleet_shop import FleetShop

KINDS = ("collector", "broker", "database", "board")
EVERY_S = 2.0


class Watched:
    """CPU seconds of each part, children included, summed over restarts."""

    def __init__(self, shop: FleetShop) -> None:
        self._shop = shop
        self._seen: dict[tuple[str, int], float] = {}
        self._first: dict[tuple[str, int], float] = {}
        self._task: asyncio.Task[None] | None = None
        self._began = self._ended = 0.0
        self._largest: dict[str, int] = {}

    def start(self) -> None:
        self._began = time.monotonic()
        self._task = asyncio.create_task(self._look_again(), name="watching the shop")

    async def _look_again(self) -> None:
        while True:
            await asyncio.to_thread(self._look)
            await asyncio.sleep(EVERY_S)

    def _look(self) -> None:
        for kind in KINDS:
            for pid in self._shop.pids(kind):
                try:
                    process = psutil.Process(pid)
                    family = [process, *process.children(recursive=True)]
                    # of PostgreSQL's children that have ended the parent keeps the account
                    times = process.cpu_times()
                    spent = times.children_user + times.children_system
                    spent += sum(sum(each.cpu_times()[:2]) for each in family)
                    size = sum(each.memory_info().rss for each in family)
                except psutil.Error:
                    continue
                if not self._ended:
                    self._first.setdefault((kind, pid), spent)
                    self._seen[kind, pid] = spent
                self._largest[kind] = max(self._largest.get(kind, 0), size)

    def visits_ended(self) -> None:
        """From here on only the rest is carried."""
        self._ended = time.monotonic()

    def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            self._task = None

    def figures(self, found: dict[str, object]) -> dict[str, object]:
        """CPU in cores while visits went on."""
        took = self._ended - self._began
        cores: dict[str, object] = {}
        for kind in KINDS:
            spent = sum(s - self._first[key] for key, s in self._seen.items() if key[0] == kind)
            if took > 0 and (kind,) in {key[:1] for key in self._seen}:
                cores[f"{kind}: cores, MiB"] = f"{spent / took:.2f}, {self._largest[kind] / 2**20:.0f}"
        return cores
