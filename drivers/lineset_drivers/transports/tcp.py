"""TCP connections to instruments and to serial-to-network adapters."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket

from ..errors import LinkClosed, LinkError
from .wire import Receiver

CONNECT_S = 5.0
# a cable pulled at the far end sends nothing: without these a dead connection looks like a silent instrument
KEEPALIVE = {"TCP_KEEPIDLE": 10, "TCP_KEEPINTVL": 3, "TCP_KEEPCNT": 3, "TCP_USER_TIMEOUT": 15_000}


class TcpWire(asyncio.Protocol):
    """An open connection. Made by `open_tcp`."""

    def __init__(self, host: str, port: int, receiver: Receiver) -> None:
        self.where = f"tcp://{host}:{port}"
        self._receiver = receiver
        self._transport: asyncio.Transport | None = None
        self._open = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport, self._open = transport, True
        sock = transport.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in KEEPALIVE.items():
            with contextlib.suppress(AttributeError, OSError):  # not every system knows all of them
                sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)

    def data_received(self, data: bytes) -> None:
        if self._open:
            self._receiver.data(data)

    def connection_lost(self, exc: Exception | None) -> None:
        if not self._open:
            return
        self._open = False
        problem = "the instrument ended the connection" if exc is None else f"the connection broke: {exc}"
        remedy = "Check that it is on, and that no other program took its only connection"
        self._receiver.ended(LinkClosed(self.where, problem, remedy=remedy))

    def write(self, data: bytes) -> None:
        if self._open and self._transport is not None:
            self._transport.write(data)

    def take(self) -> bytes:
        return b""  # the event loop's transport has the only right to read

    def close(self) -> None:
        self._open = False
        if self._transport is not None:
            self._transport.abort()


def _why_not(where: str, error: OSError, timeout_s: float) -> LinkError:
    """The sentence for a connection that could not be made."""
    if isinstance(error, socket.gaierror):
        return LinkError(where, "this host name is not known", remedy="Correct it, or give the address in numbers")
    if isinstance(error, ConnectionRefusedError):
        remedy = "Check the port number, and that the instrument's network service is on"
        return LinkError(where, "the host is there but refuses this port", remedy=remedy)
    if isinstance(error, TimeoutError) or error.errno == errno.ETIMEDOUT:
        remedy = "Check that it is on and in the same network"
        return LinkError(where, f"no answer to the connection within {timeout_s:g} s", remedy=remedy)
    if error.errno in (errno.EHOSTUNREACH, errno.ENETUNREACH):
        return LinkError(where, "there is no way to this host", remedy="Join the network of the instrument")
    return LinkError(where, f"the connection cannot be made: {error}", remedy="Check address, port and network")


async def open_tcp(host: str, port: int, receiver: Receiver, *, timeout_s: float = CONNECT_S) -> TcpWire:
    """Connect within `timeout_s` real seconds and give the bytes to `receiver`.

    Raises LinkError: host unknown, refused, no answer, no way there.
    """
    loop = asyncio.get_running_loop()
    wire = TcpWire(host, port, receiver)
    try:
        async with asyncio.timeout(timeout_s):
            await loop.create_connection(lambda: wire, host, port)
    except OSError as error:  # TimeoutError and gaierror are among them
        wire.close()
        raise _why_not(wire.where, error, timeout_s) from error
    return wire
