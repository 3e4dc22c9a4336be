"""A journal file from what a station sent of it: meta, the framed bytes of its blocks, the seal.

The file is as the station had it: the same rows with the same checksums, gaps, blocks, seal, tables and triggers.
Bytes that do not hash to what their block says, or do not follow from the block before, are refused.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from lineset.journal import durable, schema
from lineset.journal.block import Block, FramingError, frame_row, genesis, hash_of, read_framed
from lineset.journal.errors import ExistingFileError, JournalError, RowError, from_os, from_sqlite
from lineset.journal.reader import row_crc
from lineset.journal.row import MAX_BODY, Gap, Row, check_kind
from lineset.journal.seal import Seal

_I64 = 2**63


class ChainError(ValueError):
    """A block or seal that does not follow from what came before it. `block` is its number, 0 for meta or seal."""

    def __init__(self, block: int, text: str) -> None:
        self.block = block
        super().__init__(text)


class RebuildError(JournalError):
    """What was sent does not make up a journal. `block` is the number of the block at fault, 0 for meta or seal."""

    def __init__(self, path: Path, error: ChainError) -> None:
        self.block = error.block
        super().__init__(path, f"no journal can be made of it: {error}", "See what the audit says of these blocks")


class Chain:
    """Holds blocks against each other in order, from the meta record on. Needs no file.

    `head` is the hash so far, `last` the last seq, `blocks`, `rows` and `gaps` count what was taken.
    """

    def __init__(self, meta: Mapping[str, str]) -> None:
        """Raises ChainError when `meta` does not say where the journal begins."""
        first = meta.get("first", "")
        if not (first.isascii() and first.isdigit() and 0 < int(first) < _I64):
            raise ChainError(0, f"the meta record names {first!r} as its first row")
        if meta.get("format") != str(schema.FORMAT):
            raise ChainError(0, f"the meta record is of format {meta.get('format')!r}, known is {schema.FORMAT}")
        self.genesis = self.head = genesis(meta)
        self.first = int(first)
        self.last = self.first - 1
        self.blocks = self.rows = self.gaps = 0

    def take(self, block: Block, data: bytes) -> list[Row | Gap]:
        """The rows and gaps of the next block, whose framed bytes are `data`. Raises ChainError, and takes nothing."""
        n = block.n
        if n != self.blocks + 1:
            raise ChainError(n, f"block {n} where block {self.blocks + 1} was due")
        if block.previous != self.head:
            raise ChainError(n, f"block {n} does not follow from the one before it")
        try:
            if hash_of(block, data) != block.hash:
                raise ChainError(n, f"the bytes of block {n} are not what was hashed")
            items = read_framed(data)
        except FramingError as error:
            raise ChainError(n, f"block {n} cannot be read: {error}") from error
        # a hash proves nothing of sense: whoever made the block can have put anything into it
        last, rows, t = self.last, 0, 0
        kinds = set[str]()  # those that were looked at
        for item in items:
            first = item.seq if isinstance(item, Row) else item.first
            if first != last + 1:
                raise ChainError(n, f"block {n}: row {first} where row {last + 1} was due")
            t = item.t
            if isinstance(item, Row):
                last, rows = first, rows + 1
                if item.kind not in kinds or len(item.body) > MAX_BODY:
                    self._check_row(n, item)
                    kinds.add(item.kind)
            else:
                last = item.last
            if not first <= last < _I64 or not -_I64 <= t < _I64:
                raise ChainError(n, f"block {n}: a row or gap from {first} to {last} at {t}")
        if not items:
            raise ChainError(n, f"block {n} holds nothing")
        begins = self.last + 1
        gaps = len(items) - rows
        if (begins, last, rows, gaps, t) != (block.first, block.last, block.rows, block.gaps, block.t):
            raise ChainError(n, f"block {n} holds rows {begins} to {last}, and says otherwise")
        self.head, self.last, self.blocks = block.hash, last, n
        self.rows, self.gaps = self.rows + rows, self.gaps + gaps
        return items

    @staticmethod
    def _check_row(n: int, row: Row) -> None:
        try:
            check_kind(row.kind)
        except RowError as error:
            raise ChainError(n, f"block {n}, row {row.seq}: {error}") from error
        if len(row.body) > MAX_BODY:
            raise ChainError(n, f"block {n}, row {row.seq}: a body of {len(row.body)} bytes")

    def check_seal(self, seal: Seal) -> None:
        """Raises ChainError unless the seal is of all that was taken, and signed by the key that it names."""
        here = (self.blocks, self.rows, self.gaps, self.first, self.last, self.head)
        if here != (seal.blocks, seal.rows, seal.gaps, seal.first, seal.last, seal.head):
            raise ChainError(
                0,
                f"the seal is of {seal.blocks} blocks up to row {seal.last}, here are {self.blocks} up to {self.last}"
                + ("" if seal.head == self.head else ", and its hash is another one"),
            )
        if not seal.signed_by_its_key(self.genesis):
            raise ChainError(0, "the signature of the seal is wrong")


class Rebuilding:
    """A journal file in the making; it has its name only when `finish` was called. Use as a context manager."""

    def __init__(self, path: Path, meta: Mapping[str, str], *, durably: bool = True) -> None:
        """Raises RebuildError, ExistingFileError, MissingFileError (no such folder) or CannotWriteError.

        Not `durably`: for a file that is looked at and thrown away; nothing waits for the disk.
        """
        self.path, self._durably = path, durably
        self._scrap = path.with_name(f".{path.name}.{os.getpid()}.rebuilding")
        if path.exists():
            raise ExistingFileError(path, "a file of this name is already there", "Choose another name")
        try:
            self.chain = Chain(meta)
        except ChainError as error:
            raise RebuildError(path, error) from error
        with self._saying():
            path.parent.stat()
            self._scrap.unlink(missing_ok=True)
            self._db = sqlite3.connect(self._scrap, isolation_level=None)
            # whatever goes wrong, the scrap is thrown away: no log is needed, and one sync at the end is enough
            self._db.execute("PRAGMA journal_mode = OFF").fetchall()
            self._db.execute("PRAGMA synchronous = OFF")
            self._db.execute("BEGIN")
            schema.make_tables(self._db)
            self._db.executemany("INSERT INTO meta VALUES (?, ?)", sorted(meta.items()))

    def add(self, block: Block, data: bytes) -> None:
        """Put in the next block, whose framed bytes are `data`. Raises RebuildError."""
        try:
            items = self.chain.take(block, data)
        except ChainError as error:
            raise RebuildError(self.path, error) from error
        rows = [item for item in items if isinstance(item, Row)]
        with self._saying():
            self._db.executemany(
                "INSERT INTO rows VALUES (?, ?, ?, ?, ?)",
                ((row.seq, row.t, row.kind, row.body, row_crc(frame_row(row))) for row in rows),
            )
            if len(rows) < len(items):
                gaps = (item for item in items if isinstance(item, Gap))
                self._db.executemany(
                    "INSERT INTO gaps VALUES (?, ?, ?, ?)", ((gap.first, gap.last, gap.t, gap.reason) for gap in gaps)
                )
            b = block
            self._db.execute(
                "INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (b.n, b.first, b.last, b.rows, b.gaps, b.t, b.previous, b.hash),
            )

    def finish(self, seal: Seal | None = None) -> None:
        """Put in the seal, where there is one, and give the file its name.

        Raises RebuildError unless the seal is of all blocks that were added, MissingFileError, CannotWriteError ...
        """
        if seal is not None:
            try:
                self.chain.check_seal(seal)
            except ChainError as error:
                raise RebuildError(self.path, error) from error
        with self._saying():
            if seal is not None:
                self._db.execute(
                    "INSERT INTO seal VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        *(seal.blocks, seal.rows, seal.gaps, seal.first, seal.last, seal.t),
                        *(seal.head, seal.public_key, seal.signature),
                    ),
                )
            schema.make_triggers(self._db)
            self._db.execute("COMMIT")
            self._db.close()
            if self._durably:
                durable.sync_file(self._scrap)
            # unlike a rename a link never replaces what somebody else put there meanwhile
            os.link(self._scrap, self.path)
            self._scrap.unlink()
            if self._durably:
                durable.sync_folder(self.path.parent)

    def abandon(self) -> None:
        """Throw away what was made so far; safe to call at any time, also after `finish`."""
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        with contextlib.suppress(OSError):
            self._scrap.unlink(missing_ok=True)

    @contextlib.contextmanager
    def _saying(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise from_sqlite(error, self.path) from error
        except OSError as error:
            raise from_os(error, self.path) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.abandon()


def rebuild(
    path: Path,
    meta: Mapping[str, str],
    blocks: Iterable[tuple[Block, bytes]],
    seal: Seal | None = None,
    *,
    durably: bool = True,
) -> None:
    """Make the journal file at `path` from meta, blocks with their framed bytes in order, and the seal if there is one.

    Raises RebuildError (bytes that do not hash, do not follow, or a seal of something else), ExistingFileError,
    MissingFileError, PermissionDeniedError or CannotWriteError; then there is no file.
    """
    with Rebuilding(path, meta, durably=durably) as made:
        for block, data in blocks:
            made.add(block, data)
        made.finish(seal)
