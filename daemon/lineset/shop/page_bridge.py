"""From a dispatcher's page to the shop's broker: the page logs in here with its token, we at the broker with our own.

Who may read what people wrote hears observations too (the broker's role `board`); all others come as `dashboard`.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Sequence

import structlog
from starlette.websockets import WebSocket

from lineset.board.bridge import TRY_AGAIN_LATER, admitted, carry
from lineset.shop.access import Access, Asker
from lineset.shop.connect_packet import Connect, NotAConnect, read_connect, write_connect
from lineset.shop.errors import ShopError
from lineset.shop.refusal import Refusal
from lineset.shop.shop_config import BrokerRole
from lineset.stream.address import BrokerAddress
from lineset.stream.errors import SettingsError

LOGIN_S = 10.0
LOOK_S = 2.0  # how often it is looked whether a token still holds
_CONNECT_S = 5.0
_REFUSED = b"\x20\x02\x00\x05"  # CONNACK, not authorised (MQTT 3.1.1, section 3.2.2.3)
_POLICY = 1008

Addresses = Callable[[BrokerRole], Sequence[BrokerAddress]]

log = structlog.get_logger(__name__)


async def page_bridge(socket: WebSocket, access: Access, addresses: Addresses) -> None:
    """Serve one page until either side ends it, or its token is taken back."""
    if not await admitted(socket):
        return
    try:
        async with asyncio.timeout(LOGIN_S):
            connect = await _first(socket)
    except (TimeoutError, NotAConnect) as error:
        log.info("a page did not log in", reason=str(error) or "in time")
        await socket.close(_POLICY)
        return
    if connect is None:
        return
    try:
        asker = access.by_token(connect.token) if connect.token else access.asker(socket)
    except Refusal as refusal:
        log.warning("a page was not let in", reason=refusal.problem.what)
        await socket.send_bytes(_REFUSED)
        await socket.close(_POLICY)
        return
    found = await _nearest(addresses, "board" if asker.may("notes") else "dashboard")
    if found is None:
        await socket.close(TRY_AGAIN_LATER)
        return
    reader, writer, address = found
    # a name of our own: by another's a page would take that one's place at the broker
    client_id = f"sheet-{secrets.token_hex(8)}"
    writer.write(write_connect(client_id, connect.keepalive_s, address.username, address.password))
    writer.write(connect.rest)
    watch = asyncio.create_task(_while_it_holds(asker), name="a token's validity")
    served = asyncio.create_task(carry(socket, reader, writer), name="a page's bridge")
    try:
        await asyncio.wait({watch, served}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (watch, served):
            task.cancel()
        await asyncio.gather(watch, served, return_exceptions=True)


async def _first(socket: WebSocket) -> Connect | None:
    """The page's CONNECT; None when it went away. Raises NotAConnect."""
    data = b""
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return None
        data += message.get("bytes") or b""
        connect = read_connect(data)
        if connect is not None:
            return connect


async def _nearest(
    addresses: Addresses, role: BrokerRole
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter, BrokerAddress] | None:
    """A connection to the first broker that answers."""
    try:
        places = addresses(role)
    except ShopError as error:
        log.error("the board cannot log in at the broker", reason=str(error))
        return None
    for place in places:
        try:
            async with asyncio.timeout(_CONNECT_S):
                reader, writer = await asyncio.open_connection(place.host, place.port, ssl=place.tls_context())
        except (OSError, SettingsError, TimeoutError) as error:
            log.info("a broker cannot be reached for the page", broker=str(place), error=str(error))
            continue
        return reader, writer, place
    return None


async def _while_it_holds(asker: Asker) -> None:
    while asker.still():
        await asyncio.sleep(LOOK_S)
    log.info("a page's token holds no longer; it is closed", asker=asker.name)
