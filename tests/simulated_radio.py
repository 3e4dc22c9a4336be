"""What tests of Bluetooth LE share: a private message bus, a sink that can be waited on, sources."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from typing import TypeVar

import pytest

from lineset_drivers.frame import Frame, InstrumentState, Loss, State
from lineset_simulators.bus import Bus, dbus_daemon, private_bus

needs_bus = pytest.mark.skipif(
    dbus_daemon() is None, reason="dbus-daemon is not installed, and a simulated radio needs a message bus"
)

PROBE, CLAMP, BEACON = "C0:DE:00:00:00:01", "C0:DE:00:00:00:02", "C0:DE:00:00:00:03"  # invented
SOON = 30.0  # real seconds after which a wait in a test has failed


@pytest.fixture
def bus() -> Iterator[Bus]:
    with private_bus() as found:
        yield found


class Fixed:
    """A source that senses what it is told."""

    def __init__(self, value: float | None) -> None:
        self.value = value

    def read(self) -> float | None:
        return self.value


Found = TypeVar("Found")


class Inbox:
    """A sink that remembers everything, and can be waited on."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.states: list[InstrumentState] = []
        self.losses: list[Loss] = []
        self.full = False
        self._news = asyncio.Event()

    def frame(self, frame: Frame) -> bool:
        if self.full:
            return False
        self.frames.append(frame)
        self._news.set()
        return True

    def state(self, state: InstrumentState) -> None:
        self.states.append(state)
        self._news.set()

    def loss(self, loss: Loss) -> None:
        self.losses.append(loss)
        self._news.set()

    async def until(self, found: Callable[[], Found]) -> Found:
        """What `found` gives once it gives something true."""
        try:
            async with asyncio.timeout(SOON):
                while not (result := found()):
                    self._news.clear()
                    await self._news.wait()
                return result
        except TimeoutError:
            told = [f"{state.instrument}: {state.state}: {state.reason}" for state in self.states]
            raise AssertionError(f"waited in vain; {len(self.frames)} frames; told were {told}") from None

    async def until_state(self, instrument: str, state: State, text: str = "", after: int = 0) -> InstrumentState:
        """The first state of `instrument` from index `after` on that is `state`, with `text` in its reason."""
        return await self.until(
            lambda: next(
                (
                    s
                    for s in self.states[after:]
                    if s.instrument == instrument and s.state is state and text in s.reason
                ),
                None,
            )
        )

    async def until_value(self, channel: str, value: float | None, after: int = 0) -> Frame:
        """The first frame from index `after` on in which `channel` has this value."""
        return await self.until(
            lambda: next(
                (f for f in self.frames[after:] for s in f.samples if (s.channel, s.value) == (channel, value)), None
            )
        )
