"""A connection to a broker that keeps coming back, and says in a sentence how it stands.

aiomqtt makes the connection, keeps it alive and tells when a QoS 1 message was acknowledged. Live values (QoS 0) go
straight to the paho client beneath it: a publish without an await per message costs about a third.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import secrets
import socket
import ssl
from collections.abc import Awaitable, Callable, Coroutine, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import structlog

from lineset.stream.address import BrokerAddress
from lineset.stream.errors import (
    ConnectionLost,
    RefusedByBroker,
    SettingsError,
    Stalled,
    StreamError,
    TlsFailure,
    Unreachable,
)

if TYPE_CHECKING:
    import aiomqtt
    from paho.mqtt.client import Client as PahoClient
    from paho.mqtt.client import MQTTMessageInfo

log = structlog.get_logger(__name__)

_CONNECT_S = 5.0
_KEEPALIVE_S = 15
_BACKOFF_MIN_S, _BACKOFF_MAX_S = 0.1, 15.0
# One that lived so long starts the back-off anew; one that is lost at once each time (a second has its name) does not.
_HEALTHY_S, _BACKOFF_LOST_S = 2.0, 1.0
_FAREWELL_S = 1.0
# One live message in so many is looked after: two of them unsent at once means that the broker does not keep up.
_SAMPLE = 2048
# Nagle's algorithm would hold small messages back until the broker acknowledged what went before (RFC 896), and a
# broker takes some 40 ms over that (RFC 1122, 4.2.3.2, allows up to 500).
_AT_ONCE = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
WINDOW = 32  # QoS 1 messages on their way at once

# The library beneath writes what we already say in sentences, and a line for each lost packet.
_silent = logging.getLogger("lineset.stream.paho")
_silent.setLevel(logging.CRITICAL + 1)


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to send. `retain` asks the broker to keep it for late comers."""

    topic: str
    payload: bytes
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that came. `retained` means that it was said before we subscribed."""

    topic: str
    payload: bytes
    retained: bool


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How the connection stands: a word, and a sentence that says what to do."""

    state: str  # connecting, connected, or a StreamError's: unreachable, refused, tls, lost, stalled, settings
    sentence: str


class Session(Protocol):
    """What a job may do while the connection stands."""

    async def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """Send at QoS 1 and return when the broker has acknowledged. Raises ConnectionLost."""
        ...


T = TypeVar("T")
Job = Callable[[Session], Coroutine[Any, Any, None]]
OnStatus = Callable[[LinkStatus], None]


def explain(error: BaseException, address: BrokerAddress) -> StreamError:
    """The typed error, with its sentence, for what the MQTT library raised."""
    cause = error.__context__ or error.__cause__ or error
    code = getattr(getattr(error, "rc", None), "value", None)
    if code in (0x86, 0x87):  # bad user name or password; not authorised
        return RefusedByBroker(
            f"{address}: the broker refused the user name or password of {address.username or 'an anonymous user'!r}; "
            "check the credentials file"
        )
    if isinstance(cause, ssl.SSLCertVerificationError):
        return TlsFailure(
            f"{address}: the broker's certificate is not trusted ({cause.verify_message}); check ca_file and the host"
        )
    if isinstance(cause, ssl.SSLError) or (address.tls and isinstance(cause, ConnectionResetError)):
        said = getattr(cause, "reason", None) or cause
        return TlsFailure(f"{address}: no encrypted connection ({said}); is this its TLS port?")
    if isinstance(cause, OSError):
        words = cause.strerror or str(cause) or type(cause).__name__
        return Unreachable(f"{address}: no broker can be reached ({words}); check that it runs, host, port and network")
    if code is not None:
        return RefusedByBroker(f"{address}: the broker refused the connection ({error}); check its settings")
    return Unreachable(f"{address}: no MQTT broker answered ({error}); check host and port")


