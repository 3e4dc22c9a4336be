"""A TCP port on loopback at which a simulated instrument is reached."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import cast

from lineset_simulators.port import Line

_BACKLOG_BYTES = 65536  # a listener that does not read loses lines instead of filling our memory


class _Connection(asyncio.Protocol):
    def __init__(self, port: TcpPort) -> None:
        self._port = port
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        self._port._connections.add(self)

    def data_received(self, data: bytes) -> None:
        if self._port.on_data is not None:
            self._port.on_data(self, data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._port._connections.discard(self)
        if self._port.on_gone is not None:
            self._port.on_gone(self)

    def send(self, data: bytes) -> None:
        transport = self._transport
        if transport is not None and not transport.is_closing() and transport.get_write_buffer_size() < _BACKLOG_BYTES:
            transport.write(data)

    def abort(self) -> None:
        if self._transport is not None:
            self._transport.abort()


class TcpPort:
    """Listens on 127.0.0.1; keeps its number over unplugging. `on_data(line, data)` gets what each peer sends.

    Raises OSError when the number is taken.
    """

    def __init__(
        self, on_data: Callable[[Line, bytes], None] | None = None, *, number: int = 0, scheme: str = "tcp"
    ) -> None:
        self.scheme = scheme
        self.on_data = on_data
        self.on_gone: Callable[[Line], None] | None = None
        self.number = number
        self._server: asyncio.Server | None = None
        self._connections: set[_Connection] = set()

    @property
    def address(self) -> str:
        """As drivers name it: `tcp://host:port`, or `rtu+tcp://` for Modbus RTU frames."""
        return f"{self.scheme}://127.0.0.1:{self.number}"

    @property
    def plugged(self) -> bool:
        return self._server is not None

    async def plug(self) -> None:
        if self._server is None:
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(lambda: _Connection(self), "127.0.0.1", self.number)
            self.number = int(self._server.sockets[0].getsockname()[1])

    def send(self, data: bytes) -> None:
        for connection in tuple(self._connections):
            connection.send(data)

    def unplug(self) -> None:
        """Cut the network cable: connections are reset, new ones refused."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self._connections):
            connection.abort()

    def close(self) -> None:
        self.unplug()
