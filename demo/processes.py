"""The demo's children: started, waited for, and ended in any case."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time
from pathlib import Path
from typing import Any

from bench_link import DemoError

HERE = Path(__file__).resolve().parent
START_S = 30.0


class Processes:
    """The demo's children, ended in any case, last first."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._running: list[asyncio.subprocess.Process] = []

    async def start(self, name: str, *command: str, env: dict[str, str]) -> asyncio.subprocess.Process:
        log = open(self._out / f"{name}.log", "wb")  # noqa: SIM115 - handed to the child
        try:
            child = await asyncio.create_subprocess_exec(*command, stdout=log, stderr=log, env=env)
        finally:
            log.close()
        self._running.append(child)
        return child

    async def end(self) -> None:
        for child in reversed(self._running):
            if child.returncode is None:
                child.send_signal(signal.SIGTERM)
                try:
                    async with asyncio.timeout(10):
                        await child.wait()
                except TimeoutError:
                    child.kill()
                    await child.wait()


async def appear(file: Path, child: asyncio.subprocess.Process, log: Path) -> None:
    """Wait until a child has written `file`. Raises DemoError with its last words when it does not."""
    deadline = time.monotonic() + START_S
    while not file.exists():
        if child.returncode is not None or time.monotonic() > deadline:
            raise DemoError(f"it did not start; the end of {log}:\n{log.read_text(errors='replace')[-2000:]}")
        await asyncio.sleep(0.05)


def program(name: str) -> str:
    return str(Path(sys.executable).with_name(name))


async def start_bench(
    processes: Processes, scenario: str, folder: str, out: Path, speed: float, env: dict[str, str]
) -> dict[str, Any]:
    """The simulated system and instruments of a scenario; where each one is."""
    child = await processes.start(
        folder,
        program("lineset-bench"), str(HERE / "scenarios" / f"{scenario}.toml"),
        "--speed", str(speed), "--out", str(out / folder),
        env=env,
    )  # fmt: skip
    await appear(out / folder / "bench.json", child, out / f"{folder}.log")
    found: dict[str, Any] = json.loads((out / folder / "bench.json").read_text())
    return found


async def run(*arguments: str, env: dict[str, str]) -> tuple[int, str]:
    """A verb of lineset from beginning to end: its exit code, and what it said."""
    child = await asyncio.create_subprocess_exec(
        program("lineset"), *arguments, env=env, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    said, _ = await child.communicate()
    return child.returncode or 0, said.decode(errors="replace")
