"""A web server in the station's own loop: an ASGI application on one port, served while it is entered."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

import uvicorn

_START_S = 10.0
_TRIES = 8  # for a free port


class _Server(uvicorn.Server):
    """The same, but the signals of the process stay its own."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class LoopServer:
    """Serves `application` while it is entered: `async with LoopServer(...)`; no thread, no log line a request.

    `port` 0 takes a free one, told by `port` from then on. `network` opens it beyond loopback. A port that cannot be
    had raises what `refused` makes of a sentence that says so.
    """

    def __init__(
        self,
        application: Any,
        name: str,
        *,
        refused: Callable[[str], Exception],
        port: int = 0,
        network: bool = False,
        certificate: Path | None = None,
        key: Path | None = None,
        websockets: bool = False,
    ) -> None:
        self.port, self.network, self.secure = port, network, certificate is not None
        self._name, self._refused = name, refused
        self._server = _Server(
            uvicorn.Config(
                application,
                log_config=None,
                access_log=False,
                lifespan="off",
                ws="websockets-sansio" if websockets else "none",
                server_header=False,
                proxy_headers=False,  # who asks is who connected, whatever a header says
                ssl_certfile=certificate,
                ssl_keyfile=key,
                timeout_graceful_shutdown=1,
            )
        )
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        listener = self._listener()
        self.port = listener.getsockname()[1]
        self._task = asyncio.create_task(self._server.serve(sockets=[listener]), name=self._name)
        try:
            async with asyncio.timeout(_START_S):
                while not self._server.started:
                    if self._task.done():
                        await self._task
                        raise self._refused(f"the {self._name} ended as it started; the log says why")
                    await asyncio.sleep(0.005)
        except BaseException:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            listener.close()
            raise
        return self

    def _listener(self) -> socket.socket:
        """A socket that listens. Two that take a free port at one moment can both bind the same one, and only one of
        them can listen: the other takes another."""
        for attempt in range(_TRIES):
            listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                listener.bind(("0.0.0.0" if self.network else "127.0.0.1", self.port))
                listener.listen(128)
                return listener
            except OSError as error:
                listener.close()
                if error.errno == errno.EADDRINUSE and not self.port and attempt < _TRIES - 1:
                    continue
                raise self._refused(
                    f"the {self._name} cannot listen on port {self.port} ({error.strerror}); end what uses it, or set "
                    f"another port (0: any) under [{self._name}]"
                ) from error
        raise AssertionError("unreachable")

    async def __aexit__(self, *_: object) -> None:
        self._server.should_exit = True
        if self._task is not None:
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
