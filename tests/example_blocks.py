"""For tests of the examples: the commands of their README as printed, and a shell to run them in."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import lineset.shop

EXAMPLES = Path(lineset.shop.__file__).parent / "examples"
WAIT_S = 60.0
_BLOCK = re.compile(r"<!-- ([^>]*) -->\n```sh\n(.*?)```", re.DOTALL)


def printed(kind: str) -> list[tuple[str, str]]:
    """What is to be heard (empty: nothing), and the commands, of the blocks of one kind."""
    found = []
    for mark, block in _BLOCK.findall((EXAMPLES / "README.md").read_text()):
        name, _, heard = mark.partition(": ")
        if name == kind:
            found.append((heard, block))
    assert found
    return found


@asynccontextmanager
async def shell(commands: str, home: Path, **more: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """The commands in a shell with nothing of its own but a home; a listener takes the shell's place, and is ended."""
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), **more}
    process = await asyncio.create_subprocess_exec(
        "bash", "-euc", f"exec {commands}" if commands.startswith("mosquitto_sub") else commands, env=environment,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        await process.communicate()


async def line_with(process: asyncio.subprocess.Process, words: str) -> str:
    """The first line with these words that a listener prints."""
    assert process.stdout is not None
    async with asyncio.timeout(WAIT_S):
        while line := (await process.stdout.readline()).decode():
            if words in line:
                return line
    assert process.stderr is not None
    raise AssertionError((await process.stderr.read()).decode())
