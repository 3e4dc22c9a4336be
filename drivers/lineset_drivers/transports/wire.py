"""What a serial port and a TCP connection look like to a driver: bytes in by callback, bytes out by `write`."""

from __future__ import annotations

from typing import Protocol

from ..errors import LinkClosed


class Receiver(Protocol):
    """Who gets the bytes. Called from the event loop; must not block."""

    def data(self, data: bytes) -> None:
        """Some bytes arrived: any number of them, cut anywhere."""
        ...

    def ended(self, error: LinkClosed) -> None:
        """The wire broke or the peer ended it; called once, and not after `close`."""
        ...


class Wire(Protocol):
    """An open way to an instrument."""

    where: str

    def write(self, data: bytes) -> None:
        """Send. Never blocks or raises; a wire that breaks tells it through `Receiver.ended`."""
        ...

    def take(self) -> bytes:
        """What has arrived and was not given to the receiver yet; empty where the system does not let one look."""
        ...

    def close(self) -> None:
        """Close at once. Nothing is called any more; a second call does nothing."""
        ...
