"""A web server in the loop: its port, also where another takes the same at the same moment, and how it ends."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import Any

import pytest

from lineset.station import loop_server
from lineset.station.loop_server import LoopServer

WAIT_S = 60.0


async def hello(scope: dict[str, Any], receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"hello"})


def server(port: int = 0) -> LoopServer:
    return LoopServer(hello, "board", refused=RuntimeError, port=port)


async def said(port: int) -> bytes:
    async with asyncio.timeout(WAIT_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        try:
            return await reader.read()
        finally:
            writer.close()


async def test_of_two_that_took_one_free_port_the_second_takes_another(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the kernel allows with SO_REUSEADDR (Linux, socket(7)): both bind, and one listens first."""
    with contextlib.closing(socket.socket()) as rival:
        rival.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        rival.bind(("127.0.0.1", 0))
        taken = rival.getsockname()[1]
        bound: list[int] = []

        class Late(socket.socket):
            """Is given the rival's port for a free one, once, and the rival listens before it does."""

            def bind(self, address: Any) -> None:
                super().bind(address if bound else (address[0], taken))
                if not bound:
                    rival.listen()
                bound.append(self.getsockname()[1])

        with monkeypatch.context() as patch:
            patch.setattr(loop_server.socket, "socket", Late)
            running = await server().__aenter__()
        try:
            assert len(bound) == 2
            assert bound[0] == taken != running.port == bound[1]
            assert b"hello" in await said(running.port)
        finally:
            await running.__aexit__()


async def test_a_port_that_is_set_is_not_exchanged() -> None:
    with contextlib.closing(socket.create_server(("127.0.0.1", 0))) as other:
        port = other.getsockname()[1]
        with pytest.raises(RuntimeError, match=rf"the board cannot listen on port {port} .*another port \(0: any\)"):
            await server(port).__aenter__()


async def test_one_that_is_cancelled_as_it_starts_lets_its_port_go() -> None:
    one = server()
    starting = asyncio.create_task(one.__aenter__())
    await asyncio.sleep(0)  # it listens
    port = one.port
    assert port
    starting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await starting
    socket.create_server(("127.0.0.1", port)).close()
