"""Reading a journal file, also while its writer is at work, and without changing it."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import stat
import tempfile
import zlib
from collections.abc import Collection, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import quote

from lineset.journal import schema
from lineset.journal.block import Block, frame_row, genesis
from lineset.journal.errors import (
    DamagedFileError,
    JournalError,
    MissingFileError,
    NewerFormatError,
    PermissionDeniedError,
    WrongFormatError,
    from_os,
    from_sqlite,
)
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal

_CHUNK = 1000


def row_crc(framed: bytes) -> int:
    """The checksum kept beside each row: tells which row of a block is altered, and guards the rows of no block yet."""
    return zlib.crc32(framed)


def uri_path(path: Path) -> str:
    """The path as SQLite's `file:` URIs want it."""
    return quote(str(path.absolute()))


def look_at(path: Path, access: int) -> None:
    """Raises MissingFileError, WrongFormatError (a folder) or PermissionDeniedError unless `path` may be opened so.

    Looks without opening: closing any descriptor of a database drops all locks that SQLite holds on it in this
    process (https://www.sqlite.org/howtocorrupt.html, 2.2), and the journal may have its writer here.
    """
    try:
        mode = path.stat().st_mode
    except FileNotFoundError as error:
        raise MissingFileError(path, "there is no such journal", "Check the path") from error
    except OSError as error:
        raise from_os(error, path) from error
    if stat.S_ISDIR(mode):
        raise WrongFormatError(path, "this is a folder, not a journal", "Name a journal file")
    if not os.access(path, access):
        raise PermissionDeniedError(path, "permission denied", "Give this user the right to read and write it")


def _altered(path: Path, seq: int) -> DamagedFileError:
    return DamagedFileError(path, f"row {seq} is not as it was written", "Run the audit to see what else is wrong")


class Reading:
    """What can be asked of an open journal. Raises DamagedFileError (or another JournalError) as it reads."""

    path: Path
    meta: dict[str, str]
    _db: sqlite3.Connection

    @contextlib.contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        try:
            yield self._db
        except sqlite3.Error as error:
            raise from_sqlite(error, self.path) from error
        except UnicodeDecodeError as error:
            # the sqlite3 module raises this when the message of an error quotes a damaged schema
            raise DamagedFileError(self.path, "the file is damaged", "Keep it for the audit") from error

    def _recognise(self) -> None:
        """Fill `meta`. Raises WrongFormatError, NewerFormatError or DamagedFileError."""
        with self._asking() as db:
            application = db.execute("PRAGMA application_id").fetchone()[0]
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if application != schema.APPLICATION_ID:
                raise WrongFormatError(
                    self.path, "this is not a lineset journal, or its first bytes are damaged", "Name a journal file"
                )
            if version > schema.FORMAT:
                raise NewerFormatError(
                    self.path,
                    f"the journal has format {version}, this program knows up to {schema.FORMAT}",
                    "Update lineset",
                )
            self.meta = {str(key): str(value) for key, value in db.execute("SELECT key, value FROM meta")}
        first = self.meta.get("first", "")
        numbered = first.isascii() and first.isdigit() and len(first) < 20 and 0 < int(first) < 2**63
        if self.meta.get("format") != str(version) or not numbered or not self.meta.get("id"):
            raise DamagedFileError(self.path, "the meta record is incomplete", "Keep the file for the audit")

    @property
    def identity(self) -> str:
        """32 hex digits that name this journal, given when it was made."""
        return self.meta["id"]

    @property
    def first_seq(self) -> int:
        """The seq of the first row that this file takes."""
        return int(self.meta["first"])

    @property
    def genesis(self) -> bytes:
        """The hash that the first block starts from."""
        return genesis(self.meta)

    def last_seq(self) -> int:
        """The highest committed seq, gaps included; `first_seq - 1` when the file is empty."""
        with self._asking() as db:
            row, gap = db.execute("SELECT (SELECT max(seq) FROM rows), (SELECT max(last) FROM gaps)").fetchone()
        return max(row or 0, gap or 0) or self.first_seq - 1

    def last_t(self) -> int:
        """Visit time of the last row, ns; 0 when the file is empty."""
        with self._asking() as db:
            found = db.execute("SELECT t FROM rows ORDER BY seq DESC LIMIT 1").fetchone()
        return int(found[0]) if found else 0

    def row_count(self) -> int:
        """How many rows are stored."""
        with self._asking() as db:
            return int(db.execute("SELECT count(*) FROM rows").fetchone()[0])

    def rows(self, from_seq: int = 1, kinds: Collection[str] | None = None) -> Iterator[Row]:
        """Rows from `from_seq` on in order, of the given kinds (all when None).

        Goes in short reads, so that a slow consumer does not hold up the writer's log; rows committed
        meanwhile are given too. Raises DamagedFileError at a row whose checksum does not match.
        """
        for row, crc in self.stored_rows(from_seq, kinds):
            if row_crc(frame_row(row)) != crc:
                raise _altered(self.path, row.seq)
            yield row

    def stored_rows(self, from_seq: int = 1, kinds: Collection[str] | None = None) -> Iterator[tuple[Row, int]]:
        """As `rows`, with the stored checksum, which is not compared."""
        where = ""
        wanted: tuple[str, ...] = ()
        if kinds is not None:
            wanted = tuple(sorted(kinds))
            where = f"AND kind IN ({','.join('?' * len(wanted))}) "
        query = f"SELECT seq, t, kind, body, crc FROM rows WHERE seq >= ? {where}ORDER BY seq LIMIT {_CHUNK}"
        while True:
            with self._asking() as db:
                found = db.execute(query, (from_seq, *wanted)).fetchall()
            for seq, t, kind, body, crc in found:
                yield Row(seq, t, kind, body), crc
            if len(found) < _CHUNK:
                return
            if found[-1][0] < from_seq:  # damage can lead a search in circles
                raise DamagedFileError(self.path, "its rows are in disorder", "Keep the file for the audit")
            from_seq = found[-1][0] + 1

    def gaps(self, from_seq: int = 1) -> list[Gap]:
        """The recorded gaps that end at `from_seq` or later."""
        query = "SELECT first, last, t, reason FROM gaps WHERE last >= ? ORDER BY first"
        with self._asking() as db:
            return [Gap(*found) for found in db.execute(query, (from_seq,))]

    def blocks(self, from_n: int = 1) -> list[Block]:
        """The closed blocks from number `from_n` on."""
        query = "SELECT n, first, last, rows, gaps, t, previous, hash FROM blocks WHERE n >= ? ORDER BY n"
        with self._asking() as db:
            return [Block(*found) for found in db.execute(query, (from_n,))]

    def block(self, n: int) -> Block | None:
        """The closed block of number `n`."""
        query = "SELECT n, first, last, rows, gaps, t, previous, hash FROM blocks WHERE n = ?"
        with self._asking() as db:
            found = db.execute(query, (n,)).fetchone()
        return Block(*found) if found else None

    def blocks_after(self, seq: int) -> int:
        """How many closed blocks end behind `seq`."""
        with self._asking() as db:
            return int(db.execute("SELECT count(*) FROM blocks WHERE last > ?", (seq,)).fetchone()[0])

    def items_of(self, block: Block) -> list[Row | Gap]:
        """The rows and gaps of a block, in order. Raises DamagedFileError at a row whose checksum does not match."""
        found: list[tuple[int, Row | Gap]] = [
            (gap.first, gap) for gap in self.gaps(block.first) if gap.last <= block.last
        ]
        query = "SELECT seq, t, kind, body, crc FROM rows WHERE seq BETWEEN ? AND ?"
        with self._asking() as db:
            for seq, t, kind, body, crc in db.execute(query, (block.first, block.last)):
                row = Row(seq, t, kind, body)
                if row_crc(frame_row(row)) != crc:
                    raise _altered(self.path, seq)
                found.append((seq, row))
        return [item for _, item in sorted(found, key=lambda each: each[0])]

    def last_block(self) -> Block | None:
        """The newest closed block."""
        query = "SELECT n, first, last, rows, gaps, t, previous, hash FROM blocks ORDER BY n DESC LIMIT 1"
        with self._asking() as db:
            found = db.execute(query).fetchone()
        return Block(*found) if found else None

    def seal(self) -> Seal | None:
        """The seal of a closed journal; None while it is open."""
        query = "SELECT blocks, rows, gaps, first, last, t, head, public_key, signature FROM seal"
        with self._asking() as db:
            found = db.execute(query).fetchone()
        return Seal(*found) if found else None

    @contextlib.contextmanager
    def still(self) -> Iterator[None]:
        """All that is read inside belongs to one moment, though the writer goes on."""
        with self._asking() as db:
            db.execute("BEGIN")
            # the moment is that of the first read, not of BEGIN
            db.execute("SELECT 1 FROM meta").fetchone()
        try:
            yield
        finally:
            # after an error of SQLite the transaction may be over already
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")

    def stored_schema(self) -> set[str]:
        """The statements of the file's tables and triggers, for the audit."""
        with self._asking() as db:
            return schema.stored(db)

    def structure_problems(self) -> list[str]:
        """What SQLite itself finds wrong with the file; at most ten."""
        with self._asking() as db:
            answers = [str(answer) for (answer,) in db.execute("PRAGMA integrity_check(10)")]
        return [] if answers == ["ok"] else answers


