"""Instruments behind a relay, at the station: one connection, frames brought to visit time, receipts given back."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence

import msgspec
import structlog

from .clock import NS, boot_ns
from .errors import LinkError
from .frame import Frame, InstrumentState, Loss, State
from .instrument import Context, InstrumentSpec
from .link import parse_link
from .protocols.relay import Dropped, Kept, Message, Ping, Pong, RelayError, Session, Spooled, Told
from .relay_server import read_key
from .wired import Pause

CONNECT_S = 5.0
PING_S = 5.0
SILENCE_S = 15.0  # without an answer to three questions the relay is not there any more
KEPT_S = 0.5

log = structlog.get_logger(__name__)


class RelayClock:
    """From a relay's clocks to visit time. The answer with the shortest way there and back is trusted most."""

    def __init__(self) -> None:
        self.boot = ""
        self._offset = 0  # station's boot time minus the relay's, ns
        self._wall = 0  # station's boot time minus the relay's wall time, ns
        self._trip: int | None = None
        self._at = 0

    def learn(self, pong: Pong, sent_ns: int, got_ns: int) -> None:
        """Take in an answer; `sent_ns`, `got_ns` are the station's boot time."""
        trip = got_ns - sent_ns
        stale = got_ns - self._at > 120 * NS  # clocks drift: a shorter trip of long ago is no better any more
        if self._trip is None or pong.boot != self.boot or trip <= self._trip or stale:
            middle = sent_ns + trip // 2
            self.boot, self._trip, self._at = pong.boot, trip, got_ns
            self._offset, self._wall = middle - pong.boot_ns, middle - pong.wall_ns

    @property
    def known(self) -> bool:
        """Whether frames can be placed yet."""
        return self._trip is not None

    def ours(self, boot: str, boot_ns_: int, wall_ns: int) -> int:
        """The station's boot time [ns] of something that the relay stamped so."""
        return boot_ns_ + self._offset if boot == self.boot else wall_ns + self._wall


