"""Who may say and hear what on a shop's broker: tried across stations and parts, on real servers.

A denied publish is acknowledged all the same, so nothing here goes by acknowledgements: what counts is what others
hear. A mark that is allowed follows each attempt, in both qualities of service; what was let through would be heard
before it.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import shutil
import socket
import ssl
import warnings
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio
from shop_rig import Postgres, admitted, make_shop, running_broker

from lineset.shop.shop_config import BrokerRole, ShopConfig, load_shop
from lineset.shop.supervise import Supervisor
from lineset.stream.address import BrokerAddress

pytestmark = pytest.mark.asyncio(loop_scope="module")
WAIT_S = 60.0
BASE = "lineset/v1/north"
MARK = b"mark"
SINGLE = ["nats-server", "mosquitto"]
ALL = [*SINGLE, "nats-server x3"]


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def started(
    request: pytest.FixtureRequest, postgres: Postgres, tmp_path_factory: pytest.TempPathFactory
) -> AsyncIterator[Shop]:
    """A running broker of one kind, with two vans, for all tests that ask for this kind."""
    kind: str = request.param
    if kind == "mosquitto" and not (shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists()):
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    name = postgres.new_database()
    folder = make_shop(
        tmp_path_factory.mktemp("rights") / "shop",
        postgres,
        name,
        nodes=3 if kind.endswith("x3") else 1,
        mosquitto=kind == "mosquitto",
    )
    async with running_broker(load_shop(folder)) as supervisor:
        one, two = await admitted(supervisor, "van-1", "van-2")
        shop = Shop(supervisor, {"van-1": one.addresses(), "van-2": two.addresses()})
        await shop.answers()
        yield shop
    postgres.drop(name)


@pytest_asyncio.fixture(loop_scope="module")
async def shop(started: Shop) -> AsyncIterator[Shop]:
    """The running broker, with nothing retained after the test."""
    yield started
    async with started.ear("collector", f"{BASE}/#") as collector:
        await started.say("collector", f"{BASE}/van-1/receipt/end", payload=MARK)
        await collector.until(f"{BASE}/van-1/receipt/end", MARK, 2)
        left = [topic for topic, _, retained in collector.messages if retained]
    await started.say("collector", *left, retain=True, payload=b"")


class Heard:
    """What one client hears."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.messages: list[tuple[str, bytes, bool]] = []
        self._news = asyncio.Condition()

    async def listen(self) -> None:
        async for message in self.client.messages:
            async with self._news:
                self.messages.append((message.topic.value, bytes(message.payload), bool(message.retain)))  # type: ignore[arg-type]
                self._news.notify_all()

    async def until(self, topic: str, payload: bytes, times: int = 1) -> None:
        """Wait for a message, as often as `times`."""
        async with asyncio.timeout(WAIT_S), self._news:
            await self._news.wait_for(lambda: sum(each[:2] == (topic, payload) for each in self.messages) >= times)

    @property
    def topics(self) -> set[str]:
        return {topic for topic, _, _ in self.messages}


