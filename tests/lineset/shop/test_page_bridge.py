"""A page's way to the shop's own broker over TLS: who is let in, as whom, and what is heard then."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

import aiomqtt
import msgspec
import pytest
import websockets
from claimed_port import free_port
from shop_rig import admitted, running_broker

from lineset.shop.board_server import board
from lineset.shop.board_tokens import add_token, revoke_token
from lineset.shop.connect_packet import write_connect
from lineset.shop.errors import ShopSettingsError
from lineset.shop.shop_config import BrokerSettings, ShopConfig
from lineset.stream.address import BrokerAddress

ACCEPTED, NOT_AUTHORISED = b"\x20\x02\x00\x00", b"\x20\x02\x00\x05"  # CONNACK: MQTT 3.1.1, section 3.2
BASE = "lineset/v1/north"


class Shop(NamedTuple):
    config: ShopConfig
    port: int
    van: BrokerAddress

    @asynccontextmanager
    async def page(self, token: str, *, cut: int = 1000, origin: str = "", **headers: str) -> AsyncIterator[Any]:
        """A page's WebSocket on which its CONNECT was sent, in pieces."""
        url = f"ws://127.0.0.1:{self.port}/mqtt"
        origin = origin or f"http://127.0.0.1:{self.port}"
        given: dict[str, Any] = {"additional_headers": {name.replace("_", "-"): each for name, each in headers.items()}}
        async with websockets.connect(url, subprotocols=["mqtt"], origin=origin, **given) as socket:  # type: ignore[arg-type, list-item]
            packet = write_connect("sheet-1", 20, "page", token)
            for at in range(0, len(packet), cut):
                await socket.send(packet[at : at + cut])
            yield socket

    @asynccontextmanager
    async def on_van(self) -> AsyncIterator[aiomqtt.Client]:
        who = self.van
        async with aiomqtt.Client(
            who.host, who.port, username=who.username, password=who.password, tls_context=who.tls_context()
        ) as client:
            yield client


@pytest.fixture
async def shop(shop_config: ShopConfig) -> AsyncIterator[Shop]:
    async with running_broker(shop_config) as supervisor:
        [join] = await admitted(supervisor, "van-1")
        config = msgspec.structs.replace(shop_config, board=msgspec.structs.replace(shop_config.board, port=0))
        async with board(config) as server:
            yield Shop(config, server.port, join.addresses()[0])


def subscribe(*filters: str) -> bytes:
    """SUBSCRIBE with identifier 1 and QoS 0 (MQTT 3.1.1, section 3.8)."""
    body = b"\x00\x01" + b"".join(len(each).to_bytes(2, "big") + each.encode() + b"\x00" for each in filters)
    assert len(body) < 128
    return b"\x82" + bytes([len(body)]) + body


async def heard(socket: Any, *words: bytes) -> bytes:
    """All bytes until each of the words is among them."""
    found = b""
    async with asyncio.timeout(30):
        while not all(word in found for word in words):
            found += await socket.recv()
    return found


async def test_a_token_lets_in_as_who_may_hear_what_it_opens(shop: Shop) -> None:
    plain, _ = add_token(shop.config.folder, "desk", ())
    notes, _ = add_token(shop.config.folder, "quality", ("notes",))
    async with shop.page(plain, cut=1) as desk, shop.page(notes) as quality, shop.on_van() as van:
        for socket in (desk, quality):
            assert await socket.recv() == ACCEPTED
            await socket.send(subscribe(f"{BASE}/+/visit/+", f"{BASE}/+/visit/+/observation/+"))
            await heard(socket, b"\x90")
        await van.publish(f"{BASE}/van-1/visit/v1/observation/7", b"words about the house", qos=1)
        await van.publish(f"{BASE}/van-1/visit/v1", b"how the visit stands", qos=1)
        await heard(quality, b"words about the house", b"how the visit stands")
        assert b"words about the house" not in await heard(desk, b"how the visit stands")
        # no page may say anything to the shop's broker: what it publishes is heard by nobody
        topic = f"{BASE}/van-1/visit/v1".encode()
        body = len(topic).to_bytes(2, "big") + topic + b"said by a page"
        await quality.send(b"\x30" + bytes([len(body)]) + body)
        with contextlib.suppress(websockets.ConnectionClosed):  # some brokers end it at once
            await quality.send(b"\xc0\x00")  # PINGREQ: once it is answered, what came before it was dealt with
            await heard(quality, b"\xd0\x00")
        await van.publish(f"{BASE}/van-1/visit/v1", b"and on it goes", qos=1)
        assert b"said by a page" not in await heard(desk, b"and on it goes")


