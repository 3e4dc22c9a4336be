"""How far each destination has been sent each journal: rows are immutable, so the marker lives beside them.

A marker may lag behind after a crash, never lead: the receiver sees rows again, with the same seq and content,
and none is left out. A lost or damaged file therefore only means sending again from the start.
"""

from __future__ import annotations

import contextlib
import hashlib
import threading
from pathlib import Path

import msgspec
import structlog

from lineset.journal import durable
from lineset.journal.errors import from_os

_log = structlog.get_logger(__name__)


class _Content(msgspec.Struct):
    version: int
    through: dict[str, dict[str, int]]


class Outbox:
    """The markers kept in the file at `path`; one process only, which holds a `WriterLock` on it from before it reads.

    `advance` is quick, `flush` is durable and slow.
    """

    def __init__(self, path: Path, *, look_only: bool = False) -> None:
        """`look_only`: a damaged file stays where it is.

        Raises PermissionDeniedError and other JournalErrors when the file is there and cannot be read.
        """
        self.path = path
        self._lock = threading.Lock()
        self._flushing = threading.Lock()
        self._changed = False
        self._through = self._read(look_only)

    def _read(self, look_only: bool) -> dict[str, dict[str, int]]:
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise from_os(error, self.path) from error
        digest, _, text = content.partition(b"\n")
        with contextlib.suppress(msgspec.MsgspecError):
            if digest == hashlib.sha256(text).hexdigest().encode():
                found = msgspec.json.decode(text, type=_Content)
                if found.version == 1:
                    return found.through
        if look_only:
            return {}
        aside = self.path.with_name(f"{self.path.name}.damaged")
        _log.error("outbox markers damaged, everything is sent again", path=str(self.path), kept=str(aside))
        try:
            self.path.replace(aside)
        except OSError as error:
            raise from_os(error, self.path) from error
        return {}

    def through(self, destination: str, journal: str) -> int:
        """The seq up to which `destination` has all of the journal with this id; 0 when nothing."""
        return self._through.get(destination, {}).get(journal, 0)

    def advance(self, destination: str, journal: str, seq: int) -> bool:
        """Note that `destination` has all up to `seq`. False, and no change, when that is no progress."""
        with self._lock:
            markers = self._through.setdefault(destination, {})
            if seq <= markers.get(journal, 0):
                return False
            markers[journal] = seq
            self._changed = True
            return True

    def drop(self, destination: str, journal: str) -> bool:
        """Note that `destination` has nothing of the journal any more; False when nothing was noted."""
        with self._lock:
            dropped = self._through.get(destination, {}).pop(journal, None) is not None
            self._changed |= dropped
            return dropped

    def journals(self, destination: str) -> frozenset[str]:
        """Ids of the journals of which `destination` has something."""
        with self._lock:
            return frozenset(self._through.get(destination, ()))

    def forget(self, journal: str) -> None:
        """Drop the markers of a journal that is no more."""
        with self._lock:
            for markers in self._through.values():
                self._changed |= markers.pop(journal, None) is not None

    def flush(self) -> None:
        """Make the markers durable. Waits for the disk: call it in a thread, once a second. Raises JournalError."""
        with self._flushing:
            with self._lock:
                if not self._changed:
                    return
                text = msgspec.json.encode(_Content(1, self._through), order="deterministic")
                self._changed = False
            try:
                durable.write_atomically(self.path, hashlib.sha256(text).hexdigest().encode() + b"\n" + text)
            except OSError as error:
                with self._lock:
                    self._changed = True
                raise from_os(error, self.path) from error
