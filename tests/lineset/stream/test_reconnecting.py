"""A connection that is lost again and again as soon as it stands: tried again ever more slowly."""

from __future__ import annotations

import asyncio
import contextlib
import itertools

import pytest

from lineset.stream import link as link_module
from lineset.stream.address import BrokerAddress
from lineset.stream.link import Link

WAIT_S = 60.0


async def packet(reader: asyncio.StreamReader) -> bytes:
    """A packet without its head, which has two bytes where there are less than 128 others (MQTT 3.1.1, 2.2.3)."""
    head = await reader.readexactly(2)
    assert head[1] < 128
    return await reader.readexactly(head[1])


async def test_one_that_ends_as_soon_as_it_stands_is_noticed() -> None:
    """Without a subscription, which would tell."""
    twice = asyncio.Event()
    came: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        came.append(await packet(reader))
        writer.write(b"\x20\x02\x00\x00")
        writer.close()
        if len(came) == 2:
            twice.set()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        link = Link(BrokerAddress("127.0.0.1", server.sockets[0].getsockname()[1]))
        running = asyncio.create_task(link.run())
        try:
            await asyncio.wait_for(twice.wait(), WAIT_S)
        finally:
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await running


async def test_a_connection_that_is_lost_at_once_becomes_no_storm(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where two have the name of one: a broker ends the older connection of a name (MQTT 3.1.1, 3.1.4-2)."""
    monkeypatch.setattr(link_module, "_BACKOFF_MIN_S", 0.02)
    now = asyncio.get_running_loop().time
    came: list[float] = []
    enough = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """CONNECT and SUBSCRIBE are taken, and the connection is ended."""
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            await packet(reader)
            writer.write(b"\x20\x02\x00\x00")
            number = (await packet(reader))[:2]
            came.append(now())
            if len(came) == 7:
                enough.set()
            writer.write(b"\x90\x03" + number + b"\x00")
            await writer.drain()
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        link = Link(BrokerAddress("127.0.0.1", server.sockets[0].getsockname()[1]))
        link.subscribe("north/#", 0, lambda _: None)
        running = asyncio.create_task(link.run())
        try:
            await asyncio.wait_for(enough.wait(), WAIT_S)
        finally:
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await running
    assert link.connections > 0
    # doubled each time, and at least half of it is waited: 0.02 s, 0.04, 0.08, 0.16, 0.32, 0.64
    assert all(later - earlier >= 0.01 * 2**n for n, (earlier, later) in enumerate(itertools.pairwise(came)))