class Shop:
    """A broker under test, and clients of all its users."""

    def __init__(self, supervisor: Supervisor, vans: dict[str, tuple[BrokerAddress, ...]]) -> None:
        self.supervisor, self.vans = supervisor, vans

    @property
    def config(self) -> ShopConfig:
        return self.supervisor.config

    def address(self, who: str, node: int = -1) -> BrokerAddress:
        if who in self.vans:
            return self.vans[who][node]
        role: BrokerRole = who  # type: ignore[assignment]
        return self.config.broker_addresses(role)[0]

    async def answers(self) -> None:
        """Wait until clients are let in: a cluster has to find itself first."""
        async with asyncio.timeout(WAIT_S * 2):
            while True:
                try:
                    async with self.client("collector", timeout=2) as client:
                        await client.subscribe(f"{BASE}/#", 1)
                        return
                except aiomqtt.MqttError:
                    await asyncio.sleep(0.1)

    def client(self, who: str, *, node: int = -1, **more: Any) -> aiomqtt.Client:
        address = self.address(who, node)
        return aiomqtt.Client(
            address.host,
            address.port,
            username=address.username,
            password=address.password,
            tls_context=address.tls_context(),
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],  # or each answer is waited for 40 ms
            **more,
        )

    async def connect(self, address: BrokerAddress, username: str, password: str) -> int:
        """The return code of a CONNECT (MQTT 3.1.1, section 3.2.2.3); -1 when the connection was ended instead."""
        reader, writer = await asyncio.open_connection(address.host, address.port, ssl=address.tls_context())
        try:
            writer.write(connect_packet(username, password))
            async with asyncio.timeout(WAIT_S):
                answer = await reader.readexactly(4)
            return answer[3]
        except (asyncio.IncompleteReadError, ConnectionError):
            return -1
        finally:
            writer.transport.abort()

    async def die(self, who: str, topic: str, will: bytes) -> None:
        """Connect with a will and lose the connection, as a laptop does whose lid is shut."""
        address = self.address(who)
        reader, writer = await asyncio.open_connection(address.host, address.port, ssl=address.tls_context())
        writer.write(connect_packet(address.username, address.password, (topic, will)))
        with contextlib.suppress(asyncio.IncompleteReadError):  # some refuse such a will at once
            async with asyncio.timeout(WAIT_S):
                await reader.readexactly(4)
        writer.transport.abort()

    @asynccontextmanager
    async def ear(self, who: str, *filters: str, qos: int = 1) -> AsyncIterator[Heard]:
        """A client that asks for these filters; what is refused is simply not heard."""
        async with self.client(who) as client:
            for each in filters:
                with contextlib.suppress(aiomqtt.MqttError):
                    await client.subscribe(each, qos)
            heard = Heard(client)
            task = asyncio.create_task(heard.listen())
            try:
                yield heard
            finally:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                    await task

    async def say(self, who: str, *topics: str, retain: bool = False, payload: bytes = b"said") -> None:
        """Say something on each topic in both qualities of service. Some brokers end the connection of who may not."""
        async with self.client(who) as client:
            await asyncio.gather(  # in this order, without waiting for one before the next
                *(
                    client.publish(topic, payload, qos=qos, retain=retain, timeout=WAIT_S)
                    for topic in topics
                    for qos in (0, 1)
                )
            )


ALL_OF_VAN_2 = (
    f"{BASE}/van-2/station",
    f"{BASE}/van-2/instrument/gauges",
    f"{BASE}/van-2/visit/v1",
    f"{BASE}/van-2/visit/v1/main/now",
    f"{BASE}/van-2/visit/v1/main/startup/check/subcooling",
    f"{BASE}/van-2/visit/v1/event/placed",
)
WRITTEN = (f"{BASE}/van-2/visit/v1/observation/3", f"{BASE}/van-2/visit/v1/event/note")
BLOCK = (f"{BASE}/van-2/visit/v1/block/7",)


@pytest.mark.parametrize("started", ALL, indirect=True)
async def test_a_station_says_only_what_is_its_own(shop: Shop) -> None:
    own = (*ALL_OF_VAN_2, *WRITTEN, *BLOCK)
    foreign = (
        *(topic.replace("van-2", "van-1") for topic in own),
        f"{BASE}/van-1/receipt/v1",
        f"{BASE}/van-2/receipt/v1",
        f"{BASE}/van-2/command/open",
        f"{BASE}/van-1/command/open",
        f"{BASE}/van-2/reply/1",
        f"{BASE}/van-2x/station",
        f"{BASE}/station",
        f"{BASE}",
        "lineset/v1/south/van-2/station",
        "station",
        "elsewhere/van-2/station",
    )
    async with shop.ear("collector", f"{BASE}/#", "#") as collector:
        await shop.say("van-2", *foreign, retain=True)
        await shop.say("van-2", *own)
        await shop.say("van-2", f"{BASE}/van-2/station", payload=MARK)
        await collector.until(f"{BASE}/van-2/station", MARK, 2)
        assert collector.topics == set(own)
    async with shop.ear("collector", f"{BASE}/#", "#") as collector:  # nothing foreign was retained either
        await shop.say("van-2", f"{BASE}/van-2/station", payload=MARK)
        await collector.until(f"{BASE}/van-2/station", MARK, 2)
        assert collector.topics == {f"{BASE}/van-2/station"}


LEAKS: Sequence[str] = (
    "#", "+/#", "+/+/+/+/receipt/+", "lineset/#", "lineset/v1/#", f"{BASE}/#", f"{BASE}/+/#", f"{BASE}/+/receipt/+",
    f"{BASE}/+/receipt/#", f"{BASE}/van-2/#", f"{BASE}/van-2/+", f"{BASE}/van-2/station", f"{BASE}/van-2/visit/#",
    f"{BASE}/van-2/receipt/v1", f"{BASE}/+/visit/+/block/+", f"{BASE}/+/command/+", f"{BASE}/van-1/#", "$SYS/#",
    "$MQTT/#", "$MQTT/sub/#", "+/sub/#", "$JS/#", "$share/all/lineset/#",
)  # fmt: skip


