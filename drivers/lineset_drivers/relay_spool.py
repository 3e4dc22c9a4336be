"""What a relay keeps until the station has stored it: every frame, in order, in one SQLite file.

Frames are handed on at once and made durable every `COMMIT_S`, which is kind to a memory card: power lost in the attic
costs at most what came since then and was not handed on. Numbers only grow; a restart leaves out more of them than
could have been given and not made durable, so that none means two frames.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import msgspec

from .errors import DriverError
from .protocols.relay import Dropped, Spooled

COMMIT_S = 0.5
SKIP = 100_000  # numbers that a restart leaves out
_APPLICATION = 0x6C73_5250
_encoder = msgspec.msgpack.Encoder()
_decoder: msgspec.msgpack.Decoder[Spooled | Dropped] = msgspec.msgpack.Decoder(Spooled | Dropped)


class SpoolError(DriverError):
    """The spool cannot be read or written; says what and where."""


class Spool:
    """The file. `add` gives a frame its number; `commit` makes it durable; `after` reads; `forget` makes room."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._db = sqlite3.connect(path, isolation_level=None)
            found = self._db.execute("PRAGMA application_id").fetchone()[0]
            if found not in (0, _APPLICATION):
                raise SpoolError(f"{path}: this is no relay's spool; name another file")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute(f"PRAGMA application_id = {_APPLICATION}")
            # AUTOINCREMENT: a number is never given twice, also when all rows are gone
            self._db.execute(
                "CREATE TABLE IF NOT EXISTS spool (seq INTEGER PRIMARY KEY AUTOINCREMENT, body BLOB NOT NULL)"
            )
        except (OSError, sqlite3.Error) as error:
            raise SpoolError(f"{path}: {error}; check the folder, its rights and the disk") from error
        row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'spool'").fetchone()
        self.last = int(row[0]) + SKIP if row else 0
        self.committed = self.last
        self._open = False

    def add(self, message: Spooled | Dropped) -> int:
        """Keep a message under the next number (its own `seq` is replaced). Raises SpoolError."""
        try:
            if not self._open:
                self._db.execute("BEGIN IMMEDIATE")
                self._open = True
            number = self.last + 1
            body = _encoder.encode(msgspec.structs.replace(message, seq=number))
            self._db.execute("INSERT INTO spool (seq, body) VALUES (?, ?)", (number, body))
        except sqlite3.Error as error:
            raise SpoolError(f"{self.path}: {error}; is the disk full?") from error
        self.last = number
        return number

    def commit(self) -> None:
        """Make durable what was added. Raises SpoolError; then it is tried again with the next."""
        if self._open:
            try:
                self._db.execute("COMMIT")
            except sqlite3.Error as error:
                raise SpoolError(f"{self.path}: {error}; is the disk full?") from error
            self._open = False
        self.committed = self.last

    def after(self, seq: int, most: int = 500) -> Iterator[Spooled | Dropped]:
        """Messages with numbers above `seq`, in order."""
        query = "SELECT body FROM spool WHERE seq > ? ORDER BY seq LIMIT ?"
        rows = self._db.execute(query, (seq, most)).fetchall()
        for (body,) in rows:
            yield _decoder.decode(body)

    def forget(self, through: int) -> None:
        """The station has stored everything up to this number."""
        self._db.execute("DELETE FROM spool WHERE seq <= ?", (through,))

    @property
    def waiting(self) -> int:
        """How many messages are kept."""
        return int(self._db.execute("SELECT count(*) FROM spool").fetchone()[0])

    @property
    def first(self) -> int:
        """The lowest number kept; `last + 1` when there is none."""
        row = self._db.execute("SELECT min(seq) FROM spool").fetchone()
        return int(row[0]) if row and row[0] is not None else self.last + 1

    def close(self) -> None:
        """Commit and close. Safe to call twice."""
        try:
            self.commit()
        finally:
            self._db.close()
