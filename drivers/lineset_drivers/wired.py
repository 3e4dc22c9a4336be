"""What the drivers of serial ports and TCP connections have in common: open, hand over, lose, wait, open again.

One task a driver opens the link and waits for its end; all between is callbacks and one timer, so that a poll costs
no task. Pauses between attempts grow, with jitter, in real seconds; a port that is plugged in is taken up at once.
"""

from __future__ import annotations

import asyncio
import os
import random
from collections.abc import Callable, Sequence
from typing import Any

import structlog

from .clock import NS
from .errors import LinkClosed, LinkError
from .frame import State
from .instrument import Context, InstrumentSpec, Outlet
from .link import LinkAddress
from .transports.wire import Wire

log = structlog.get_logger(__name__)

STEADY_S = 10.0  # a link that lived this long is taken for sound, and pauses begin small again
STREAM_BACKLOG = 64  # lines that may wait for room in the inbox


class Pause:
    """Growing pauses between attempts, in real seconds: `least`, twice that, ... `most`, each between half and whole.

    The jitter keeps instruments that went away together from coming back in step.
    """

    def __init__(self, source: random.Random, *, least_s: float = 0.5, most_s: float = 20.0) -> None:
        self._random, self._least, self._most = source, least_s, most_s
        self._next = least_s

    def next(self) -> float:
        """The next pause."""
        whole, self._next = self._next, min(self._next * 2, self._most)
        return whole * (0.5 + 0.5 * self._random.random())

    def reset(self) -> None:
        self._next = self._least


