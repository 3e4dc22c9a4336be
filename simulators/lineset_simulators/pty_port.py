"""A pseudo-terminal with a stable name: what the serial adapter of a simulated instrument looks like from outside.

Bytes sent while nobody has the port open vanish, as they do on a wire. Unplugging closes it under whoever reads it
and takes its name away; plugging in again brings the name back.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import tty
from collections.abc import Callable
from pathlib import Path

from lineset_simulators.port import Line

_REOPEN_POLL_S = 0.01  # how soon a program that opened the port is noticed: a pseudo-terminal does not tell


class PtyPort:
    """One end of a pseudo-terminal for the instrument; the other end is named by the symbolic link `link`.

    `plug()` must be called inside a running asyncio loop. `on_data(line, data)` gets what was written to the port.
    Raises OSError when no pseudo-terminal is to be had or the link cannot be made.
    """

    def __init__(self, link: Path, on_data: Callable[[Line, bytes], None] | None = None) -> None:
        self.link = link
        self.on_data = on_data
        self._fd = -1
        self._device = ""
        self._poll = select.poll()
        self._waiting: asyncio.TimerHandle | None = None
        self._reading = False

    @property
    def address(self) -> str:
        """As drivers name it: `serial://` and the path."""
        return f"serial://{self.link}"

    @property
    def plugged(self) -> bool:
        return self._fd >= 0

    def plug(self) -> None:
        if self.plugged:
            return
        self._fd, slave = os.openpty()
        tty.setraw(slave)
        self._device = os.ttyname(slave)
        os.close(slave)  # from here on a hang-up means: nobody has it open
        os.set_blocking(self._fd, False)
        self._poll = select.poll()
        self._poll.register(self._fd, 0)
        self._name()
        self._await_opening()

    def _name(self) -> None:
        self.link.parent.mkdir(parents=True, exist_ok=True)
        # made beside and moved into place, so that whoever polls for the name never finds it dangling
        fresh = self.link.with_name(self.link.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self._device)
        fresh.replace(self.link)

    def is_open(self) -> bool:
        """True while a program has the port open."""
        return self.plugged and not self._poll.poll(0)

    def _await_opening(self) -> None:
        self._waiting = None
        if not self.plugged:
            return
        loop = asyncio.get_running_loop()
        if self.is_open():
            loop.add_reader(self._fd, self._readable)
            self._reading = True
        else:
            self._waiting = loop.call_later(_REOPEN_POLL_S, self._await_opening)

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except BlockingIOError:
            return
        except OSError:  # EIO: the last program has closed it
            self._stop_reading()
            self._await_opening()
            return
        if data and self.on_data is not None:
            self.on_data(self, data)

    def _stop_reading(self) -> None:
        if self._reading:
            asyncio.get_running_loop().remove_reader(self._fd)
            self._reading = False

    def send(self, data: bytes) -> None:
        """Put bytes on the wire; those that nobody reads, or that do not fit the receiver's buffer, are lost."""
        if self.is_open():
            with contextlib.suppress(BlockingIOError):
                os.write(self._fd, data)

    def unplug(self) -> None:
        """Pull the adapter out: readers see a hang-up, the name goes away."""
        if not self.plugged:
            return
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        self._stop_reading()
        if self.link.is_symlink() and os.readlink(self.link) == self._device:
            self.link.unlink()
        os.close(self._fd)
        self._fd = -1

    def close(self) -> None:
        self.unplug()