@pytest.mark.parametrize("started", ALL, indirect=True)
@pytest.mark.parametrize("qos", [0, 1])
async def test_a_station_hears_only_its_own_receipts(shop: Shop, qos: int) -> None:
    said = (*ALL_OF_VAN_2, *WRITTEN)
    await shop.say("van-2", *said, retain=True)  # retained before anybody asks
    await shop.say("collector", f"{BASE}/van-2/receipt/v1", retain=True)
    async with shop.ear("van-1", *LEAKS, f"{BASE}/van-1/receipt/+", qos=qos) as van:
        await shop.say("van-2", *said, *BLOCK)
        await shop.say("collector", f"{BASE}/van-2/receipt/v1", f"{BASE}/van-1/receipt/v1", payload=MARK)
        await van.until(f"{BASE}/van-1/receipt/v1", MARK, 2)  # it is still connected, and hears what is its own
        assert van.topics == {f"{BASE}/van-1/receipt/v1"}


@pytest.mark.parametrize("started", SINGLE, indirect=True)
@pytest.mark.parametrize("qos", [0, 1])
async def test_board_and_dashboard_hear_no_blocks_and_the_dashboard_nothing_that_people_wrote(
    shop: Shop, qos: int
) -> None:
    every = (*ALL_OF_VAN_2, *WRITTEN, *BLOCK)
    await shop.say("van-2", *every, retain=True)
    filters = (f"{BASE}/#", f"{BASE}/+/visit/#", f"{BASE}/+/visit/+/block/+", f"{BASE}/+/visit/+/+/+", *WRITTEN, *BLOCK)
    mark = f"{BASE}/van-1/station"
    for who, expected in (("board", {*ALL_OF_VAN_2, *WRITTEN}), ("dashboard", {*ALL_OF_VAN_2})):
        for asked in ((filters[0],), filters):  # a wildcard alone, and everything that could be asked for
            async with shop.ear(who, *asked, qos=qos) as ear:
                await shop.say("van-2", *every)
                await shop.say("van-1", mark, payload=MARK)
                await ear.until(mark, MARK, 2)
                assert ear.topics == {*expected, mark}, who


@pytest.mark.parametrize("started", SINGLE, indirect=True)
async def test_nobody_says_commands_and_board_and_dashboard_say_nothing(shop: Shop) -> None:
    commands = tuple(f"{BASE}/van-1/command/{verb}" for verb in ("open", "place", "close", "x/y"))
    states = (
        f"{BASE}/van-1/station",
        f"{BASE}/van-1/receipt/v1",
        f"{BASE}/board/station",
        f"{BASE}/shop.board/station",
    )
    async with shop.ear("collector", f"{BASE}/#", "#") as collector:
        for who in ("van-1", "van-2", "collector"):
            await shop.say(who, *commands, retain=True)
        for who in ("board", "dashboard"):
            await shop.say(who, *commands, *states, retain=True)
        await shop.say("collector", f"{BASE}/van-1/receipt/v1", payload=MARK)
        await shop.say("van-1", f"{BASE}/van-1/visit/v9", payload=MARK)
        await collector.until(f"{BASE}/van-1/visit/v9", MARK, 2)
        await collector.until(f"{BASE}/van-1/receipt/v1", MARK, 2)
        assert {(topic, payload) for topic, payload, _ in collector.messages} == {
            (f"{BASE}/van-1/visit/v9", MARK),
            (f"{BASE}/van-1/receipt/v1", MARK),
        }


@pytest.mark.parametrize("started", SINGLE, indirect=True)
async def test_the_collector_clears_what_is_retained(shop: Shop) -> None:
    left = (f"{BASE}/van-2/station", f"{BASE}/van-2/visit/v1/main/now", f"{BASE}/van-2/receipt/v1")
    await shop.say("van-2", *left[:2], retain=True)
    await shop.say("collector", left[2], retain=True)
    async with shop.ear("board", f"{BASE}/#") as board:
        for topic in left:
            await board.until(topic, b"said")
    await shop.say("collector", *left, retain=True, payload=b"")
    async with shop.ear("board", f"{BASE}/#") as board:
        await shop.say("van-1", f"{BASE}/van-1/station", payload=MARK)
        await board.until(f"{BASE}/van-1/station", MARK, 2)
        assert board.topics == {f"{BASE}/van-1/station"}


