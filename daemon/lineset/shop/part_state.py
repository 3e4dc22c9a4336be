"""What runs from the shop's folder: one lock a part, and beside it what its process says of itself.

A lock is held by the process that runs the part and goes with it, however it ends; so a state file counts only while
its lock is held.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from pathlib import Path
from typing import Literal

import msgspec

from lineset.shop.errors import ShopFolderBusyError
from lineset.stream.address import write_private

# Who looks whether a part runs holds its lock for a moment, and who was killed lets go of it a moment later.
_PATIENCE_S, _LOOK_S = 0.5, 0.02

Kind = Literal["broker", "database", "collector", "board"]


class PartState(msgspec.Struct, frozen=True, kw_only=True):
    """One part: what it is, where it listens or works, its process, and how it fares."""

    name: str
    kind: Kind
    where: str
    pid: int
    state: str
    restarts: int = 0


class Running(msgspec.Struct, frozen=True, kw_only=True):
    """A process that runs parts; `version` tells which users and certificates its broker goes by."""

    pid: int
    started_at: str
    parts: tuple[PartState, ...]
    version: str = ""


class Holding:
    """The locks of the parts that this process runs; `tell` says how they fare. Released when the process ends."""

    def __init__(self, folder: Path, names: tuple[str, ...]) -> None:
        self._folder, self._name = folder / "run", names[0]
        self._locks: list[int] = []
        self._folder.mkdir(mode=0o700, exist_ok=True)
        try:
            for name in names:
                self._take(name)
        except BaseException:
            self.release()
            raise

    def _take(self, name: str) -> None:
        descriptor = os.open(self._folder / f"{name}.lock", os.O_RDWR | os.O_CREAT, 0o600)
        until = time.monotonic() + _PATIENCE_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError as error:
                if time.monotonic() < until:
                    time.sleep(_LOOK_S)
                    continue
                os.close(descriptor)
                raise ShopFolderBusyError(
                    self._folder.parent,
                    f"another process runs the part {name!r} of this shop",
                    "End that one, or leave it be; lineset shop status shows it",
                ) from error
        self._locks.append(descriptor)

    def tell(self, running: Running) -> None:
        """Write down how the parts fare. Raises OSError."""
        write_private(self._folder / f"{self._name}.json", msgspec.json.encode(running))

    def release(self) -> None:
        """Let go of all locks. Safe to call twice."""
        if self._locks:
            with contextlib.suppress(OSError):
                (self._folder / f"{self._name}.json").unlink(missing_ok=True)
        while self._locks:
            os.close(self._locks.pop())


def running(folder: Path) -> dict[str, Running]:
    """What runs from this folder on this machine, by the name of the process's first lock."""
    found = {}
    for lock in sorted((folder / "run").glob("*.lock")):
        if _is_held(lock):
            with contextlib.suppress(OSError, msgspec.DecodeError):
                found[lock.stem] = msgspec.json.decode(lock.with_suffix(".json").read_bytes(), type=Running)
    return found


def _is_held(lock: Path) -> bool:
    try:
        descriptor = os.open(lock, os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False