class JournalReader(Reading):
    """A journal opened for reading only. Use as a context manager.

    Raises MissingFileError, WrongFormatError, NewerFormatError, DamagedFileError or PermissionDeniedError.
    """

    def __init__(self, path: Path, *, lenient: bool = False) -> None:
        """`lenient`: text that is not UTF-8 comes with surrogates instead of ending the reading."""
        self.path, self._lenient = path, lenient
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        look_at(path, os.R_OK)
        self._db = self._connect(path)
        try:
            try:
                self._recognise()
            except JournalError as error:
                cause = error.__cause__
                # errors of the sqlite3 module's own, such as text that is not UTF-8, have no code
                if getattr(cause, "sqlite_errorcode", 0) & 0xFF not in (
                    sqlite3.SQLITE_CANTOPEN,
                    sqlite3.SQLITE_READONLY,
                ):
                    raise
                # a folder that cannot be written: SQLite cannot put its shared index beside the write-ahead log
                self._db.close()
                self._db = self._connect_copy()
                self._recognise()
        except BaseException:
            self.close()
            raise

    def _connect(self, path: Path) -> sqlite3.Connection:
        db = sqlite3.connect(
            f"file:{uri_path(path)}?mode=ro", uri=True, isolation_level=None, check_same_thread=False, timeout=5.0
        )
        if self._lenient:
            db.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
        db.execute("PRAGMA trusted_schema = OFF")
        db.execute("PRAGMA query_only = ON")
        return db

    def _connect_copy(self) -> sqlite3.Connection:
        self._copy = tempfile.TemporaryDirectory(prefix="lineset-journal-")
        place = Path(self._copy.name) / self.path.name
        try:
            shutil.copyfile(self.path, place)
            log = self.path.with_name(self.path.name + "-wal")
            if log.exists():
                shutil.copyfile(log, place.with_name(place.name + "-wal"))
        except OSError as error:
            raise from_os(error, self.path) from error
        return self._connect(place)

    def close(self) -> None:
        """Safe to call twice."""
        self._db.close()
        if self._copy is not None:
            self._copy.cleanup()
            self._copy = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