@pytest.mark.parametrize("started", SINGLE, indirect=True)
async def test_a_will_says_no_more_than_its_station_may(shop: Shop) -> None:
    async with shop.ear("collector", f"{BASE}/#") as collector:
        for topic in (f"{BASE}/van-1/station", f"{BASE}/van-2/command/open", f"{BASE}/van-2/station"):
            await shop.die("van-2", topic, b"will")
        await collector.until(f"{BASE}/van-2/station", b"will")
        await shop.say("van-1", f"{BASE}/van-1/visit/v1", payload=MARK)
        await collector.until(f"{BASE}/van-1/visit/v1", MARK, 2)
        assert collector.topics == {f"{BASE}/van-2/station", f"{BASE}/van-1/visit/v1"}


@pytest.mark.parametrize("started", SINGLE, indirect=True)
async def test_a_session_of_another_gives_a_station_nothing(shop: Shop) -> None:
    """A kept session belongs to a client's name, which anybody can give himself."""
    block = BLOCK[0]
    async with shop.client("collector", identifier="everything", clean_session=False) as client:
        await client.subscribe(f"{BASE}/+/visit/+/block/+", 1)
    await shop.say("van-2", block)  # kept for the collector
    async with shop.client("van-1", identifier="everything", clean_session=False) as client:
        heard = Heard(client)
        task = asyncio.create_task(heard.listen())
        await client.subscribe(f"{BASE}/van-1/receipt/+", 1)
        await shop.say("van-2", block)
        await shop.say("collector", f"{BASE}/van-1/receipt/v1", payload=MARK)
        await heard.until(f"{BASE}/van-1/receipt/v1", MARK, 2)
        assert heard.topics == {f"{BASE}/van-1/receipt/v1"}
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@pytest.mark.parametrize("started", SINGLE, indirect=True)
async def test_nobody_is_let_in_without_a_password_or_with_that_of_another(shop: Shop) -> None:
    own, other = shop.address("van-1"), shop.address("van-2")
    for username, password in (
        ("", ""),
        ("van-1", other.password),
        ("van-1", ""),
        ("van-3", own.password),
        ("shop.collector", own.password),
    ):
        assert await shop.connect(own, username, password) != 0
    assert await shop.connect(own, own.username, own.password) == 0


@pytest.mark.parametrize("started", SINGLE, indirect=True)
async def test_nobody_is_let_in_in_the_clear_or_by_an_old_protocol(shop: Shop) -> None:
    address = shop.address("van-1")
    reader, writer = await asyncio.open_connection(address.host, address.port)
    writer.write(connect_packet(address.username, address.password))
    async with asyncio.timeout(WAIT_S):
        with contextlib.suppress(ConnectionError):
            assert b"\x20\x02\x00\x00" not in await reader.read()  # CONNACK, accepted
    writer.close()
    context = ssl.create_default_context(cafile=str(shop.config.ca_file))
    context.set_ciphers("DEFAULT:@SECLEVEL=0")  # so that it is the broker who refuses
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = ssl.TLSVersion.TLSv1
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises((ssl.SSLError, ConnectionError)):
        await asyncio.open_connection(address.host, address.port, ssl=context)


def connect_packet(username: str, password: str, will: tuple[str, bytes] | None = None) -> bytes:
    """A CONNECT written by hand (MQTT 3.1.1, section 3.1): clean session, QoS 1 will that is retained."""

    def text(value: str | bytes) -> bytes:
        data = value.encode() if isinstance(value, str) else value
        return len(data).to_bytes(2, "big") + data

    flags = 0x02 | (0x80 if username else 0) | (0x40 if password else 0) | (0x2C if will else 0)
    body = text("MQTT") + bytes([4, flags]) + (60).to_bytes(2, "big") + text(f"test-{secrets.token_hex(4)}")
    body += b"".join(text(part) for part in will or ())
    body += (text(username) if username else b"") + (text(password) if password else b"")
    size, length = len(body), b""
    while True:
        size, low = divmod(size, 128)
        length += bytes([low | (0x80 if size else 0)])
        if not size:
            return b"\x10" + length + body
