"""Ways to the shop that can be cut together, as behind a hill: bytes go through, or they do not."""

from __future__ import annotations

import asyncio
import contextlib


class DeadSpot:
    """Forwards ports of loopback to others. `cut()` ends what goes through; `mend()` lets it through again."""

    def __init__(self) -> None:
        self._open = True
        self._servers: list[asyncio.Server] = []
        self._writers: set[asyncio.StreamWriter] = set()

    async def to(self, port: int) -> int:
        """The port that leads there."""

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await self._serve(port, reader, writer)

        server = await asyncio.start_server(serve, "127.0.0.1", 0, backlog=512)
        self._servers.append(server)
        found: int = server.sockets[0].getsockname()[1]
        return found

    def cut(self) -> None:
        self._open = False
        for writer in self._writers:
            writer.close()

    def mend(self) -> None:
        self._open = True

    def close(self) -> None:
        self.cut()
        for server in self._servers:
            server.close()

    async def _serve(self, port: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self._open:
            writer.close()
            return
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", port)
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
