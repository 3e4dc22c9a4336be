"""The one clock: visit time, in nanoseconds, with a rate; and wall time.

`t` grows with the boot time of the machine where the system offers it (it goes on while the laptop
sleeps), and with monotonic time elsewhere. A rate other than one is for demos and simulations: polls,
stamps and dwells scale with it; I/O time-outs and keep-alives use real time and do not come here.
"""

from __future__ import annotations

import asyncio
import time
from typing import Protocol

NS = 1_000_000_000


def boot_ns() -> int:
    """Nanoseconds since boot, counting sleep where the system can; never steps backwards."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return time.monotonic_ns()


class Clock(Protocol):
    """What gives visit time to drivers and station. The engine never sees one."""

    rate: float

    def now(self) -> int:
        """Visit time in ns; never decreases."""
        ...

    def wall(self) -> int:
        """Wall time in ns since 1970-01-01 UTC; may step."""
        ...

    async def sleep_until(self, t: int) -> None:
        """Return when `now() >= t`."""
        ...


class VisitClock:
    """Visit time from the machine's own clocks, `rate` visit seconds a real second, starting at `start` ns."""

    def __init__(self, *, rate: float = 1.0, start: int = 0) -> None:
        if not rate > 0:
            raise ValueError(f"a clock's rate must be above zero, not {rate}")
        self.rate = rate
        self._start = start
        self._boot = boot_ns()

    def now(self) -> int:
        elapsed = boot_ns() - self._boot
        return self._start + (elapsed if self.rate == 1.0 else int(elapsed * self.rate))

    def wall(self) -> int:
        return time.time_ns()

    async def sleep_until(self, t: int) -> None:
        while (left := t - self.now()) > 0:
            # at most a second at a time: after a suspend the loop's own clock lags behind boot time
            await asyncio.sleep(min(left / NS / self.rate, 1.0))
