"""Real brokers for the stream's tests: the local nats-server, and mosquitto where it is installed."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Protocol

import aiomqtt
import pytest
from claimed_port import free_port

from lineset.contract.command import FORCING
from lineset.contract.topic import Topics
from lineset.stream.address import ROLES, BrokerAddress, Role
from lineset.stream.broker import LocalBroker

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
MOSQUITTO_PASSWD = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
WAIT_S = 60.0


class AnyBroker(Protocol):
    """What the suite needs of a broker: let in by role, killed outright, up again at the same place."""

    topics: Topics

    def address(self, role: Role = "station") -> BrokerAddress: ...
    async def kill(self) -> None: ...
    async def up(self) -> None: ...


class NatsServer:
    """The local broker as the station uses it."""

    def __init__(self, folder: Path, topics: Topics) -> None:
        self.topics = topics
        self.ready = asyncio.Event()
        self.local = LocalBroker(folder / "broker", topics, runtime=folder / "run", on_ready=self.ready.set)

    def address(self, role: Role = "station") -> BrokerAddress:
        return self.local.address(role)

    async def kill(self) -> None:
        self.ready.clear()
        os.kill(self.local.pid, signal.SIGKILL)

    async def up(self) -> None:
        async with asyncio.timeout(WAIT_S):
            await self.ready.wait()


class Mosquitto:
    """Another broker, with the same roles as its own users and access list."""

    def __init__(self, folder: Path, topics: Topics, extra: str = "") -> None:
        self.topics, self.folder, self.port = topics, folder, free_port()
        self.process: asyncio.subprocess.Process | None = None
        (folder / "users").write_text("".join(f"{role}:{role}-pw\n" for role in ROLES))
        subprocess.run([MOSQUITTO_PASSWD, "-U", folder / "users"], check=True, capture_output=True)
        (folder / "acl").write_text(
            "user station\ntopic readwrite lineset/v1/#\n"
            "user watch\ntopic read lineset/v1/#\n"
            f"user technician\ntopic read lineset/v1/#\ntopic write {topics.base}/command/#\n"
            f"user command\ntopic read lineset/v1/#\ntopic write {topics.base}/command/#\n"
            + "".join(f"topic deny {topics.command(verb)}\n" for verb in FORCING)
        )
        (folder / "mosquitto.conf").write_text(
            f"user root\nlistener {self.port} 127.0.0.1\nallow_anonymous false\nlog_dest stderr\n"
            f"password_file {folder}/users\nacl_file {folder}/acl\n"
            f"persistence true\npersistence_location {folder}/\nautosave_on_changes true\nautosave_interval 1\n{extra}"
        )

    def address(self, role: Role = "station") -> BrokerAddress:
        return BrokerAddress("127.0.0.1", self.port, role, f"{role}-pw")

    async def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        await self.process.wait()
        await self.drain

    async def up(self) -> None:
        self.process = await asyncio.create_subprocess_exec(
            MOSQUITTO, "-v", "-c", str(self.folder / "mosquitto.conf"), stderr=asyncio.subprocess.PIPE
        )
        stream = self.process.stderr
        assert stream is not None
        async with asyncio.timeout(WAIT_S):
            while b"running" not in (line := await stream.readline()):
                assert line, "mosquitto ended before it ran"
        self.drain = asyncio.create_task(_swallow(stream))

    async def stop(self) -> None:
        if self.process is not None and self.process.returncode is None:
            await self.kill()


async def _swallow(stream: asyncio.StreamReader) -> None:
    while await stream.readline():
        pass


def need_mosquitto() -> None:
    if not Path(MOSQUITTO).exists() or not Path(MOSQUITTO_PASSWD).exists():
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")


@pytest.fixture
def topics() -> Topics:
    return Topics("north-shop", "van-3")


@pytest.fixture
async def local(tmp_path: Path, topics: Topics) -> AsyncIterator[LocalBroker]:
    """The local broker alone."""
    async with LocalBroker(tmp_path / "broker", topics, runtime=tmp_path / "run") as broker:
        yield broker


@pytest.fixture(params=["nats-server", "mosquitto"])
async def broker(request: pytest.FixtureRequest, tmp_path: Path, topics: Topics) -> AsyncIterator[AnyBroker]:
    """Each broker in turn."""
    if request.param == "nats-server":
        nats = NatsServer(tmp_path, topics)
        async with nats.local:
            yield nats
        return
    need_mosquitto()
    mosquitto = Mosquitto(tmp_path, topics)
    await mosquitto.up()
    try:
        yield mosquitto
    finally:
        await mosquitto.stop()


class Ear:
    """An independent listener (aiomqtt as it comes): keeps all it hears, and waits for what a test expects."""

    def __init__(self) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._news = asyncio.Condition()

    async def listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            payload = message.payload
            assert isinstance(payload, bytes)
            async with self._news:
                self.heard.append((message.topic.value, payload, bool(message.retain)))
                self._news.notify_all()

    async def until(self, enough: Callable[[list[tuple[str, bytes, bool]]], bool]) -> None:
        async with asyncio.timeout(WAIT_S), self._news:
            await self._news.wait_for(lambda: enough(self.heard))

    def on(self, topic: str) -> list[bytes]:
        return [payload for heard, payload, _ in self.heard if heard == topic]


EarMaker = Callable[..., AbstractAsyncContextManager[Ear]]


@pytest.fixture
def ear() -> EarMaker:
    """`async with ear(address, filter, ...) as e`; a `client_id` keeps a session over a loss of the connection."""

    @asynccontextmanager
    async def listening(address: BrokerAddress, *filters: str, qos: int = 1) -> AsyncIterator[Ear]:
        async with aiomqtt.Client(
            address.host, address.port, username=address.username, password=address.password
        ) as client:
            for topic_filter in filters:
                await client.subscribe(topic_filter, qos)
            ear = Ear()
            task = asyncio.create_task(ear.listen(client))
            try:
                yield ear
            finally:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                    await task

    return listening


@pytest.fixture
def running() -> Callable[[Awaitable[None]], AbstractAsyncContextManager[asyncio.Task[None]]]:
    """`async with running(publisher.run())`: a task for as long as the block lasts; its error fails the test."""

    @asynccontextmanager
    async def running(work: Awaitable[None]) -> AsyncIterator[asyncio.Task[None]]:
        async def body() -> None:
            await work

        task = asyncio.create_task(body())
        try:
            yield task
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    return running
