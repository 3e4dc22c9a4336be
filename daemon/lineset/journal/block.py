"""Hash-chained blocks: SHA-256 over the previous block's hash and the stored bytes of the rows.

Every field is framed with its length and a leading letter says what follows, so no two different runs of
rows and gaps give the same bytes. All numbers are big-endian.

    genesis  "lineset journal 1\\n", then for each meta key in order: u16 length, key, u32 length, value
    block    "lineset block 1\\n", previous hash (32), u64 n,
             then in order of seq: rows and gaps,
             then "E" u64 first, u64 last, u64 rows, u64 gaps, i64 t
    row      "R" u64 seq, i64 t, u8 length, u32 length, kind, body
    gap      "G" u64 first, u64 last, i64 t, u16 length, reason

`first` and `last` are seqs and take in the gaps; `t` is the last row's (or gap's) visit time.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable, Mapping

import msgspec

from lineset.journal.row import Gap, Row

NS = 1_000_000_000
_ROW = struct.Struct(">cQqBI")
_GAP = struct.Struct(">cQQqH")
_END = struct.Struct(">cQQQQq")
_N = struct.Struct(">Q")


class Block(msgspec.Struct, frozen=True):
    """A closed run of rows: number `n` from 1, seqs `first` to `last`, counts, `t` in ns, and the two hashes."""

    n: int
    first: int
    last: int
    rows: int
    gaps: int
    t: int
    previous: bytes
    hash: bytes


class BlockRule(msgspec.Struct, frozen=True):
    """When a block closes: it holds `rows` rows or `size` bytes of them, or spans `span` ns of visit time."""

    rows: int = 500
    span: int = 5 * NS
    size: int = 4 * 1024 * 1024  # photos: a block is held in memory whole where it is sent and stored


def _encoded(text: str) -> bytes:
    # the audit reads damaged text with surrogates, and gets the very bytes back
    return text.encode("utf-8", "surrogateescape")


def genesis(meta: Mapping[str, str]) -> bytes:
    """The hash before the first block: binds the file's meta record into the chain."""
    digest = hashlib.sha256(b"lineset journal 1\n")
    for key in sorted(meta):
        name, value = _encoded(key), _encoded(meta[key])
        digest.update(struct.pack(">H", len(name)) + name + struct.pack(">I", len(value)) + value)
    return digest.digest()


def frame_row(row: Row) -> bytes:
    """The bytes of a row that are hashed."""
    kind = row.kind.encode() if row.kind.isascii() else _encoded(row.kind)
    return _ROW.pack(b"R", row.seq, row.t, len(kind), len(row.body)) + kind + row.body


def frame_gap(gap: Gap) -> bytes:
    """The bytes of a gap that are hashed."""
    reason = _encoded(gap.reason)
    return _GAP.pack(b"G", gap.first, gap.last, gap.t, len(reason)) + reason


class FramingError(ValueError):
    """Bytes that are no run of framed rows and gaps; says at which byte."""


def framed(items: Iterable[Row | Gap]) -> bytes:
    """The bytes of rows and gaps, in order, as they are hashed between a block's head and its end."""
    return b"".join(frame_row(item) if isinstance(item, Row) else frame_gap(item) for item in items)


def read_framed(data: bytes) -> list[Row | Gap]:
    """The rows and gaps of `framed`. Raises FramingError for anything that `framed` would not give."""
    found: list[Row | Gap] = []
    at, end = 0, len(data)
    try:
        while at < end:
            if data[at] == 0x52:  # R
                _, seq, t, kinds, bodies = _ROW.unpack_from(data, at)
                start = at + _ROW.size
                body = start + kinds
                after = body + bodies
                if after > end:
                    raise FramingError(f"a row at byte {at} is cut off")
                found.append(Row(seq, t, data[start:body].decode(), data[body:after]))
            elif data[at] == 0x47:  # G
                _, first, last, t, reasons = _GAP.unpack_from(data, at)
                start = at + _GAP.size
                after = start + reasons
                if after > end:
                    raise FramingError(f"a gap at byte {at} is cut off")
                found.append(Gap(first, last, t, data[start:after].decode()))
            else:
                raise FramingError(f"byte {at} begins neither a row nor a gap")
            at = after
    except (struct.error, UnicodeDecodeError) as error:
        raise FramingError(f"at byte {at}: {error}") from error
    return found


def hash_of(block: Block, data: bytes) -> bytes:
    """The hash that a block with these framed bytes has, whatever its own `hash` says. Raises FramingError."""
    digest = hashlib.sha256(b"lineset block 1\n" + block.previous + _packed(_N, block.n))
    digest.update(data)
    digest.update(_packed(_END, b"E", block.first, block.last, block.rows, block.gaps, block.t))
    return digest.digest()


def _packed(form: struct.Struct, *values: int | bytes) -> bytes:
    try:
        return form.pack(*values)
    except struct.error as error:
        raise FramingError(f"a block's numbers do not fit: {error}") from error


class OpenBlock:
    """The block being filled. Copied before a transaction, so that a failed one leaves no trace in the hash."""

    __slots__ = ("_digest", "first", "gaps", "last", "n", "previous", "rows", "size", "t", "t_first")

    def __init__(self, n: int, previous: bytes) -> None:
        self.n, self.previous = n, previous
        self.first = self.last = self.rows = self.gaps = self.size = 0
        self.t_first = self.t = 0
        self._digest = hashlib.sha256(b"lineset block 1\n" + previous + _N.pack(n))

    def copy(self) -> OpenBlock:
        """An independent copy."""
        other = OpenBlock.__new__(OpenBlock)
        other.n, other.previous = self.n, self.previous
        other.first, other.last, other.rows, other.gaps = self.first, self.last, self.rows, self.gaps
        other.t_first, other.t, other.size = self.t_first, self.t, self.size
        other._digest = self._digest.copy()
        return other

    @property
    def empty(self) -> bool:
        return not self.first

    def add_row(self, row: Row, framed: bytes) -> None:
        """Take in a row, given its framed bytes (the writer needs them too, for the row's checksum)."""
        if not self.first:
            self.first, self.t_first = row.seq, row.t
        self.last, self.t = row.seq, row.t
        self.rows += 1
        self.size += len(framed)
        self._digest.update(framed)

    def add_gap(self, gap: Gap) -> None:
        """Take in a gap."""
        if not self.first:
            self.first, self.t_first = gap.first, gap.t
        self.last, self.t = gap.last, gap.t
        self.gaps += 1
        self._digest.update(frame_gap(gap))

    def full(self, rule: BlockRule) -> bool:
        """True when the rule says that the block closes now."""
        return self.rows >= rule.rows or self.size >= rule.size or self.t - self.t_first >= rule.span

    def close(self) -> Block:
        """The finished block; the next one starts from its hash."""
        digest = self._digest.copy()
        digest.update(_END.pack(b"E", self.first, self.last, self.rows, self.gaps, self.t))
        return Block(self.n, self.first, self.last, self.rows, self.gaps, self.t, self.previous, digest.digest())

    def next(self, block: Block) -> OpenBlock:
        """The block to fill after `block`."""
        return OpenBlock(block.n + 1, block.hash)
