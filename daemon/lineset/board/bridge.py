"""From a page's WebSocket to the broker's own port and back: MQTT's bytes, not looked into.

One port for a page and its broker: a phone on the local network reaches no other, and any broker will do.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog
from starlette.websockets import WebSocket, WebSocketDisconnect

from lineset.stream.address import BrokerAddress
from lineset.stream.errors import SettingsError

SUBPROTOCOL = "mqtt"  # MQTT 3.1.1, section 6: the subprotocol's name, binary frames, packets need not align to frames
_CHUNK = 1 << 16
TRY_AGAIN_LATER = 1013  # RFC 6455's registry of close codes
_POLICY = 1008
_NO_TEXT = 1003

log = structlog.get_logger(__name__)


def same_origin(origin: str, host: str) -> bool:
    """Whether a page of `origin` ("http://127.0.0.1:8930") was served by what is asked as `host`."""
    return origin.partition("://")[2] == host and bool(host)


async def admitted(socket: WebSocket) -> bool:
    """Accept a page's WebSocket; a page of another origin, or one that speaks no MQTT, is turned away."""
    headers = socket.headers
    if not same_origin(headers.get("origin", ""), headers.get("host", "")):
        log.warning("a foreign page asked for the broker and was turned away", origin=headers.get("origin", ""))
        await socket.close(_POLICY)
        return False
    if SUBPROTOCOL not in socket.scope.get("subprotocols", ()):
        await socket.close(_POLICY)
        return False
    await socket.accept(subprotocol=SUBPROTOCOL)
    return True


async def bridge(socket: WebSocket, address: Callable[[], BrokerAddress]) -> None:
    """Serve one WebSocket until either side ends it."""
    if not await admitted(socket):
        return
    try:
        where = address()
        reader, writer = await asyncio.open_connection(where.host, where.port, ssl=where.tls_context())
    except (OSError, SettingsError) as error:
        log.info("the broker cannot be reached for the page", error=str(error))
        await socket.close(TRY_AGAIN_LATER)
        return
    await carry(socket, reader, writer)


async def carry(socket: WebSocket, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Hand bytes to and fro until either side ends it; the broker's side is closed."""
    outward = asyncio.create_task(_to_broker(socket, writer), name="page to broker")
    inward = asyncio.create_task(_to_page(socket, reader), name="broker to page")
    try:
        await asyncio.wait({outward, inward}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (outward, inward):
            task.cancel()
        await asyncio.gather(outward, inward, return_exceptions=True)
        writer.close()


async def _to_broker(socket: WebSocket, writer: asyncio.StreamWriter) -> None:
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return
        data = message.get("bytes")
        if data is None:
            await socket.close(_NO_TEXT)
            return
        writer.write(data)
        await writer.drain()


async def _to_page(socket: WebSocket, reader: asyncio.StreamReader) -> None:
    try:
        while data := await reader.read(_CHUNK):
            await socket.send_bytes(data)
        await socket.close(TRY_AGAIN_LATER)
    except (WebSocketDisconnect, ConnectionError):
        return
