"""For tests of the drivers: an inbox that can be waited on, and peers on pseudo-terminals that follow a byte script.

Nothing here reads a profile or uses a codec of ours, so that shared errors cannot cancel.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import tty
from collections.abc import Callable
from pathlib import Path

from lineset_drivers.frame import Frame, InstrumentState, Loss, State


class Inbox:
    """A sink that keeps everything. `full` makes it refuse frames; `until` waits for a condition on it."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.states: list[InstrumentState] = []
        self.losses: list[Loss] = []
        self.full = False
        self._changed = asyncio.Event()

    def frame(self, frame: Frame) -> bool:
        self._changed.set()
        if self.full:
            return False
        self.frames.append(frame)
        return True

    def state(self, state: InstrumentState) -> None:
        self.states.append(state)
        self._changed.set()

    def loss(self, loss: Loss) -> None:
        self.losses.append(loss)
        self._changed.set()

    def of(self, instrument: str) -> list[Frame]:
        return [frame for frame in self.frames if frame.instrument == instrument]

    def told(self, instrument: str) -> list[InstrumentState]:
        return [state for state in self.states if state.instrument == instrument]

    def values(self, instrument: str, channel: str) -> list[float | None]:
        return [s.value for frame in self.of(instrument) for s in frame.samples if s.channel == channel]

    async def until(self, condition: Callable[[], object], timeout: float = 60.0) -> None:
        """Wait until the condition holds; the time-out only ends a test that would hang."""
        async with asyncio.timeout(timeout):
            while not condition():
                self._changed.clear()
                with contextlib.suppress(TimeoutError):
                    # some conditions are about a peer and not about the inbox
                    await asyncio.wait_for(self._changed.wait(), 0.02)

    async def reaches(self, instrument: str, state: State, words: str = "", timeout: float = 60.0) -> InstrumentState:
        """Wait until the instrument's last state is this one, with these words in its reason."""

        def there() -> bool:
            told = self.told(instrument)
            return bool(told) and told[-1].state is state and words in told[-1].reason

        try:
            await self.until(there, timeout)
        except TimeoutError:
            raise AssertionError(f"{instrument} never came to {state} {words!r}: {self.told(instrument)}") from None
        return self.told(instrument)[-1]


def crc(frame: bytes) -> bytes:
    """CRC of an RTU frame, low byte first: MODBUS over Serial Line V1.02, 6.2.2, by long division."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return struct.pack("<H", value)


def rtu(*body: int) -> bytes:
    """The bytes of an RTU frame, with its CRC."""
    return bytes(body) + crc(bytes(body))


Script = Callable[[bytes], list[tuple[float, bytes]]]
"""What a peer does on hearing a request: (delay in real seconds, bytes) pairs."""


class PtyPeer:
    """The far end of a serial cable: hears requests of `request_size` bytes, answers by its script."""

    def __init__(self, link: Path, script: Script | None = None, *, request_size: int = 8) -> None:
        self.link, self.script, self.request_size = link, script, request_size
        self.heard: list[bytes] = []
        self._buffer = b""
        self._master = self._slave = -1

    @property
    def url(self) -> str:
        return f"serial://{self.link}"

    def plug(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.link.symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._readable)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, 4096)
        except OSError:
            return
        if self.script is None:
            self.heard.append(data)
            return
        self._buffer += data
        while len(self._buffer) >= self.request_size:
            request, self._buffer = self._buffer[: self.request_size], self._buffer[self.request_size :]
            self.heard.append(request)
            for delay, answer in self.script(request):
                if delay:
                    asyncio.get_running_loop().call_later(delay, self.send, answer)
                else:
                    self.send(answer)

    def send(self, data: bytes) -> None:
        if self._master >= 0:
            with contextlib.suppress(OSError):
                os.write(self._master, data)

    def unplug(self) -> None:
        """Pull the adapter: the name goes, and whoever has the port open sees a hang-up."""
        if self._master < 0:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        self.link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._master = -1


class NullModem:
    """Two pseudo-terminals joined back to back, so that a server which opens ports itself can be the far end."""

    def __init__(self, near: Path, far: Path) -> None:
        self.near, self.far = near, far
        self._fds: list[tuple[int, int]] = []

    def plug(self) -> None:
        for link in (self.near, self.far):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            link.symlink_to(os.ttyname(slave))
            self._fds.append((master, slave))
        (one, _), (two, _) = self._fds
        loop = asyncio.get_running_loop()
        loop.add_reader(one, self._pump, one, two)
        loop.add_reader(two, self._pump, two, one)

    @staticmethod
    def _pump(source: int, sink: int) -> None:
        with contextlib.suppress(OSError):
            os.write(sink, os.read(source, 4096))

    def unplug(self) -> None:
        loop = asyncio.get_running_loop()
        for master, slave in self._fds:
            loop.remove_reader(master)
            os.close(slave)
            os.close(master)
        self._fds.clear()