async def test_whom_a_proxy_vouches_for_comes_in_without_a_token(shop: Shop) -> None:
    settings = msgspec.structs.replace(shop.config.board, identity_header="x-person", proxies=("127.0.0.1",))
    async with board(msgspec.structs.replace(shop.config, board=settings)) as server:
        behind = shop._replace(port=server.port)
        async with behind.page("", X_Person="desk@shop.example") as socket:
            assert await socket.recv() == ACCEPTED
        async with behind.page("") as socket:
            assert await socket.recv() == NOT_AUTHORISED


async def test_who_is_not_known_is_told_so_in_the_protocols_words(shop: Shop) -> None:
    for token in ("made-up", "-"):
        async with shop.page(token) as socket:
            assert await socket.recv() == NOT_AUTHORISED
            with pytest.raises(websockets.ConnectionClosed):
                await socket.recv()
    with pytest.raises(websockets.InvalidStatus):
        async with shop.page("made-up", origin="http://elsewhere.example"):
            pass


async def test_what_is_no_login_ends_the_connection(shop: Shop) -> None:
    url, origin = f"ws://127.0.0.1:{shop.port}/mqtt", f"http://127.0.0.1:{shop.port}"
    for first in (b"\x30\x05hello", b"\x10\xff\xff\x03"):
        async with websockets.connect(url, subprotocols=["mqtt"], origin=origin) as socket:  # type: ignore[arg-type, list-item]
            await socket.send(first)
            with pytest.raises(websockets.ConnectionClosed) as closed:
                await socket.recv()
            assert closed.value.rcvd is not None
            assert closed.value.rcvd.code == 1008


async def test_on_the_network_it_speaks_tls_with_the_certificate_of_the_node(shop: Shop) -> None:
    settings = msgspec.structs.replace(shop.config.board, port=0, network=True)
    token, _ = add_token(shop.config.folder, "yard", ())
    async with board(msgspec.structs.replace(shop.config, board=settings)) as server:
        context = ssl.create_default_context(cafile=shop.config.ca_file)
        url = f"https://localhost:{server.port}"
        async with websockets.connect(
            f"{url.replace('https', 'wss')}/mqtt",
            subprotocols=["mqtt"],
            origin=url,
            ssl=context,  # type: ignore[arg-type, list-item]
        ) as socket:
            await socket.send(write_connect("sheet-1", 20, "page", token))
            assert await socket.recv() == ACCEPTED
        with pytest.raises(ssl.SSLCertVerificationError):
            await websockets.connect(f"wss://localhost:{server.port}/mqtt", ssl=ssl.create_default_context())
    bare = msgspec.structs.replace(shop.config, board=settings, broker=BrokerSettings(urls=("mqtt://127.0.0.1:1",)))
    with pytest.raises(ShopSettingsError, match="in the clear"):
        async with board(bare):
            pass


async def test_a_node_that_is_away_is_passed_over(shop: Shop) -> None:
    token, _ = add_token(shop.config.folder, "desk", ())
    [node] = shop.config.broker.node
    urls = (f"mqtts://127.0.0.1:{free_port()}", f"mqtts://127.0.0.1:{node.port}")
    two = msgspec.structs.replace(shop.config, broker=BrokerSettings(embedded=False, urls=urls))
    async with board(two) as server, shop._replace(port=server.port).page(token) as socket:
        assert await socket.recv() == ACCEPTED


async def test_a_token_taken_back_ends_what_is_open_with_it(shop: Shop) -> None:
    token, _ = add_token(shop.config.folder, "desk", ())
    async with shop.page(token) as socket:
        assert await socket.recv() == ACCEPTED
        revoke_token(shop.config.folder, "desk")
        async with asyncio.timeout(30):
            with pytest.raises(websockets.ConnectionClosed):
                await socket.recv()
