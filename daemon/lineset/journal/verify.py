"""What is wrong with a journal file, at which row and block. Reads only, stops at nothing it can step over.

What a file alone cannot show: that its end was cut off cleanly before it was sealed. Whoever holds a later
head hash or a receipt can.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterable, Iterator
from enum import StrEnum
from itertools import chain
from pathlib import Path

import msgspec

from lineset.journal import schema
from lineset.journal.block import Block, OpenBlock, frame_row
from lineset.journal.errors import JournalError, MissingFileError, PermissionDeniedError
from lineset.journal.reader import JournalReader, Reading, row_crc
from lineset.journal.row import Gap, Row

_MOST_EXCHANGED = 500  # with more altered rows at once, exchanged ones are not sought: that grows with the square
# what values of a type that STRICT refuses, but damage can make, raise on their way through the hash
_NONSENSE = (JournalError, TypeError, ValueError, AttributeError, OverflowError, struct.error)


class Fault(StrEnum):
    """What can be wrong with a journal."""

    MISSING = "missing"  # a row that should be there is not, and no gap is recorded
    ALTERED = "altered"  # a row, gap or block is not what was hashed
    REORDERED = "reordered"  # a row stands at another's place
    EXTRA = "extra"  # a row where none belongs
    CHAIN = "chain"  # a block does not follow from the one before
    SEAL = "seal"  # the seal does not fit the journal, or its signature is wrong
    SCHEMA = "schema"  # tables or triggers are not the journal's own
    UNREADABLE = "unreadable"  # the file is damaged below the level of rows


class Problem(msgspec.Struct, frozen=True):
    """One thing that is wrong; `seq` and `block` are 0 when it is not about one."""

    fault: Fault
    text: str
    seq: int = 0
    block: int = 0


class Verification(msgspec.Struct, frozen=True):
    """The outcome: no problems means that the journal is as it was written."""

    problems: tuple[Problem, ...]
    rows: int = 0
    blocks: int = 0
    tail: int = 0  # rows at the end that no block covers yet; guarded by their checksums only
    gaps: tuple[Gap, ...] = ()
    first: int = 0
    last: int = 0
    head: bytes = b""
    sealed: bool = False
    public_key: bytes = b""
    hashes: tuple[bytes, ...] = ()  # of the blocks as stored, in order

    @property
    def ok(self) -> bool:
        return not self.problems


def verify(path: Path, *, public_key: bytes | None = None) -> Verification:
    """Examine the journal at `path`; with `public_key` (32 bytes) also whether that station sealed it.

    A file that is no readable journal gives one problem of fault `unreadable`; MissingFileError and
    PermissionDeniedError are raised by `JournalReader` and pass through, for then nothing was looked at.
    """
    try:
        with JournalReader(path, lenient=True) as reader, reader.still():
            return examine(reader, public_key)
    except (MissingFileError, PermissionDeniedError):
        raise
    except JournalError as error:
        return Verification((Problem(Fault.UNREADABLE, str(error)),))


_Item = tuple[Row | Gap, int, bytes]  # with a row's stored checksum, and the bytes of it that are hashed


def examine(reader: Reading, public_key: bytes | None = None) -> Verification:
    """As `verify`, of a journal that is open already; best inside `still()`. Each row is read once."""
    return _Examination(reader, public_key).outcome()


class _Examination:
    def __init__(self, reader: Reading, public_key: bytes | None) -> None:
        self._reader, self._wanted_key = reader, public_key
        self._problems: list[Problem] = []
        self._rows = self._tail = 0
        self._last = reader.first_seq - 1

    def outcome(self) -> Verification:
        reader = self._reader
        blocks: list[Block] = []
        gaps: list[Gap] = []
        head = reader.genesis
        try:
            for text in reader.structure_problems():
                self._found(Fault.UNREADABLE, text)
            self._check_schema()
            self._check_beside()
            # whatever their numbers: what nobody reads can still be there
            blocks, gaps = reader.blocks(-(2**63)), reader.gaps(-(2**63))
            head = self._check_blocks(blocks, gaps)
        except _NONSENSE as error:
            self._found(Fault.UNREADABLE, f"reading stopped after row {self._last}: {error}", seq=self._last + 1)
        sealed, key = False, b""
        try:
            sealed, key = self._check_seal(blocks, gaps, head)
        except _NONSENSE as error:
            self._found(Fault.SEAL, f"the seal cannot be read: {error}")
        return Verification(
            tuple(self._problems),
            rows=self._rows,
            blocks=len(blocks),
            tail=self._tail,
            gaps=tuple(gaps),
            first=reader.first_seq,
            last=self._last,
            head=head,
            sealed=sealed,
            public_key=key,
            hashes=tuple(block.hash for block in blocks),
        )

    def _found(self, fault: Fault, text: str, *, seq: int = 0, block: int = 0) -> None:
        self._problems.append(Problem(fault, text, seq, block))

    def _check_schema(self) -> None:
        stored = self._reader.stored_schema()
        for statement in sorted(schema.expected() - stored):
            self._found(Fault.SCHEMA, f"lacks: {statement}")
        for statement in sorted(stored - schema.expected()):
            self._found(Fault.SCHEMA, f"has what is not ours: {statement}")

    def _check_beside(self) -> None:
        """A rollback journal: who opens the file for writing next puts its pages back into it. Ours is a log.

        One whose header is still zero puts nothing back (SQLite, "Database File Format", 3: it is valid by its magic),
        and a program that is killed while it seals may leave one: SQLite fills the header in after the pages.
        """
        beside = self._reader.path.with_name(f"{self._reader.path.name}-journal")
        try:
            found = beside.lstat()
            there = found.st_size > 0
            if stat.S_ISREG(found.st_mode):
                with beside.open("rb") as file:
                    there = file.read(1) not in (b"", b"\0")
        except OSError:
            return
        if there:
            text = f"beside it lies {beside.name}, which this program never makes: opened for writing it may change"
            self._found(Fault.UNREADABLE, text)

    def _items(self, gaps: list[Gap]) -> Iterator[_Item]:
        """Rows with their checksums, and gaps, in order of seq."""
        waiting = list(reversed(gaps))
        for row, crc in self._reader.stored_rows(-(2**63)):
            while waiting and waiting[-1].first <= row.seq:
                yield waiting.pop(), 0, b""
            yield row, crc, _framed(row)
        while waiting:
            yield waiting.pop(), 0, b""

    def _check_blocks(self, blocks: list[Block], gaps: list[Gap]) -> bytes:
        """Walk rows and blocks side by side. Returns the hash of the last block."""
        items = self._items(gaps)
        item = next(items, None)
        previous, expected_n = self._reader.genesis, 1
        for block in blocks:
            if block.n < 1:
                self._found(Fault.EXTRA, f"a block with the number {block.n}", block=block.n)
                continue
            if block.n != expected_n:
                self._found(Fault.CHAIN, f"block {expected_n} is missing before block {block.n}", block=block.n)
            if block.previous != previous:
                self._found(Fault.CHAIN, f"block {block.n} does not follow from the one before", block=block.n)
            if block.first != self._last + 1:
                text = f"block {block.n} begins at row {block.first}, {self._last + 1} was due"
                self._found(Fault.CHAIN, text, block=block.n)
            held: list[_Item] = []
            while item is not None and _first(item[0]) <= block.last:
                held.append(item)
                item = next(items, None)
            self._check_block(block, held)
            # go on from what is stored, so that one fault is not told again for every later block
            previous, expected_n = block.hash, block.n + 1
        counted = self._rows
        if item is not None:
            self._check_items(chain((item,), items), 0)
        self._tail = self._rows - counted
        return previous

    def _check_block(self, block: Block, held: list[_Item]) -> None:
        before = len(self._problems)
        again = OpenBlock(block.n, block.previous)
        for item, _, framed in held:
            if isinstance(item, Row):
                again.add_row(item, framed)
            else:
                again.add_gap(item)
        self._check_items(held, block.n)
        if self._last < block.last:
            what = f"row {block.last}" if self._last + 1 == block.last else f"rows {self._last + 1} to {block.last}"
            text = f"{what} missing from block {block.n}"
            self._found(Fault.MISSING, text, seq=self._last + 1, block=block.n)
            self._last = block.last
        if again.close() != block and len(self._problems) == before:
            text = f"block {block.n} (rows {block.first} to {block.last}) is not what was hashed"
            self._found(Fault.ALTERED, text, seq=block.first, block=block.n)

    def _check_items(self, held: Iterable[_Item], block: int) -> None:
        where = f" in block {block}" if block else ""
        altered: list[tuple[Row, int]] = []
        for item, crc, framed in held:
            first, last = (item.seq, item.seq) if isinstance(item, Row) else (item.first, item.last)
            if first > self._last + 1:
                what = f"row {first - 1}" if first == self._last + 2 else f"rows {self._last + 1} to {first - 1}"
                self._found(Fault.MISSING, f"{what} missing{where}", seq=self._last + 1, block=block)
            elif first <= self._last:
                self._found(Fault.EXTRA, f"row {first} where none belongs{where}", seq=first, block=block)
            self._last = max(self._last, last)
            if isinstance(item, Row):
                self._rows += 1
                if row_crc(framed) != crc:
                    altered.append((item, crc))
            elif item.last < item.first:
                self._found(Fault.ALTERED, f"a gap from {item.first} to {item.last}{where}", seq=first, block=block)
        others = altered if len(altered) <= _MOST_EXCHANGED else []
        for row, crc in altered:
            came_from = _written_as(row, crc, others)
            if came_from:
                text = f"row {row.seq} holds what was written as row {came_from}{where}"
                self._found(Fault.REORDERED, text, seq=row.seq, block=block)
            else:
                self._found(Fault.ALTERED, f"row {row.seq} is not as it was written{where}", seq=row.seq, block=block)

    def _check_seal(self, blocks: list[Block], gaps: list[Gap], head: bytes) -> tuple[bool, bytes]:
        seal = self._reader.seal()
        if seal is None:
            if self._wanted_key is not None:
                self._found(Fault.SEAL, "the journal is not sealed")
            return False, b""
        counts = (len(blocks), self._rows, len(gaps), self._reader.first_seq, self._last)
        sealed = (seal.blocks, seal.rows, seal.gaps, seal.first, seal.last)
        for name, here, then in zip(("blocks", "rows", "gaps", "first row", "last row"), counts, sealed, strict=True):
            if here != then:
                self._found(Fault.SEAL, f"{name}: {here} here, {then} when it was sealed")
        if seal.head != head:
            self._found(Fault.SEAL, "the last block is not the one that was sealed")
        if self._tail:
            self._found(Fault.EXTRA, f"{self._tail} rows after the last block of a sealed journal", seq=self._last)
        if not seal.signed_by_its_key(self._reader.genesis):
            self._found(Fault.SEAL, "the signature is wrong")
        elif self._wanted_key is not None and seal.public_key != self._wanted_key:
            self._found(Fault.SEAL, f"sealed by another station, whose key is {seal.public_key.hex()}")
        return True, seal.public_key


def _first(item: Row | Gap) -> int:
    return item.seq if isinstance(item, Row) else item.first


def _framed(row: Row) -> bytes:
    try:
        return frame_row(row)
    except _NONSENSE:
        return b"no row of ours"


def _written_as(row: Row, crc: int, others: list[tuple[Row, int]]) -> int:
    """The seq under which this row's checksum is right, among those of `others`; 0 when none."""
    for other, _ in others:
        if other.seq != row.seq and row_crc(_framed(Row(other.seq, row.t, row.kind, row.body))) == crc:
            return other.seq
    return 0
