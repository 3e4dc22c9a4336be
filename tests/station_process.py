"""`lineset run` as a process of its own that tests kill and start again."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from pathlib import Path

from cli_process import PROGRAM, Running
from station_rig import write_config

from lineset.stream.address import BrokerAddress, read_broker_file
from lineset.stream.errors import SettingsError


class StationProcess:
    """`lineset run` in a folder, started again and again with one configuration."""

    def __init__(self, folder: Path, text: str) -> None:
        self.folder, self.config = folder, write_config(folder, text)
        self.running: Running | None = None
        self.starts = 0
        self._address: BrokerAddress | None = None

    async def start(self) -> None:
        command = [*PROGRAM, "run", "--config", str(self.config), "--at", str(self.folder / "run")]
        process = await asyncio.create_subprocess_exec(
            *command,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONHASHSEED": str(self.starts)},
        )
        self.starts += 1
        self.running = Running(process)
        await self.running.until("is running", err=True)

    @property
    def broker_pid(self) -> int:
        return read_broker_file(self.folder / "run").pid

    def address(self, role: str = "technician") -> BrokerAddress:
        """Where its broker is, or was: who listens tries that until there is another."""
        with contextlib.suppress(SettingsError):
            self._address = read_broker_file(self.folder / "run").address(role)  # type: ignore[arg-type]
        assert self._address is not None
        return self._address

    async def end(self, how: signal.Signals) -> int:
        assert self.running is not None
        with contextlib.suppress(ProcessLookupError):
            self.running.process.send_signal(how)
        return await self.running.end()
