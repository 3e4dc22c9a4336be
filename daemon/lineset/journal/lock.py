"""One writer a file: a lock on a file beside it, freed by the system when the process ends, however it ends."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path

from lineset.journal.errors import LockedFileError, from_os


class WriterLock:
    """Held from construction to `release()`. Raises LockedFileError when another holds it, or a JournalError."""

    # a file of its own: closing any descriptor of the database would drop SQLite's own locks on it
    def __init__(self, journal: Path, *, what: str = "journal") -> None:
        self.path = journal.with_name(f"{journal.name}-lock")
        try:
            self._descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise from_os(error, self.path) from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(self._descriptor, 32).decode("ascii", "replace").strip() or "not known"
            os.close(self._descriptor)
            raise LockedFileError(
                journal, f"another process (number {holder}) is writing this {what}", "End it first, or wait"
            ) from error
        except OSError as error:
            os.close(self._descriptor)
            raise from_os(error, self.path) from error
        # the number is a courtesy to whoever is refused; the lock holds on a full disk too
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    @property
    def released(self) -> bool:
        return self._descriptor < 0

    def release(self, *, for_good: bool = False) -> None:
        """Let another process write. Safe to call twice. `for_good`: nobody will ever write, so the file can go."""
        if self._descriptor >= 0:
            if for_good:
                with contextlib.suppress(OSError):
                    self.path.unlink()
            os.close(self._descriptor)
            self._descriptor = -1
