"""A relay: runs a fleet where the station's radio does not reach, spools its frames, hands them on to one station."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Coroutine, Sequence
from typing import Self

import structlog

from .clock import VisitClock, boot_ns
from .errors import DriverError
from .fleet import Fleet
from .frame import Frame, InstrumentState, Loss
from .instrument import InstrumentSpec
from .protocols.relay import Dropped, Kept, Message, Ping, Pong, Proof, RelayError, Session, Spooled, Told
from .relay_spool import COMMIT_S, Spool, SpoolError

GREETING_S = 10.0  # real seconds within which a station has to have shown that it holds the key
SILENCE_S = 30.0  # a station asks for the clocks more often than this
_BATCH = 200

log = structlog.get_logger(__name__)


class RelayServer:
    """`async with RelayServer(...)`: instruments run, frames are spooled, a station that holds the key gets them.

    One station at a time: one that shows the key takes the place of the one before. `port` 0 takes a free one; `speed`
    is how much faster instruments are read, for demos.
    """

    def __init__(
        self,
        name: str,
        key: bytes,
        specs: Sequence[InstrumentSpec],
        spool: Spool,
        *,
        host: str = "",
        port: int = 0,
        speed: float = 1.0,
    ) -> None:
        self.name, self.host, self.port, self.speed = name, host, port, speed
        self._key, self._specs, self.spool = key, specs, spool
        # one word for this run of the machine's boot clock: numbers of another run cannot be compared with it
        self._boot = secrets.token_hex(8)
        self._states: dict[str, InstrumentState] = {}
        self._news = asyncio.Event()
        self._serving: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writer: _Station | None = None
        self._unspooled: dict[str, int] = {}
        self.station = ""  # the one that is connected

    # -- the fleet's sink ---------------------------------------------------------------------------------------

    def frame(self, frame: Frame) -> bool:
        """Spool a frame; a full disk is counted and told, and never stops an instrument."""
        if self._unspooled and not self._tell_unspooled():
            self._unspooled[frame.instrument] = self._unspooled.get(frame.instrument, 0) + 1
            return True
        try:
            self.spool.add(
                Spooled(0, self._boot, boot_ns(), time.time_ns(), frame.instrument, frame.raw, frame.samples)
            )
        except SpoolError as error:
            if not self._unspooled:
                log.error("frames are lost: the spool takes nothing", error=str(error))
            self._unspooled[frame.instrument] = self._unspooled.get(frame.instrument, 0) + 1
            return True
        self._hand_on()
        return True

    def _hand_on(self) -> None:
        self._news.set()
        if self._writer is not None:
            self._writer.wake()

    def _tell_unspooled(self) -> bool:
        try:
            for instrument, count in list(self._unspooled.items()):
                self.spool.add(Dropped(0, self._boot, boot_ns(), time.time_ns(), instrument, "relay_disk_full", count))
                del self._unspooled[instrument]
        except SpoolError:
            return False
        log.info("the spool takes frames again")
        return True

    def state(self, state: InstrumentState) -> None:
        """States are told at once and not spooled: what counts is how an instrument stands now."""
        self._states[state.instrument] = state
        log.info("instrument", id=state.instrument, state=state.state, reason=state.reason)
        if self._writer is not None:
            self._writer.send(Told(state))

    def loss(self, loss: Loss) -> None:
        """A loss goes in order with the frames."""
        with contextlib.suppress(SpoolError):
            self.spool.add(Dropped(0, self._boot, boot_ns(), time.time_ns(), loss.instrument, loss.kind, loss.count))
            self._hand_on()

    # -- start and stop -----------------------------------------------------------------------------------------

    async def __aenter__(self) -> Self:
        self._stack = contextlib.AsyncExitStack()
        try:
            server = await asyncio.start_server(self._accept, self.host or None, self.port)
        except OSError as error:
            raise DriverError(
                f"the relay cannot listen on {self.host or 'all addresses'}, port {self.port} ({error.strerror}); end "
                "what uses it, or set another port"
            ) from error
        self.port = server.sockets[0].getsockname()[1]
        self._stack.push_async_callback(server.wait_closed)
        self._stack.callback(server.close)
        self._stack.push_async_callback(self._end)
        self._spawn(self._commit(), "spool")
        await self._stack.enter_async_context(
            Fleet(self._specs, VisitClock(rate=self.speed), self, seed=time.time_ns())
        )
        log.info(
            "relay ready", relay=self.name, port=self.port, instruments=len(self._specs), waiting=self.spool.waiting
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._stack.aclose()
        self.spool.commit()

    def _spawn(self, work: Coroutine[object, object, None], name: str) -> asyncio.Task[None]:
        task: asyncio.Task[None] = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _end(self) -> None:
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _commit(self) -> None:
        while True:
            await self._news.wait()
            await asyncio.sleep(COMMIT_S)
            try:
                self.spool.commit()
            except SpoolError as error:
                log.error("the spool cannot be written", error=str(error))
                await asyncio.sleep(1.0)
                continue
            self._news.clear()

    # -- a station ----------------------------------------------------------------------------------------------

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._serve(reader, writer)
        except (RelayError, OSError, TimeoutError) as error:
            log.warning("a station went away", error=str(error) or type(error).__name__)
        except asyncio.CancelledError:
            if not task.cancelling():
                raise
        finally:
            self._tasks.discard(task)
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = writer.get_extra_info("peername") or ("a station",)
        session = Session("relay", self.name, self._key, where=str(peer[0]))
        async with asyncio.timeout(GREETING_S):
            while not session.open:
                data = await reader.read(4096)
                if not data:
                    return
                for message in session.receive(data):
                    if isinstance(message, bytes):
                        writer.write(message)
                await writer.drain()
        if self._serving is not None and self._serving is not asyncio.current_task():
            self._serving.cancel()  # a station that came back before its old connection was found dead
        self._serving = asyncio.current_task()
        station = _Station(session, writer, self.spool, session.peer_kept)
        self._writer, self.station = station, session.peer
        log.info("station connected", station=session.peer, waiting=self.spool.waiting)
        for state in self._states.values():
            station.send(Told(state))
        pump = asyncio.create_task(station.pump(), name="frames to the station")
        try:
            while True:
                async with asyncio.timeout(SILENCE_S):
                    data = await reader.read(65536)
                if not data or pump.done():
                    return
                for message in session.receive(data):
                    self._heard(station, message)
        finally:
            pump.cancel()
            await asyncio.gather(pump, return_exceptions=True)
            if self._writer is station:
                self._writer, self.station = None, ""

    def _heard(self, station: _Station, message: Message | bytes) -> None:
        if isinstance(message, Kept):
            self.spool.forget(message.through)
        elif isinstance(message, Ping):
            station.send(Pong(message.id, self._boot, boot_ns(), time.time_ns()))
        elif not isinstance(message, Proof):
            raise RelayError("station", "it sends what only a relay may", remedy="Check what connects to this port")


class _Station:
    """The way to one connected station: what is sent at once, and what is pumped from the spool."""

    def __init__(self, session: Session, writer: asyncio.StreamWriter, spool: Spool, kept: int) -> None:
        self._session, self._writer, self._spool = session, writer, spool
        self._at = max(kept, spool.first - 1)
        self._more = asyncio.Event()
        self._more.set()

    def send(self, message: Message) -> None:
        self._writer.write(self._session.send(message))

    def wake(self) -> None:
        self._more.set()

    async def pump(self) -> None:
        while True:
            await self._more.wait()
            self._more.clear()
            while True:
                batch = list(self._spool.after(self._at, _BATCH))
                for message in batch:
                    self.send(message)
                    self._at = message.seq
                await self._writer.drain()
                if len(batch) < _BATCH:
                    break


def new_key() -> str:
    """A key for a relay and its station: 32 random bytes, in hex."""
    return secrets.token_hex(32)


def read_key(text: str, where: str) -> bytes:
    """The key from a key file's text. Raises DriverError."""
    try:
        key = bytes.fromhex(text.strip())
    except ValueError as error:
        raise DriverError(f"{where}: this is no key; make one with: lineset relay --new-key") from error
    if len(key) < 16:
        raise DriverError(f"{where}: the key is too short; make one with: lineset relay --new-key")
    return key
