"""What all ports of simulated instruments have in common: a line to send bytes on, and plugging."""

from __future__ import annotations

from typing import Protocol


class Line(Protocol):
    """Where a reply goes: the serial wire, or the TCP connection that asked."""

    def send(self, data: bytes) -> None: ...


class Port(Line, Protocol):
    """A place at which an instrument is reached; `send` reaches everyone who listens there."""

    @property
    def address(self) -> str: ...

    @property
    def plugged(self) -> bool: ...

    def unplug(self) -> None: ...

    def close(self) -> None: ...
