"""One journal file, opened for writing by one process: make, continue, append, seal."""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from lineset.journal import crash, durable, schema
from lineset.journal.block import Block, BlockRule, OpenBlock, frame_row
from lineset.journal.errors import (
    DamagedFileError,
    ExistingFileError,
    JournalError,
    MissingFileError,
    RowError,
    SealedFileError,
    from_os,
    from_sqlite,
)
from lineset.journal.lock import WriterLock
from lineset.journal.reader import Reading, look_at, row_crc, uri_path
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal, StationKey

CHECKPOINT_PAGES = 1000
_OWN_META = frozenset({"format", "id", "first", "created"})


class JournalFile(Reading):
    """The writing end of a journal. Not for two threads at once; `Writer` gives it a thread.

    `last` is the highest committed seq. Rows and gaps go in with `append`, which commits and syncs.
    """

    def __init__(self, path: Path, rule: BlockRule, checkpoint_pages: int, lock: WriterLock) -> None:
        """Use `create` or `open`."""
        self.path, self.rule = path, rule
        self._checkpoint_pages, self._lock = checkpoint_pages, lock
        self._db = self._connect()
        try:
            self._continue()
        except BaseException:
            self._db.close()
            raise

    @classmethod
    def create(
        cls,
        path: Path,
        *,
        first: int = 1,
        meta: Mapping[str, str] | None = None,
        rule: BlockRule | None = None,
        checkpoint_pages: int = CHECKPOINT_PAGES,
    ) -> JournalFile:
        """Make a journal whose first row will be `first`. `meta` is bound into the hash chain.

        Raises ExistingFileError, MissingFileError (no such folder), LockedFileError, PermissionDeniedError or
        CannotWriteError. Until the file is whole it has another name, so a crash leaves no half-made journal.
        """
        for key in meta or {}:
            if key in _OWN_META:
                raise ValueError(f"the meta key {key!r} is the journal's own")
        if first < 1:
            raise RowError(f"the first row's seq is 1 or more, not {first}")
        lock = WriterLock(path)
        scrap = path.with_name(f".{path.name}.making")
        try:
            if path.exists():
                raise ExistingFileError(path, "a journal of this name is already there", "Open it, or choose another")
            _remove(scrap)
            record = {
                **(meta or {}),
                "format": str(schema.FORMAT),
                "id": secrets.token_hex(16),
                "first": str(first),
                "created": str(time.time_ns()),
            }
            db = sqlite3.connect(scrap, isolation_level=None)
            try:
                schema.set_up_writing(db, str(path), checkpoint_pages)
                db.execute("BEGIN IMMEDIATE")
                schema.make(db)
                db.executemany("INSERT INTO meta VALUES (?, ?)", sorted(record.items()))
                db.execute("COMMIT")
                db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                db.close()
            crash.point("file_made")
            durable.sync_file(scrap)
            os.rename(scrap, path)
            durable.sync_folder(path.parent)
            crash.point("file_named")
            return cls(path, rule or BlockRule(), checkpoint_pages, lock)
        except BaseException as error:
            lock.release()
            with contextlib.suppress(OSError):
                _remove(scrap)
            if isinstance(error, sqlite3.Error):
                raise from_sqlite(error, path) from error
            if isinstance(error, OSError):
                raise from_os(error, path) from error
            raise

    @classmethod
    def open(
        cls, path: Path, *, rule: BlockRule | None = None, checkpoint_pages: int = CHECKPOINT_PAGES
    ) -> JournalFile:
        """Open an existing journal to go on after its last committed row.

        Raises MissingFileError, WrongFormatError, NewerFormatError, DamagedFileError, SealedFileError,
        LockedFileError, PermissionDeniedError or CannotWriteError.
        """
        look_at(path, os.R_OK | os.W_OK)
        lock = WriterLock(path)
        try:
            return cls(path, rule or BlockRule(), checkpoint_pages, lock)
        except BaseException as error:
            lock.release(for_good=isinstance(error, SealedFileError))
            raise

    def _connect(self) -> sqlite3.Connection:
        try:
            db = sqlite3.connect(
                f"file:{uri_path(self.path)}?mode=rw",
                uri=True,
                isolation_level=None,
                check_same_thread=False,
                timeout=2.0,
            )
        except sqlite3.Error as error:
            raise from_sqlite(error, self.path) from error
        return db

    def _continue(self, *, sealed_too: bool = False) -> None:
        """Take up the chain where the file's last committed row left it."""
        self._recognise()
        self._sealed = self.seal() is not None
        if self._sealed and not sealed_too:
            raise SealedFileError(self.path, "this journal is closed and sealed", "Open a new visit")
        with self._asking() as db:
            schema.set_up_writing(db, str(self.path), self._checkpoint_pages)
            # rows that a dying process left in the log may be in the system's cache only: a checkpoint syncs
            # them before anyone is told that they are committed
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self._places = {} if self._sealed else {place: _place(place) for place in (self.path, _log_of(self.path))}
        block = self.last_block()
        self._block = OpenBlock(block.n + 1, block.hash) if block else OpenBlock(1, self.genesis)
        self.last = block.last if block else self.first_seq - 1
        tail: list[Row | Gap] = [*self.rows(self.last + 1), *self.gaps(self.last + 1)]
        for item in sorted(tail, key=_first_seq):
            if _first_seq(item) != self.last + 1:
                raise DamagedFileError(
                    self.path, f"row {self.last + 1} is missing", "Keep the file for the audit and open a new visit"
                )
            if isinstance(item, Row):
                self._block.add_row(item, frame_row(item))
                self.last = item.seq
            else:
                self._block.add_gap(item)
                self.last = item.last

    def _gone(self) -> JournalError:
        remedy = "Put it back in its place; rows wait in memory meanwhile"
        return MissingFileError(self.path, "the journal was moved or deleted, or its disk is gone", remedy)

    def append(self, items: Sequence[Row | Gap]) -> None:
        """Commit rows and gaps, durably, with the blocks that they complete: all of them or none.

        Raises CannotWriteError, LockedFileError, DamagedFileError (nothing was stored, the same items may be
        tried again), or RowError when they do not follow `last`.
        """
        if not items:
            return
        if self._sealed:
            raise SealedFileError(self.path, "this journal is closed and sealed", "Open a new visit")
        block, rule, last = self._block.copy(), self.rule, self.last
        rows: list[tuple[int, int, str, bytes, int]] = []
        gaps: list[Gap] = []
        closed: list[Block] = []
        for item in items:
            if _first_seq(item) != last + 1:
                raise RowError(f"the next row has seq {last + 1}, not {_first_seq(item)}: no holes, and in order")
            if isinstance(item, Row):
                last = item.seq
                framed = frame_row(item)
                rows.append((item.seq, item.t, item.kind, item.body, row_crc(framed)))
                block.add_row(item, framed)
            else:
                last = item.last
                gaps.append(item)
                block.add_gap(item)
            if block.full(rule):
                closed.append(block.close())
                block = block.next(closed[-1])
        self._commit(rows, gaps, closed)
        self._block, self.last = block, last
        crash.point("after_commit")

    def _commit(
        self,
        rows: Sequence[tuple[int, int, str, bytes, int]],
        gaps: Sequence[Gap],
        blocks: Sequence[Block],
        seal: Seal | None = None,
    ) -> None:
        db = self._db
        # SQLite would go on writing into a file that was deleted or moved away under it
        if any(_place(path) != place for path, place in self._places.items()):
            raise self._gone()
        try:
            db.execute("BEGIN IMMEDIATE")
            crash.point("before_insert")
            db.executemany("INSERT INTO rows VALUES (?, ?, ?, ?, ?)", rows)
            if gaps:
                db.executemany("INSERT INTO gaps VALUES (?, ?, ?, ?)", ((g.first, g.last, g.t, g.reason) for g in gaps))
            crash.point("after_insert")
            if blocks:
                crash.point("before_block")
                db.executemany(
                    "INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    ((b.n, b.first, b.last, b.rows, b.gaps, b.t, b.previous, b.hash) for b in blocks),
                )
                crash.point("after_block")
            if seal is not None:
                crash.point("before_seal")
                db.execute(
                    "INSERT INTO seal VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        *(seal.blocks, seal.rows, seal.gaps, seal.first, seal.last, seal.t),
                        *(seal.head, seal.public_key, seal.signature),
                    ),
                )
                crash.point("after_seal")
            crash.point("before_commit")
            db.execute("COMMIT")
        except sqlite3.Error as error:
            # a failed COMMIT may leave the transaction open
            with contextlib.suppress(sqlite3.Error):
                db.execute("ROLLBACK")
            raise from_sqlite(error, self.path) from error

    def close_block(self) -> Block | None:
        """Close the block being filled, whatever it holds; None when it holds nothing. Raises as `append` does."""
        if self._block.empty or self._sealed:
            return None
        block = self._block.close()
        self._commit((), (), (block,))
        self._block = self._block.next(block)
        return block

    def put_seal(self, key: StationKey, t: int) -> Seal:
        """Close the last block and sign, in one transaction. The journal takes no more rows. Raises as `append`."""
        if (existing := self.seal()) is not None:
            # a sealing that seemed to fail and did not
            if existing.public_key == key.public:
                return existing
            raise SealedFileError(self.path, "this journal was sealed by another station", "Open a new visit")
        block = None if self._block.empty else self._block.close()
        with self._asking() as db:
            rows, gaps = db.execute("SELECT (SELECT count(*) FROM rows), (SELECT count(*) FROM gaps)").fetchone()
        count, head = (block.n, block.hash) if block else (self._block.n - 1, self._block.previous)
        seal = key.sign(Seal(count, rows, gaps, self.first_seq, self.last, t, head, b"", b""), self.genesis)
        self._commit((), (), (block,) if block else (), seal)
        self._sealed = True
        if block:
            self._block = self._block.next(block)
        # a sealed journal is one plain file that can be read from a medium that cannot be written; a reader
        # that is at it now only puts this off for ever, which does no harm
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("PRAGMA journal_mode = DELETE").fetchall()
        return seal

    @property
    def sealed(self) -> bool:
        """True when no more rows are taken."""
        return self._sealed

    @property
    def head(self) -> bytes:
        """The hash of the last closed block, or the genesis hash."""
        return self._block.previous

    def size(self) -> int:
        """Bytes of the database, without its write-ahead log."""
        with self._asking() as db:
            pages = int(db.execute("PRAGMA page_count").fetchone()[0])
            return pages * int(db.execute("PRAGMA page_size").fetchone()[0])

    def durability(self) -> tuple[str, int]:
        """Journal mode and `synchronous` as SQLite itself reports them: ("wal", 2) when all is well."""
        with self._asking() as db:
            mode = str(db.execute("PRAGMA journal_mode").fetchone()[0])
            return mode, int(db.execute("PRAGMA synchronous").fetchone()[0])

    def reconnect(self) -> None:
        """After a failure of the disk: a new connection and a fresh look. Raises as `open` does.

        `last` may have grown: a commit that was reported as failed can be in the log whole.
        """
        identity, last = self.identity, self.last
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        if not self.path.exists():
            raise self._gone()
        self._db = self._connect()
        self._continue(sealed_too=True)
        if self.identity != identity or self.last < last:
            raise DamagedFileError(
                self.path, f"the file is not the one that held rows up to {last}", "Put the journal back in its place"
            )

    def close(self) -> None:
        """Close the last block and the file. Safe to call twice. Raises as `append` does, and is closed even then."""
        if self._lock.released:
            return
        try:
            self.close_block()
        finally:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
            self._lock.release(for_good=self._sealed)

    def abandon(self) -> None:
        """Close the file as it is, without another write: for a disk that does not take any."""
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _first_seq(item: Row | Gap) -> int:
    return item.seq if isinstance(item, Row) else item.first


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _place(path: Path) -> tuple[int, int] | None:
    """Which file a name leads to; None when to none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _remove(path: Path) -> None:
    """Delete a database of ours with what SQLite puts beside it."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
