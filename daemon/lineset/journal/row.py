"""A row of the journal, and a gap where rows are known to be lost. Bodies are bytes that nobody here reads."""

from __future__ import annotations

import msgspec

from lineset.journal.errors import RowError

MAX_BODY = 16 * 1024 * 1024  # bytes; a photo goes in parts long before this
MAX_KIND = 32
_KIND_LETTERS = frozenset("abcdefghijklmnopqrstuvwxyz0123456789_")
_KNOWN_KINDS: set[str] = set()


class Row(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One entry: `seq` counts from 1 without holes, `t` is visit time in ns, `kind` a short tag, `body` its bytes."""

    seq: int
    t: int
    kind: str
    body: bytes


class Gap(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Rows `first` to `last` were dropped before they could be written; `t` (ns) of the first, `reason` in words."""

    first: int
    last: int
    t: int
    reason: str


def check_kind(kind: str) -> None:
    """Raises RowError unless `kind` is 1 to 32 letters of [a-z0-9_]."""
    if kind in _KNOWN_KINDS:
        return
    if not isinstance(kind, str) or not 0 < len(kind) <= MAX_KIND or not _KIND_LETTERS.issuperset(kind):
        raise RowError(f"a row's kind is 1 to {MAX_KIND} of the letters a-z, 0-9 and _, not {kind!r}")
    if len(_KNOWN_KINDS) < 1000:
        _KNOWN_KINDS.add(kind)


def check_row(row: Row, seq: int) -> None:
    """Raises RowError unless `row` can be stored as number `seq`.

    Checked where the row is handed in, so that a mistake reaches the one who made it and not the writer's thread.
    """
    if row.seq != seq:
        raise RowError(f"the next row has seq {seq}, not {row.seq}: rows go in without holes and in order")
    if row.kind not in _KNOWN_KINDS:
        check_kind(row.kind)
    if type(row.t) is not int or not 0 <= row.t < 2**63:
        raise RowError(f"row {seq}: t is a whole number of nanoseconds from 0 to 2**63-1, not {row.t!r}")
    if type(row.body) is not bytes:
        raise RowError(f"row {seq}: a body is bytes, not {type(row.body).__name__}")
    if len(row.body) > MAX_BODY:
        raise RowError(f"row {seq}: a body of {len(row.body)} bytes is over the limit of {MAX_BODY}: send it in parts")
