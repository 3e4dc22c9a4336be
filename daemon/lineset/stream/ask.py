"""The asking side: send one command to a running station and await its reply. What the command line uses."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any

import msgspec

from lineset.contract.command import Reply, Request
from lineset.contract.live import StationMessage
from lineset.contract.topic import Topics
from lineset.stream.address import BrokerAddress
from lineset.stream.errors import ConnectionLost, NoAnswer, StationOffline
from lineset.stream.link import Incoming, Link, connect, disconnect, faithful

if TYPE_CHECKING:
    import aiomqtt

_LISTEN_QUEUE = 10_000
_AGAIN_S = 2.0
_STARTING_S = 2.0  # a station that is said to be offline may be just starting


async def ask(
    address: BrokerAddress,
    topics: Topics,
    verb: str,
    args: msgspec.Struct | dict[str, Any],
    *,
    actor: str = "",
    timeout_s: float = 10.0,
    request: str = "",
) -> Reply:
    """The station's reply to one command; a refusal is a Reply that is not ok.

    Raises NoAnswer after `timeout_s` real seconds, StationOffline, ConnectionLost, Unreachable, RefusedByBroker,
    TlsFailure or SettingsError.
    """
    import aiomqtt

    request = request or secrets.token_hex(8)
    body = Request(
        request=request,
        expires=time.time() + timeout_s,
        args=msgspec.to_builtins(args) if isinstance(args, msgspec.Struct) else args,
        actor=actor,
    )
    live = False
    offline = ""
    asking: asyncio.Task[None] | None = None
    looking: asyncio.Task[None] | None = None
    try:
        async with asyncio.timeout(timeout_s), asyncio.timeout(None) as starting:
            client = await connect(address, f"lineset-ask-{request}")
            try:
                await faithful(client.subscribe([(topics.reply(request), 1), (topics.station(), 1)]))
                looking = asyncio.create_task(_keep_looking(client, topics.station()))
                async for message in client.messages:
                    payload = message.payload if isinstance(message.payload, bytes) else b""
                    if message.topic.value == topics.reply(request):
                        return msgspec.json.decode(payload, type=Reply)
                    if message.retain and live:
                        continue  # what the broker had kept may come after what is said now
                    looking.cancel()
                    live = not message.retain
                    station = msgspec.json.decode(payload, type=StationMessage)
                    if not station.online:
                        offline = station.reason
                        starting.reschedule(asyncio.get_running_loop().time() + _STARTING_S)
                        continue
                    starting.reschedule(None)
                    # a command has no use before the station listens: one that is just starting says online first
                    if asking is None:
                        asking = asyncio.create_task(_keep_asking(client, topics.command(verb), body))
            except aiomqtt.MqttError as error:
                raise ConnectionLost(f"{address}: the connection ended before the reply came ({error})") from error
            finally:
                tasks = [task for task in (asking, looking) if task is not None]
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
                await disconnect(client)
    except TimeoutError:
        if starting.expired():
            raise StationOffline(
                f"station {topics.station_id} is offline ({offline}); start it with: lineset run"
            ) from None
    if asking is None:
        raise NoAnswer(
            f"{address}: no station {topics.station_id!r} of shop {topics.shop!r} has spoken on this broker within "
            f"{timeout_s:g} s; start it with: lineset run, or check the names"
        )
    raise NoAnswer(
        f"station {topics.station_id} gave no reply to {verb!r} within {timeout_s:g} s: it is busy or stopped, "
        f"or {address.username or 'an anonymous user'!r} may not give commands"
    )


async def _keep_looking(client: aiomqtt.Client, *topics: str) -> None:
    """Subscribe again now and then: a broker may pass over a retained message that is replaced at that very moment.

    Each subscription brings what is retained again (MQTT 3.1.1, 3.8.4).
    """
    while True:
        await asyncio.sleep(_AGAIN_S)
        await faithful(client.subscribe([(each, 1) for each in topics]))


async def _keep_asking(client: aiomqtt.Client, topic: str, body: Request) -> None:
    """Ask again now and then, with the same id: it is done once, and answered alike.

    After a power cut a broker may still have it that the station is online, when that is only starting.
    """
    while True:
        await faithful(client.publish(topic, msgspec.json.encode(body), qos=1))
        await asyncio.sleep(_AGAIN_S)


async def listen(address: BrokerAddress, *filters: str, qos: int = 0) -> AsyncIterator[Incoming]:
    """All messages that match, through losses of the connection; retained ones first. Ends when closed.

    A listener that does not keep up loses the newest. Raises nothing for a broker that is away: it is tried again.
    """
    queue: asyncio.Queue[Incoming] = asyncio.Queue(_LISTEN_QUEUE)

    def keep(message: Incoming) -> None:
        with contextlib.suppress(asyncio.QueueFull):
            queue.put_nowait(message)

    link = Link(address)
    for topic_filter in filters:
        link.subscribe(topic_filter, qos, keep)
    task = asyncio.create_task(link.run(), name="listener")
    try:
        while True:
            yield await queue.get()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def retained(
    address: BrokerAddress,
    *topic_filters: str,
    wait_s: float = 3.0,
    more_s: float = 0.2,
    enough: Callable[[dict[str, bytes]], bool] = bool,
) -> dict[str, bytes]:
    """What the broker keeps below some filters, by topic: waits `wait_s` for `enough` of it, `more_s` for each next.

    Raises ConnectionLost, Unreachable, RefusedByBroker, TlsFailure or SettingsError.
    """
    import aiomqtt

    client = await connect(address, f"lineset-look-{secrets.token_hex(4)}")
    found: dict[str, bytes] = {}
    loop = asyncio.get_running_loop()
    looking = asyncio.create_task(_keep_looking(client, *topic_filters))
    try:
        await faithful(client.subscribe([(each, 1) for each in topic_filters]))
        async with asyncio.timeout(wait_s) as patience:
            async for message in client.messages:
                if message.retain and isinstance(message.payload, bytes) and message.payload:
                    found[message.topic.value] = message.payload
                    if enough(found):
                        patience.reschedule(loop.time() + more_s)
    except TimeoutError:
        pass  # that was all of it
    except aiomqtt.MqttError as error:
        raise ConnectionLost(f"{address}: the connection ended before all was read ({error})") from error
    finally:
        looking.cancel()
        await asyncio.gather(looking, return_exceptions=True)
        await disconnect(client)
    return found