class Link:
    """One MQTT client. Set up with `subscribe` and `during`, then `run()` until cancelled.

    `address` may be a callable, asked before each attempt. `will` is what the broker says for us when we vanish,
    `farewell` what we say ourselves before a clean end. `patience_s` is how long an acknowledgement may take and
    `keepalive_s` how long silence may last (real seconds): more than usual where the way is slow.
    """

    def __init__(
        self,
        address: BrokerAddress | Callable[[], BrokerAddress],
        *,
        identifier: str | Callable[[BrokerAddress], str] = "",
        will: Callable[[], Outgoing] | None = None,
        farewell: Callable[[], Iterable[Outgoing]] | None = None,
        on_status: OnStatus | None = None,
        patience_s: float = _CONNECT_S,
        keepalive_s: int = _KEEPALIVE_S,
    ) -> None:
        self._address = address if callable(address) else lambda: address
        self._place = ""  # where the connection is, or was last
        self._patience_s, self._keepalive_s = patience_s, keepalive_s
        named = identifier or f"lineset-{secrets.token_hex(6)}"
        self._identifier = named if callable(named) else lambda _: named
        self._will, self._farewell = will, farewell
        self._on_status = on_status
        self._jobs: list[Job] = []
        self._filters: list[tuple[str, int, Callable[[Incoming], None]]] = []
        self._client: aiomqtt.Client | None = None
        self._paho: PahoClient | None = None
        self._retry = asyncio.Event()
        self._sending = False
        self._count = 0
        self._mark: MQTTMessageInfo | None = None
        self.connected = asyncio.Event()
        self.status = LinkStatus("connecting", "not started")
        self.connections = 0

    def subscribe(self, topic_filter: str, qos: int, handler: Callable[[Incoming], None]) -> None:
        """Hear what matches; `handler` must not block. Before `run()`."""
        self._filters.append((topic_filter, qos, handler))

    def during(self, job: Job) -> None:
        """Run `job` anew for as long as each connection stands. Before `run()`."""
        self._jobs.append(job)

    def retry_now(self) -> None:
        """Try again at once instead of waiting for the back-off (the broker has just come up)."""
        self._retry.set()

    def send(self, topic: str, payload: bytes, retain: bool = False) -> bool:
        """Send at QoS 0, now or never: False when there is no connection or the broker does not keep up."""
        paho = self._paho
        if paho is None:
            return False
        mark = self._mark
        self._count += 1
        if self._count >= _SAMPLE:
            if mark is not None and not mark.is_published():
                return False
            self._count, self._mark = 0, None
        self._sending = True
        info = paho.publish(topic, payload, 0, retain)
        self._sending = False
        if info.rc != 0:
            return False
        self._flush(paho)
        if self._mark is None:
            self._mark = info
        return True

    async def run(self) -> None:
        """Connect, serve, and come back after each loss, until cancelled."""
        delay = _BACKOFF_MIN_S
        while True:
            self._retry.clear()
            before = self.connections
            try:
                address = self._address()
                await self._serve(address)
            except StreamError as error:
                self._say(LinkStatus(error.state, str(error)))
            if self.connections > before:
                since, now = self._since, asyncio.get_running_loop().time()
                delay = min(delay, _BACKOFF_LOST_S) if now < since + _HEALTHY_S else _BACKOFF_MIN_S
            # jitter, so that many stations do not return to a shop's broker in one moment
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(delay * random.uniform(0.5, 1.0)):
                    await self._retry.wait()
            delay = min(delay * 2, _BACKOFF_MAX_S)

    async def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """Send at QoS 1 and return when the broker has acknowledged. Raises ConnectionLost."""
        import aiomqtt

        client = self._client
        if client is None:
            raise ConnectionLost("there is no connection to the broker")
        try:
            await faithful(client.publish(topic, payload, qos=1, retain=retain, timeout=self._patience_s))
        except aiomqtt.MqttError as error:
            if isinstance(error.__context__, TimeoutError):
                raise Stalled(
                    f"{self._place}: the broker has not acknowledged {topic} within {self._patience_s:g} s; it is "
                    "busy, or its disk is full. The connection is made anew"
                ) from error
            raise ConnectionLost(f"the broker did not acknowledge {topic}: {error}") from error

    # --------------------------------------------------------------------------------------------------------- inside

    def _say(self, status: LinkStatus) -> None:
        if status == self.status:
            return
        self.status = status
        if status.state in ("connected", "connecting"):
            log.info("broker link", state=status.state, text=status.sentence)
        else:
            log.warning("broker link", state=status.state, text=status.sentence)
        if self._on_status:
            self._on_status(status)

    async def _serve(self, address: BrokerAddress) -> None:
        self._place = str(address)
        will = self._will() if self._will else None
        client = await connect(address, self._identifier(address), will, self._keepalive_s)
        try:
            await self._subscribe_all(client, address)
            self._client, self._paho = client, client._client  # aiomqtt has no publish without an await
            self._paho.on_socket_register_write = self._has_output
            self._count, self._mark = 0, None
            self.connections += 1
            self._since = asyncio.get_running_loop().time()  # it stands
            self.connected.set()
            self._say(LinkStatus("connected", f"connected to {address}"))
            try:
                await _together(self._read(client, address), *(job(self) for job in self._jobs))
            except asyncio.CancelledError:
                await self._say_farewell()
                raise
        finally:
            self._client = self._paho = None
            self.connected.clear()
            await disconnect(client)

    def _has_output(self, paho: PahoClient, _userdata: object, _socket: object) -> None:
        """Called by paho, on our loop, when it has something to write (aiomqtt would wake the loop through a pipe and
        register a writer for each message: three turns of the loop where one does)."""
        if not self._sending:
            asyncio.get_running_loop().call_soon(self._flush, paho)

    def _flush(self, paho: PahoClient) -> None:
        """Write now; what the socket does not take waits until it does."""
        # While writing, `on_publish` is called for QoS 0 only, where nobody waits, at the price of a publish.
        told, paho.on_publish = paho.on_publish, None
        paho.loop_write()
        paho.on_publish = told
        if paho.want_write() and (sock := paho.socket()) is not None:
            asyncio.get_running_loop().add_writer(sock.fileno(), self._flush, paho)

    async def _subscribe_all(self, client: aiomqtt.Client, address: BrokerAddress) -> None:
        import aiomqtt

        for topic_filter, qos, _ in self._filters:
            try:
                granted = await faithful(client.subscribe(topic_filter, qos))
            except aiomqtt.MqttError as error:
                raise ConnectionLost(f"{address}: the broker did not answer a subscription ({error})") from error
            if any((code if isinstance(code, int) else code.value) >= 0x80 for code in granted):
                raise RefusedByBroker(
                    f"{address}: {address.username!r} may not subscribe to {topic_filter}; use credentials that may"
                )

    async def _read(self, client: aiomqtt.Client, address: BrokerAddress) -> None:
        import aiomqtt

        try:
            async for message in client.messages:
                payload = message.payload if isinstance(message.payload, bytes) else b""
                incoming = Incoming(message.topic.value, payload, bool(message.retain))
                for topic_filter, _, handler in self._filters:
                    if message.topic.matches(topic_filter):
                        handler(incoming)
                        break
        except aiomqtt.MqttError as error:
            raise ConnectionLost(f"{address}: the connection to the broker ended; it is tried again") from error

    async def _say_farewell(self) -> None:
        """Best effort within a second: the will covers us when it fails."""
        try:
            async with asyncio.timeout(_FAREWELL_S):
                for message in self._farewell() if self._farewell else ():
                    await self.publish(message.topic, message.payload, message.retain)
        except (TimeoutError, StreamError) as error:
            log.warning("no farewell to the broker; it will tell by the last will", error=str(error))


