"""The processes that hold the light stations: started, killed, started again, asked how far they are."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
from light_stations import Plan

HERE = Path(__file__).resolve().parent


class StationsAtWork:
    """Processes by number; what they tell lies in files below `out`."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._running: dict[int, subprocess.Popen[bytes]] = {}
        self.plans: dict[int, Plan] = {}

    def start(self, k: int, plan: Plan) -> None:
        self.plans[k] = plan
        (self._out / f"plan-{k}.json").write_bytes(msgspec.json.encode(plan))
        self.start_again(k)

    def start_again(self, k: int) -> None:
        with (self._out / f"stations-{k}.log").open("ab") as log:
            self._running[k] = subprocess.Popen(
                [sys.executable, str(HERE / "light_stations.py"), str(self._out / f"plan-{k}.json")],
                stdout=log,
                stderr=log,
            )

    def kill(self, k: int) -> int:
        self._running[k].kill()
        self._running[k].wait()
        return self._running[k].pid

    @property
    def pids(self) -> list[int]:
        return [child.pid for child in self._running.values()]

    def told(self) -> dict[str, dict[str, object]]:
        """What each station last said of itself."""
        found: dict[str, dict[str, object]] = {}
        for plan in self.plans.values():
            file = Path(plan.told)
            if file.exists():
                found |= json.loads(file.read_text())
        return found

    async def all_final(self, of: int, wait_s: float, say: Callable[[str], None]) -> int:
        """Wait until every station has its final receipt; how many have not."""
        deadline = time.monotonic() + wait_s
        said = time.monotonic()
        while True:
            told = self.told()
            final = sum(bool(one["final"]) for one in told.values())
            if final == of or time.monotonic() > deadline:
                for name, one in told.items():
                    if one["problem"]:
                        say(f"{name}: {one['problem']}")
                return of - final
            if time.monotonic() - said > 10:
                said = time.monotonic()
                say(f"{final} of {of} stations have their final receipt")
            await asyncio.sleep(0.5)

    def end(self) -> None:
        for child in self._running.values():
            if child.poll() is None:
                child.terminate()
        for child in self._running.values():
            try:
                child.wait(20)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
