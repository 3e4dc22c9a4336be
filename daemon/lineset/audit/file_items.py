"""A journal's rows and gaps in one order, handed out in runs."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from lineset.journal.block import FramingError, framed, read_framed
from lineset.journal.errors import JournalError
from lineset.journal.reader import Reading
from lineset.journal.row import Gap, Row


def seq_of(item: Row | Gap) -> int:
    """The first entry that it is."""
    return item.seq if isinstance(item, Row) else item.first


def last_of(item: Row | Gap) -> int:
    """The last entry that it is."""
    return item.seq if isinstance(item, Row) else item.last


def items_of(data: bytes | None) -> list[Row | Gap]:
    """The rows and gaps of a block's framed bytes; none where they cannot be read."""
    try:
        return read_framed(data) if data is not None else []
    except FramingError:
        return []


def framed_or_none(items: Sequence[Row | Gap]) -> bytes | None:
    """The framed bytes of rows and gaps, whatever types damage has made of them."""
    try:
        return framed(items)
    except Exception:  # what cannot be framed was never hashed
        return None


class FileItems:
    """A journal's rows and gaps in order, handed out block by block; nothing more once the file cannot be read.

    Nothing is read before it is asked for, and what is passed over at the beginning is never read.
    """

    def __init__(self, reader: Reading) -> None:
        self._broken = ""
        self._reader = reader
        self._from = -(2**63)
        self._items: Iterator[Row | Gap] | None = None
        self._waiting: deque[Row | Gap] = deque()

    @property
    def broken(self) -> str:
        """Why nothing more can be read; empty while it can."""
        self._fill()
        return self._broken

    def pass_over(self, last: int) -> None:
        """Hand out nothing up to entry `last`: it is known already."""
        if self._items is None:
            self._from = last + 1
        else:
            self.upto(last)

    def upto(self, last: int) -> list[Row | Gap]:
        """What comes next, up to entry `last`."""
        found: list[Row | Gap] = []
        self._fill()
        while self._waiting and seq_of(self._waiting[0]) <= last:
            found.append(self._waiting.popleft())
            self._fill()
        return found

    def give_back(self, items: Sequence[Row | Gap]) -> None:
        """Hand these out again: they belong to what comes next."""
        self._fill()
        self._waiting.extendleft(reversed(items))

    def _fill(self) -> None:
        if self._items is None:
            self._items = self._merged(self._reader)
        if not self._waiting and (item := next(self._items, None)) is not None:
            self._waiting.append(item)

    @property
    def more(self) -> bool:
        """Whether anything is left."""
        self._fill()
        return bool(self._waiting)

    def _merged(self, reader: Reading) -> Iterator[Row | Gap]:
        try:
            gaps = reader.gaps(self._from)
            for row, _ in reader.stored_rows(self._from):
                if type(row.seq) is not int:
                    raise TypeError(f"a row with the number {row.seq!r}")  # damage: STRICT takes none
                while gaps and gaps[0].first < row.seq:
                    yield gaps.pop(0)
                yield row
            yield from gaps
        except (JournalError, TypeError) as error:
            self._broken = str(error)
