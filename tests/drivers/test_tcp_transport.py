"""The TCP transport on loopback: bytes both ways, the peer's end, and why a connection was not made."""

from __future__ import annotations

import asyncio
import socket

import pytest

from lineset_drivers.errors import LinkClosed, LinkError
from lineset_drivers.transports.tcp import open_tcp


class Ear:
    def __init__(self) -> None:
        self.heard = b""
        self.error: LinkClosed | None = None
        self.came = asyncio.Event()

    def data(self, data: bytes) -> None:
        self.heard += data
        self.came.set()

    def ended(self, error: LinkClosed) -> None:
        self.error = error
        self.came.set()


async def server(script: str) -> tuple[asyncio.Server, int]:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if script == "echo":
            writer.write(await reader.readexactly(5))
            await writer.drain()
            await reader.read()
        elif script == "reset":
            await reader.readexactly(1)
            writer.transport.abort()
        writer.close()

    started = await asyncio.start_server(serve, "127.0.0.1", 0)
    return started, started.sockets[0].getsockname()[1]


async def test_bytes_go_both_ways_and_the_connection_is_watched() -> None:
    started, port = await server("echo")
    ear = Ear()
    wire = await open_tcp("127.0.0.1", port, ear)
    wire.write(b"hello")
    async with asyncio.timeout(60):
        await ear.came.wait()
    assert ear.heard == b"hello"
    assert wire._transport is not None
    sock = wire._transport.get_extra_info("socket")
    assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
    assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
    wire.close()
    wire.close()
    await asyncio.sleep(0.01)
    assert ear.error is None  # we ended it ourselves
    started.close()


@pytest.mark.parametrize("script", ["end", "reset"])
async def test_the_peers_end_is_told(script: str) -> None:
    started, port = await server(script)
    ear = Ear()
    wire = await open_tcp("127.0.0.1", port, ear)
    wire.write(b"x")
    async with asyncio.timeout(60):
        await ear.came.wait()
    assert ear.error is not None
    assert "ended the connection" in str(ear.error) or "broke" in str(ear.error)
    wire.write(b"nobody")
    started.close()


async def test_a_refused_connection() -> None:
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        with pytest.raises(LinkError, match=r"refuses this port\. Check the port number"):
            await open_tcp("127.0.0.1", bound.getsockname()[1], Ear())


async def test_an_unknown_host() -> None:
    # RFC 6761, 6.4: names under .invalid never resolve
    with pytest.raises(LinkError, match="host name is not known"):
        await open_tcp("meter.invalid", 502, Ear())


async def test_no_answer_within_the_time_out() -> None:
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        # a backlog that is full leaves further attempts without an answer
        waiting = [socket.socket() for _ in range(3)]
        for other in waiting:
            other.setblocking(False)
            other.connect_ex(full.getsockname())
        with pytest.raises(LinkError, match=r"no answer to the connection within 0\.2 s"):
            await open_tcp("127.0.0.1", full.getsockname()[1], Ear(), timeout_s=0.2)
        for other in waiting:
            other.close()