async def faithful(work: Awaitable[T]) -> T:
    """`work`, without losing a cancellation: before Python 3.12 `asyncio.wait_for`, which the library beneath uses,
    swallows one that comes together with the result, and whoever cancelled would wait for ever."""
    task = asyncio.current_task()
    before = task.cancelling() if task else 0
    result = await work
    if task and task.cancelling() > before:
        raise asyncio.CancelledError
    return result


async def _together(*works: Coroutine[Any, Any, None]) -> None:
    """Run all until one fails; raises its error when the others have ended.

    Not a TaskGroup: before Python 3.13 that loses a cancellation which comes while it ends because of an error.
    """
    tasks = [asyncio.create_task(work, name="broker link") for work in works]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    errors = [error for task in tasks if not task.cancelled() and (error := task.exception())]
    # an error of our own weighs more than the loss it may have come with
    for error in sorted(errors, key=lambda error: isinstance(error, StreamError)):
        raise error


async def connect(
    address: BrokerAddress, identifier: str, will: Outgoing | None = None, keepalive_s: int = _KEEPALIVE_S
) -> aiomqtt.Client:
    """An open aiomqtt client with a clean session. Raises Unreachable, RefusedByBroker, TlsFailure, SettingsError, the
    last also where a password would travel readable."""
    import aiomqtt

    if address.in_the_clear:
        raise SettingsError(f"{address}: the password would travel readable for all on the way; write mqtts://")
    client = aiomqtt.Client(
        address.host,
        address.port,
        username=address.username or None,
        password=address.password or None,
        identifier=identifier,
        logger=_silent,
        will=aiomqtt.Will(will.topic, will.payload, 1, will.retain) if will else None,
        clean_session=True,
        timeout=_CONNECT_S,
        keepalive=keepalive_s,
        max_inflight_messages=WINDOW,
        tls_context=address.tls_context(),
        socket_options=_AT_ONCE,
    )
    client.pending_calls_threshold = 4 * WINDOW
    client._client.connect_timeout = _CONNECT_S
    opening = asyncio.ensure_future(client.__aenter__())
    try:
        await faithful(asyncio.shield(opening))
    except asyncio.CancelledError:
        # a thread of the library is in the middle of connecting: let it end, then close what it opened
        with contextlib.suppress(aiomqtt.MqttError):
            await opening
            await disconnect(client)
        raise
    except aiomqtt.MqttError as error:
        raise explain(error, address) from error
    if not client._client.is_connected():  # the library forgets a loss that comes as soon as the connection stands
        raise ConnectionLost(f"{address}: the broker ended the connection at once; it is tried again")
    return client


async def disconnect(client: aiomqtt.Client) -> None:
    """Close politely; a connection that is already gone is no error."""
    import aiomqtt

    try:
        with contextlib.suppress(aiomqtt.MqttError):
            await faithful(client.__aexit__(None, None, None))
    finally:
        # Whoever heard of the loss first has told it, and the library keeps it for one who reads messages: nobody does
        # any more, and asyncio would complain of an error that nobody looked at.
        if (lost := client._disconnected).done() and not lost.cancelled():
            lost.exception()
