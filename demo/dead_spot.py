"""A way to the shop that can be cut, as behind a hill: bytes go through, or they do not."""

from __future__ import annotations

import asyncio
import contextlib


class DeadSpot:
    """Forwards a port of loopback to another one. `cut()` ends what goes through; `mend()` lets it through again."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._open = True
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self.port = 0

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    def cut(self) -> None:
        self._open = False
        for writer in self._writers:
            writer.close()

    def mend(self) -> None:
        self._open = True

    def close(self) -> None:
        self.cut()
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self._open:
            writer.close()
            return
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._to)
        except OSError:
            writer.close()
            return
        ends = {writer, far_writer}
        self._writers |= ends
        try:
            await asyncio.gather(_pass_on(reader, far_writer), _pass_on(far_reader, writer))
        finally:
            self._writers -= ends


async def _pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(1 << 16):
            writer.write(data)
            await writer.drain()
    writer.close()
