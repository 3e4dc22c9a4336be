"""What a station left behind on the broker: its retained states, cleared when it is shut out."""

from __future__ import annotations

import asyncio
import secrets
from typing import TYPE_CHECKING

from lineset.shop.errors import ShopPartError
from lineset.shop.shop_config import ShopConfig
from lineset.stream.address import BrokerAddress
from lineset.stream.errors import SettingsError
from lineset.stream.link import faithful

if TYPE_CHECKING:
    import aiomqtt

_WAIT_S = 10.0
_PASSES = 5  # a broker need not deliver everything that is retained before what is said meanwhile


async def clear_leftovers(config: ShopConfig, station: str) -> int:
    """Clear all retained topics of a station; how many there were. Raises ShopError when no broker node is reached."""
    import aiomqtt

    problem: Exception | None = None
    for address in config.broker_addresses("collector"):
        try:
            async with asyncio.timeout(_WAIT_S):
                return await _clear(_client(address), config.topics(station).base)
        except (aiomqtt.MqttError, OSError, TimeoutError, SettingsError) as error:
            problem = error
    raise ShopPartError("broker", f"it cannot be reached ({problem})", "Is it running? lineset shop status")


def _client(address: BrokerAddress) -> aiomqtt.Client:
    import aiomqtt

    return aiomqtt.Client(
        address.host,
        address.port,
        username=address.username,
        password=address.password,
        tls_context=address.tls_context(),
        identifier=f"lineset-clear-{secrets.token_hex(4)}",
    )


async def _clear(connection: aiomqtt.Client, base: str) -> int:
    cleared: set[str] = set()
    async with connection as client:
        for _ in range(_PASSES):
            mark = f"{base}/receipt/mark-{secrets.token_hex(4)}"
            await faithful(client.subscribe(f"{base}/#", 1))
            await faithful(client.publish(mark, b"mark", 1))
            found = set()
            async for message in client.messages:
                if message.topic.value == mark:
                    break
                if message.retain and message.payload:
                    found.add(message.topic.value)
            await faithful(client.unsubscribe(f"{base}/#"))
            for topic in sorted(found):
                await faithful(client.publish(topic, b"", 1, retain=True))
            cleared |= found
            if not found:
                break
    return len(cleared)