class Relayed:
    """The driver of all instruments of one relay. Takes the relay's key from the option `relay_key` (hex text)."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        self.address = parse_link(specs[0].link)
        self.name, self.instruments, self.context = self.address.key, specs, context
        text = str(specs[0].options.get("relay_key", ""))
        if not text:
            raise LinkError(
                self.name, "no key is configured for it", permanent=True,
                remedy='Copy the relay\'s key file here, and write under [relay]: key_file = "relay.key"',
            )  # fmt: skip
        self._key = read_key(text, self.name)
        self._ids = {spec.id: spec for spec in specs}
        self.clock = RelayClock()
        self._pause = Pause(context.random, least_s=0.5, most_s=10.0)
        self._strange: set[str] = set()

    async def run(self) -> None:
        """Connect, and again whenever the connection is lost, until cancelled."""
        while True:
            try:
                await self._connected()
                problem = "the relay closed the connection"
            except TimeoutError:
                problem = "the relay does not answer: is it on, and on the same network?"
            except RelayError as error:
                problem = f"{error.problem}. {error.remedy}"
            except OSError as error:
                problem = f"the relay cannot be reached ({error.strerror or error}): is it on, and on the same network?"
            for id_ in self._ids:
                self._missed(id_, problem)
            await asyncio.sleep(self._pause.next())

    def _missed(self, id_: str, reason: str) -> None:
        before = self.context.told.get(id_)
        was = before is not None and before.state in (State.LINKED, State.STALE, State.LOST)
        self._tell(id_, State.LOST if was else State.SEEKING, f"{reason}. It keeps what it reads, and is tried again")

    def _tell(self, id_: str, state: State, reason: str, like: InstrumentState | None = None) -> None:
        spec = self._ids[id_]
        new = InstrumentState(
            instrument=id_,
            t=self.context.clock.now(),
            state=state,
            reason=reason,
            profile=spec.profile.name,
            identity=like.identity if like else "",
            identity_weak=like.identity_weak if like else False,
            link=f"{self.name}, {like.link}" if like else self.name,
            battery=like.battery if like else None,
        )
        told = self.context.told.get(id_)
        if told is None or msgspec.structs.replace(told, t=new.t) != new:
            self.context.told[id_] = new
            self.context.sink.state(new)

    async def _connected(self) -> None:
        async with asyncio.timeout(CONNECT_S):
            reader, writer = await asyncio.open_connection(self.address.place, self.address.port)
        try:
            await _Connection(self, reader, writer).run()
        finally:
            writer.close()

    def kept(self) -> int:
        """The highest number of this relay that is on record; -1 when that is not known."""
        ask = getattr(self.context.sink, "kept", None)
        return -1 if ask is None else max((ask(id_) for id_ in self._ids), default=-1)

    def visit_t(self, boot: str, boot_ns_: int, wall_ns: int) -> int:
        """Visit time [ns] of something that the relay stamped; never in the future."""
        clock = self.context.clock
        ago = boot_ns() - self.clock.ours(boot, boot_ns_, wall_ns)
        return max(0, clock.now() - max(0, int(ago * clock.rate)))


class _Connection:
    """One connection with a relay, until it ends."""

    def __init__(self, driver: Relayed, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._driver, self._reader, self._writer = driver, reader, writer
        self._session = Session("station", "station", driver._key, kept=driver.kept(), where=driver.name)
        self._asked: dict[int, int] = {}
        self._answered = time.monotonic()
        self._early: list[Spooled | Dropped] = []

    async def run(self) -> None:
        self._writer.write(self._session.opening())
        await self._writer.drain()
        beside: asyncio.Task[None] | None = None
        try:
            while True:
                async with asyncio.timeout(SILENCE_S):
                    data = await self._reader.read(65536)
                if not data:
                    return
                for message in self._session.receive(data):
                    if isinstance(message, bytes):
                        self._writer.write(message)
                    else:
                        await self._heard(message)
                if self._session.open and beside is None:
                    self._driver._pause.reset()
                    beside = asyncio.create_task(self._keep_asking(), name=f"asking {self._driver.name}")
        finally:
            if beside is not None:
                beside.cancel()
                await asyncio.gather(beside, return_exceptions=True)

    async def _keep_asking(self) -> None:
        number, told, next_ping = 0, -1, 0.0
        while True:
            now = time.monotonic()
            if now >= next_ping:
                number += 1
                next_ping = now + (PING_S if self._driver.clock.known else KEPT_S)
                self._asked = {number: boot_ns()}
                self._writer.write(self._session.send(Ping(number)))
            kept = self._driver.kept()
            if kept > told:
                told = kept
                self._writer.write(self._session.send(Kept(kept)))
            await asyncio.sleep(KEPT_S)

    async def _heard(self, message: Message) -> None:
        driver = self._driver
        if isinstance(message, Pong):
            sent = self._asked.pop(message.id, None)
            if sent is not None:
                driver.clock.learn(message, sent, boot_ns())
                early, self._early = self._early, []
                for one in early:
                    await self._take(one)
        elif isinstance(message, Told):
            told = message.state
            if told.instrument in driver._ids:
                driver._tell(told.instrument, told.state, told.reason, told)
        elif isinstance(message, Spooled | Dropped):
            if driver.clock.known:
                await self._take(message)
            else:
                self._early.append(message)  # until the first answer tells when that was

    async def _take(self, message: Spooled | Dropped) -> None:
        driver = self._driver
        t = driver.visit_t(message.boot, message.boot_ns, message.wall_ns)
        if message.instrument not in driver._ids:
            if message.instrument not in driver._strange:
                driver._strange.add(message.instrument)
                log.warning("the relay has an instrument that the station's configuration does not name",
                            relay=driver.name, id=message.instrument)  # fmt: skip
            return
        if isinstance(message, Dropped):
            driver.context.sink.loss(Loss(message.instrument, t, message.kind, message.count))
            return
        frame = Frame(message.instrument, t, message.raw, message.samples, message.seq)
        # a full inbox stops the reading from the socket, and the relay keeps what waits: nothing is dropped
        while not driver.context.sink.frame(frame):
            await asyncio.sleep(0.01)
