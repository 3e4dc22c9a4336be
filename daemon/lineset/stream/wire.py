"""What left and the broker has not acknowledged: bounded, so that neither memory nor a slow way fills up."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from lineset.stream.link import Session

MOST_BYTES, MOST_MESSAGES = 256 * 1024, 16


@dataclass(slots=True)
class Wire:
    """Messages that the broker has not acknowledged, bounded in number and bytes."""

    session: Session
    wake: asyncio.Event
    flying: dict[asyncio.Task[None], int] = field(default_factory=dict)
    size: int = 0  # bytes
    error: BaseException | None = None

    async def send(self, topic: str, payload: bytes, done: Callable[[], None]) -> None:
        """Send when there is room; `done` once the broker has it. Raises ConnectionLost."""
        while self.flying and (self.size + len(payload) > MOST_BYTES or len(self.flying) >= MOST_MESSAGES):
            self.check()
            await asyncio.wait(self.flying, return_when=asyncio.FIRST_COMPLETED)
            await asyncio.sleep(0)  # let their callbacks run
        self.check()

        def ended(task: asyncio.Task[None]) -> None:
            self.size -= self.flying.pop(task)
            if task.cancelled():
                return
            self.error = self.error or task.exception()
            if self.error is None:
                done()
            self.wake.set()

        task = asyncio.create_task(self.session.publish(topic, payload))
        self.flying[task] = len(payload)
        self.size += len(payload)
        task.add_done_callback(ended)

    def check(self) -> None:
        if self.error is not None:
            raise self.error

    async def end(self) -> None:
        tasks = list(self.flying)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
