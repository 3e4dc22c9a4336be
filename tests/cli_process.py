"""Running the command line as people do: as a process of its own, whose output can be waited on; and a real station."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from verb_nursery import Nursery

from lineset.contract.topic import Topics
from lineset.station.daemon import Station
from lineset.stream.ask import ask

PROGRAM = (sys.executable, "-c", "from lineset.cli.main import main; main()")
WAIT_S = 60.0  # only ends a test that would hang

CONFIG = """
[station]
name = "van-1"
data = "data"
[cues]
speak = false
[[instrument]]
id = "gauges"
profile = "pressure-transducer-2ch"
link = "serial:///dev/no-such-port"
[[placement]]
instrument = "gauges"
channel = "low"
point = "vapor_service_pressure"
[[system]]
id = "main"
refrigerant = "R-454B"
metering_device = "txv"
"""


class Running:
    """A running `lineset`, whose output can be waited on."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.out: list[str] = []
        self.err: list[str] = []
        self._news = asyncio.Condition()
        self._readers = [asyncio.create_task(self._read(process.stdout, self.out)),
                         asyncio.create_task(self._read(process.stderr, self.err))]  # fmt: skip

    async def _read(self, stream: asyncio.StreamReader | None, into: list[str]) -> None:
        assert stream is not None
        while line := await stream.readline():
            async with self._news:
                into.append(line.decode().rstrip("\n"))
                self._news.notify_all()

    async def until(self, words: str, *, err: bool = False, after: int = 0) -> str:
        """The first line with these words, from line `after` on."""
        lines = self.err if err else self.out
        try:
            async with asyncio.timeout(WAIT_S), self._news:
                while True:
                    for line in lines[after:]:
                        if words in line:
                            return line
                    await self._news.wait()
        except TimeoutError:
            raise AssertionError(f"never said {words!r}: {self.out} {self.err}") from None

    async def end(self) -> int:
        """The exit code once it has ended by itself."""
        async with asyncio.timeout(WAIT_S):
            await asyncio.gather(*self._readers)
            return await self.process.wait()


@asynccontextmanager
async def lineset(*arguments: str) -> AsyncIterator[Running]:
    """`lineset ARGUMENTS` as a process; killed at the end of the block if it still runs."""
    process = await asyncio.create_subprocess_exec(
        *PROGRAM, *arguments, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    running = Running(process)
    try:
        yield running
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await running.end()


async def said(*arguments: str) -> tuple[int, str, str]:
    """Exit code, output and errors of `lineset ARGUMENTS`, run to its end by a process of its own."""
    async with asyncio.timeout(WAIT_S):
        code, out, err = await _nursery().run(*arguments)
    return code, out.removesuffix("\n"), err.removesuffix("\n")


@functools.cache
def _nursery() -> Nursery:
    return Nursery()


class Bench:
    """A real station on its real broker, with a visit that can be opened; values are entered by eye."""

    def __init__(self, station: Station, folder: Path) -> None:
        self.station, self.at, self.config = station, folder / "run", folder / "van.toml"

    @property
    def topics(self) -> Topics:
        return self.station.topics

    async def do(self, verb: str, **args: object) -> None:
        assert self.station.broker is not None
        reply = await ask(self.station.broker.address("technician"), self.topics, verb, args, actor="a tester")
        assert reply.ok, reply.text
