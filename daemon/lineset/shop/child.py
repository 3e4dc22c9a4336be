"""A program that the shop runs as its child: never outliving us, started again with back-off when it ends by itself.

A child is on the leash of `stream/leash.py`, in a process group of its own (Ctrl-C at a terminal reaches only us, who
end the children in order), and everything it says on standard error goes into our log.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import structlog

from lineset.shop.errors import ShopError, ShopPartError
from lineset.stream import leash

State = Literal["stopped", "starting", "running", "waiting", "disk full"]
READY_S = 30.0
_RESTART_MIN_S, _RESTART_MAX_S = 0.1, 10.0
_PASSING_S = 0.2
_HEALTHY_S = 10.0  # a child that lived this long starts the back-off anew

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChildPlan:
    """What to run and how to know it.

    `ready` are words of the line that says it is ready, or a test of the line; `stop` the signal that ends it in order
    and `stop_s` how long that may take; `user` "UID:GID" to run it as, empty for ourselves; `quiet` words of lines that
    mean nothing; `loud` words that make a line a warning of ours; `why` an error from the end of what it said. Where it
    says one of `passing` at its first start, it is tried again for `patience_s`; `before` is called before each start.
    `no_space` are words by which it says that its disk is full, where it has to be started again once there is room.
    """

    name: str
    command: tuple[str, ...]
    ready: str
    stop: signal.Signals = signal.SIGTERM
    stop_s: float = 10.0
    user: str = ""
    quiet: tuple[str, ...] = ()
    loud: tuple[str, ...] = ("[ERR]", "[FTL]", "[WRN]", "ERROR", "FATAL", "PANIC")
    environment: dict[str, str] = field(default_factory=dict)
    folder: str | None = None
    why: Callable[[str], ShopError | None] = lambda said: None
    passing: tuple[str, ...] = ()
    patience_s: float = 10.0
    before: Callable[[], None] = lambda: None
    no_space: tuple[str, ...] = ()


class Child:
    """One child: `start()` waits until it is ready, `stop()` ends it in order; between them it is kept alive.

    `on_change` is called after each change of `state`. Raises ShopPartError, or what `plan.why` makes of it.
    """

    def __init__(self, plan: ChildPlan, on_change: Callable[[], None] | None = None) -> None:
        self.plan = plan
        self.state: State = "stopped"
        self.restarts = 0
        self.said: deque[str] = deque(maxlen=20)
        self._on_change = on_change
        self._awaited: list[tuple[tuple[str, ...], asyncio.Future[str]]] = []
        self._process: asyncio.subprocess.Process | None = None
        self._listener: asyncio.Task[None] | None = None
        self._keeper: asyncio.Task[None] | None = None

    @property
    def pid(self) -> int:
        """Process number, 0 when it is down."""
        return self._process.pid if self._process and self._process.returncode is None else 0

    async def start(self) -> None:
        """Start it and wait until it is ready; from then on it is started again whenever it ends."""
        loop = asyncio.get_running_loop()
        until = loop.time() + self.plan.patience_s
        try:
            while True:
                try:
                    await self._launch()
                    break
                except ShopError:
                    said = " ".join(self.said)
                    if loop.time() > until or not any(words in said for words in self.plan.passing):
                        raise
                    await asyncio.sleep(_PASSING_S)
        except BaseException:
            await self.stop()
            raise
        self._keeper = asyncio.create_task(self._keep(), name=f"keeper of {self.plan.name}")
        self._keeper.add_done_callback(told_if_failed)

    async def stop(self) -> None:
        """End it in order, by force when it takes too long. Safe to call twice."""
        if self._keeper:
            self._keeper.cancel()
            await asyncio.wait({self._keeper})  # not awaited itself: how it ended must not keep the child from its end
            self._keeper = None
        await self._end()
        self._is("stopped")

    def signal(self, what: signal.Signals) -> None:
        """Send it a signal; nothing when it is down."""
        if self.pid and self._process:
            with contextlib.suppress(ProcessLookupError):
                self._process.send_signal(what)

    async def until(self, *words: str, timeout_s: float) -> str:
        """The next line of what it says with any of these words; empty when none came in time or it ended."""
        found: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._awaited.append((words, found))
        try:
            async with asyncio.timeout(timeout_s):
                return await found
        except TimeoutError:
            return ""
        finally:
            self._awaited = [each for each in self._awaited if each[1] is not found]

    # --------------------------------------------------------------------------------------------------------- inside

    def _is(self, state: State) -> None:
        self.state = state
        if self._on_change:
            self._on_change()

    async def _launch(self) -> None:
        plan = self.plan
        self._is("starting")
        self.said.clear()
        try:
            plan.before()
        except OSError as error:
            raise ShopPartError(
                error.filename or plan.name, f"before {plan.name}: {error}", "Put that right"
            ) from error
        leashed: Sequence[str] = (
            *(sys.executable, "-I", "-S", leash.__file__),
            *(("--user", plan.user) if plan.user else ()),
            *(str(os.getpid()), *plan.command),
        )
        try:
            self._process = await asyncio.create_subprocess_exec(
                *leashed,
                stdin=asyncio.subprocess.PIPE,  # its end tells a watching leash that we are gone
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                process_group=0,
                cwd=plan.folder,
                env={**os.environ, **plan.environment},
                limit=1 << 20,
            )
        except OSError as error:
            raise ShopPartError(plan.command[0], f"{plan.name} cannot be run ({error})", "Check the program") from error
        ready = asyncio.Event()
        self._listener = asyncio.create_task(self._listen(self._process, ready), name=f"log of {plan.name}")
        waiter = asyncio.create_task(ready.wait())
        try:
            await asyncio.wait({waiter, self._listener}, timeout=READY_S, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waiter.cancel()
        if not ready.is_set():
            await self._end()
            raise self._why_not()
        log.info("part of the shop is ready", part=plan.name, pid=self.pid)
        self._is("running")

    def _why_not(self) -> ShopError:
        said = " | ".join(self.said) or "nothing"
        return self.plan.why(said) or ShopPartError(
            self.plan.name, f"it did not become ready; it said: {said}", "Put right what it says, and start again"
        )

    async def _listen(self, process: asyncio.subprocess.Process, ready: asyncio.Event) -> None:
        assert process.stderr is not None
        while line := await _line(process.stderr):
            text = line.decode(errors="replace").strip()
            self.said.append(text)
            if self.plan.ready in text:
                ready.set()
            self._tell_waiting(text)
            if self.state == "running" and any(part in text for part in self.plan.no_space):
                log.error("the disk is full; this part is started again when there is room", part=self.plan.name)
                self._is("disk full")
            if any(part in text for part in self.plan.quiet):
                continue
            if any(part in text for part in self.plan.loud):
                log.warning("part of the shop says", part=self.plan.name, text=text)
            else:
                log.debug("part of the shop says", part=self.plan.name, text=text)
        await process.wait()
        self._tell_waiting("")

    def _tell_waiting(self, text: str) -> None:
        """Give a line to who waits for such a one; an empty text, at the end, to all."""
        for words, found in self._awaited:
            if not found.done() and (not text or any(word in text for word in words)):
                found.set_result(text)

    async def _keep(self) -> None:
        delay, loop = _RESTART_MIN_S, asyncio.get_running_loop()
        while True:
            born = loop.time()
            if self._listener:
                await asyncio.wait({self._listener})  # not awaited itself: our end must not cancel it
            status = self._process.returncode if self._process else None
            log.error("part of the shop ended by itself", part=self.plan.name, status=status, said=list(self.said)[-3:])
            if loop.time() - born > _HEALTHY_S:
                delay = _RESTART_MIN_S
            while True:
                self._is("waiting")
                await asyncio.sleep(delay)
                delay = min(delay * 2, _RESTART_MAX_S)
                try:
                    await self._launch()
                    break
                except ShopError as error:
                    log.error("part of the shop cannot start again", part=self.plan.name, why=str(error), next_s=delay)
            self.restarts += 1
            self._is("running")

    async def _end(self) -> None:
        process, listener = self._process, self._listener
        self._process = self._listener = None
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(self.plan.stop)
            try:
                async with asyncio.timeout(self.plan.stop_s):
                    await process.wait()
            except TimeoutError:
                log.warning("part of the shop did not stop when asked; killed", part=self.plan.name, pid=process.pid)
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if process is not None and process.stdin is not None:
            process.stdin.close()
        if listener is not None:
            await listener


def told_if_failed(task: asyncio.Task[None]) -> None:
    """What a task that nobody awaits has ended with goes into the log at once."""
    if not task.cancelled() and task.exception() is not None:
        log.error("part of the shop's own work failed", part=task.get_name(), exc_info=task.exception())


async def _line(stream: asyncio.StreamReader) -> bytes:
    """The next line; one that is longer than any sense is cut off."""
    try:
        return await stream.readline()
    except ValueError:  # over the limit: what was read of it is gone
        return b"(a line too long to keep)\n"
