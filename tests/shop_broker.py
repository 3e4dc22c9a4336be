"""For tests of the shop: a real broker without TLS on loopback, and a station that sends until it has its receipt."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import AsyncIterator
from pathlib import Path

import aiomqtt
import msgspec
import pytest
from claimed_port import free_port
from shop_blocks import Sent

from lineset.contract.transfer import ReceiptMessage
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import BrokerSettings, ShopConfig, load_shop
from lineset.stream.broker import READY, find_program

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
WAIT_S = 60.0


class PlainBroker:
    """nats-server or mosquitto; lets anybody in."""

    def __init__(self, folder: Path, kind: str = "nats") -> None:
        self.port, self.folder = free_port(), folder
        folder.mkdir(exist_ok=True)
        if kind == "nats":
            (folder / "nats.conf").write_text(
                f'server_name: test\nlisten: "127.0.0.1:{free_port()}"\njetstream {{ store_dir: "{folder}/js" }}\n'
                f'mqtt {{ listen: "127.0.0.1:{self.port}" }}\n'
            )
            self.command = [str(find_program()), "-c", str(folder / "nats.conf")]
            self.ready = READY.encode()
        else:
            if not Path(MOSQUITTO).exists():
                pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
            (folder / "mosquitto.conf").write_text(
                f"listener {self.port} 127.0.0.1\nallow_anonymous true\nlog_dest stderr\n"
            )
            self.command = [MOSQUITTO, "-v", "-c", str(folder / "mosquitto.conf")]
            self.ready = b" running"
        self._process: asyncio.subprocess.Process | None = None
        self._drain: asyncio.Task[bytes] | None = None

    async def up(self) -> None:
        self._process = await asyncio.create_subprocess_exec(*self.command, stderr=asyncio.subprocess.PIPE)
        said = self._process.stderr
        assert said is not None
        while self.ready not in (line := await asyncio.wait_for(said.readline(), WAIT_S)):
            assert line, "the broker ended before it was ready"
        self._drain = asyncio.create_task(said.read())

    async def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            await self._process.wait()
            assert self._drain is not None
            await self._drain
            self._process = None

    def used_by(self, config: ShopConfig) -> ShopConfig:
        """The shop's settings, written down anew, with this broker for the shop's own."""
        broker = BrokerSettings(embedded=False, kind="none", urls=(f"mqtt://127.0.0.1:{self.port}",))
        changed = msgspec.structs.replace(config, broker=broker)
        (config.folder / "shop.toml").write_text(settings_text(changed))
        return load_shop(config.folder)


@contextlib.asynccontextmanager
async def plain_broker(folder: Path, kind: str = "nats") -> AsyncIterator[PlainBroker]:
    broker = PlainBroker(folder, kind)
    await broker.up()
    try:
        yield broker
    finally:
        await broker.kill()


async def send_until_sealed(
    port: int, visits: list[Sent], *, shop: str = "north", again_s: float = 0.5
) -> dict[str, ReceiptMessage]:
    """Publish the blocks of sealed journals, from the last receipt on and what is wanted, until each is receipted.

    Comes back when the broker goes away. Returns the last receipt by "station/visit".
    """
    last: dict[str, ReceiptMessage] = {}
    left = {f"{visit.station}/{visit.visit}": visit for visit in visits}
    async with asyncio.timeout(WAIT_S * 2):
        while left:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", port, timeout=5) as client:
                    await client.subscribe(f"lineset/v1/{shop}/+/receipt/+", 1)
                    hearing = asyncio.create_task(_hear(client, last, left))
                    try:
                        while left:
                            for key, visit in list(left.items()):
                                await _send(client, shop, visit, last.get(key))
                            with contextlib.suppress(TimeoutError):
                                await asyncio.wait_for(asyncio.shield(hearing), again_s)
                    finally:
                        hearing.cancel()
                        with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                            await hearing
            await asyncio.sleep(0.05)
    return last


async def _hear(client: aiomqtt.Client, last: dict[str, ReceiptMessage], left: dict[str, Sent]) -> None:
    async for message in client.messages:
        levels = message.topic.value.split("/")
        key = f"{levels[3]}/{levels[5]}"
        assert isinstance(message.payload, bytes)
        receipt = msgspec.json.decode(message.payload, type=ReceiptMessage)
        last[key] = receipt
        if receipt.sealed:
            left.pop(key, None)
        if not left:
            return


async def _send(client: aiomqtt.Client, shop: str, visit: Sent, receipt: ReceiptMessage | None) -> None:
    done = receipt.blocks if receipt else 0
    for n, payload in visit.all:
        if n > done or n == len(visit.payloads):
            await client.publish(f"lineset/v1/{shop}/{visit.station}/visit/{visit.visit}/block/{n}", payload, qos=1)