class WiredDriver:
    """A driver of one link. Subclasses give `begin` (the link is open), `received`, `halt`, and use `call_at`."""

    backlog = 1

    def __init__(self, address: LinkAddress, specs: Sequence[InstrumentSpec], context: Context) -> None:
        self.name = address.key
        self.address, self.context, self.instruments = address, context, specs
        self.clock = context.clock
        self.outlets = [Outlet(spec, context, backlog=self.backlog) for spec in specs]
        self.wire: Wire | None = None
        self._loop: asyncio.AbstractEventLoop
        self._ended: asyncio.Future[LinkClosed] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._stale_timer: asyncio.TimerHandle | None = None

    # -- for subclasses ---------------------------------------------------------------------------------------

    def begin(self) -> None:
        """The link is open: start asking or listening."""
        raise NotImplementedError

    def received(self, data: bytes) -> None:
        """Bytes arrived."""
        raise NotImplementedError

    def halt(self) -> None:
        """The link is gone: forget what was in flight."""

    def label(self, outlet: Outlet) -> str:
        """What tells this instrument from others on the link, such as " unit 3"."""
        return ""

    def silent_reason(self, outlet: Outlet) -> str:
        """Why nothing new comes from this instrument, as far as can be told."""
        return "check that it is switched on"

    def option(self, name: str) -> Any:
        """A setting of the link: the link URL's, else the station's for the first instrument, else the profile's."""
        spec = self.instruments[0]
        for options in (self.address.options, spec.options):
            if name in options:
                return options[name]
        return getattr(spec.profile.link, name)

    @property
    def timeout_s(self) -> float:
        return float(self.option("timeout_s"))

    def call_in(self, real_s: float, call: Callable[[], None]) -> None:
        """Call once in so many real seconds, in place of what was to be called before: one timer a driver."""
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop.call_later(max(real_s, 0.0), self._guarded, call)

    def call_off(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def real_until(self, t: int) -> float:
        """Real seconds until the visit time `t`, at most one: after a suspend the loop's clock lags behind."""
        return min(max(t - self.clock.now(), 0) / NS / self.clock.rate, 1.0)

    def fail(self, error: BaseException) -> None:
        """A fault of ours in a callback: end the link, and let the fleet see it."""
        if self._ended is not None and not self._ended.done():
            self._ended.set_exception(error)

    def _guarded(self, call: Callable[[], None]) -> None:
        try:
            call()
        except Exception as error:
            self.fail(error)

    # -- Receiver ---------------------------------------------------------------------------------------------

    def data(self, data: bytes) -> None:
        try:
            self.received(data)
        except Exception as error:
            self.fail(error)

    def ended(self, error: LinkClosed) -> None:
        if self._ended is not None and not self._ended.done():
            self._ended.set_result(error)

    # -- Driver -----------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Keep the link open and the instruments read until cancelled."""
        self._loop = asyncio.get_running_loop()
        pause = Pause(self.context.random)
        try:
            while True:
                try:
                    self._ended = self._loop.create_future()
                    self.wire = await self._open()
                except LinkError as error:
                    self._all_missed(error)
                    await self._wait(pause.next())
                    continue
                opened = self._loop.time()
                closed = await self._serve(self.wire)
                log.info("link ended", link=self.name, problem=closed.problem)
                if self._loop.time() - opened > STEADY_S:
                    pause.reset()
                self._all_missed(closed)
                await self._wait(pause.next())
        finally:
            for outlet in self.outlets:
                outlet.close()

    async def _serve(self, wire: Wire) -> LinkClosed:
        assert self._ended is not None
        try:
            for outlet in self.outlets:
                outlet.missed("the link is open; waiting for the first answer")
            self._watch_stale()
            self._guarded(self.begin)
            return await self._ended
        finally:
            self.call_off()
            if self._stale_timer is not None:
                self._stale_timer.cancel()
            self.wire = None
            wire.close()
            self.halt()

    async def _open(self) -> Wire:
        """Open the link. Raises LinkError."""
        address = self.address
        for outlet in self.outlets:
            outlet.where = self.name + self.label(outlet)
        if address.scheme in ("tcp", "rtu+tcp"):
            from .transports.tcp import open_tcp

            return await open_tcp(address.place, address.port, self)
        from .transports.serial import PLUG_IN, PortSettings, open_serial

        path = self._path()
        if path is None:
            raise LinkError(self.name, "this adapter is not plugged in", remedy=PLUG_IN)
        settings = PortSettings(
            int(self.option("baud")),
            int(self.option("bytesize")),
            str(self.option("parity")),
            float(self.option("stopbits")),
        )
        wire = open_serial(path, settings, self)
        port = self.context.ports.at(path)
        for outlet in self.outlets:
            if address.scheme == "usb":
                outlet.where = f"{self.name} at {path}{self.label(outlet)}"
            if port is not None and port.identity:
                outlet.identity, outlet.identity_weak = port.identity + self.label(outlet), port.weak
        return wire

    def _path(self) -> str | None:
        """Where the port is now; None while a USB adapter is not plugged in. Raises LinkError when two fit."""
        if self.address.scheme == "serial":
            return self.address.place
        port = self.context.ports.find(self.address.place)
        return port.device if port is not None else None

    def _present(self) -> bool:
        try:
            path = self._path()
        except LinkError:
            return False
        return path is not None and os.path.exists(path)

    async def _wait(self, pause_s: float) -> None:
        """Sleep, but not on when a port that was away is plugged in."""
        if self.address.scheme not in ("serial", "usb") or self._present():
            await asyncio.sleep(pause_s)
            return
        # looking is cheap, so an absent port is looked for at a steady pace and not with growing pauses
        while not self._present():
            await asyncio.sleep(self.context.ports.interval_s)

    def _all_missed(self, error: LinkError) -> None:
        for outlet in self.outlets:
            outlet.missed(f"{error.problem}. {error.remedy}")

    # -- staleness --------------------------------------------------------------------------------------------

    def _watch_stale(self) -> None:
        """Tell what went stale, and look again when the next one could."""
        now = self.clock.now()
        soonest = now + NS
        for outlet in self.outlets:
            outlet.flush()  # a stream may have ended while its last lines waited for room
            at = outlet.stale_at()
            if at is None or outlet.state is not State.LINKED:
                continue
            if at <= now and outlet.last_t is not None:
                silent_s = (now - outlet.last_t) / NS
                outlet.tell(State.STALE, f"nothing new for {silent_s:.0f} s: {self.silent_reason(outlet)}")
            else:
                soonest = min(soonest, at)
        delay = min(max((soonest - now) / NS / self.clock.rate, 0.05), 1.0)
        self._stale_timer = self._loop.call_later(delay, self._guarded, self._watch_stale)
