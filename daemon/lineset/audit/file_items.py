"""A journal's rows and gaps in one order, handed out in runs."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from lineset.journal.errors import JournalError
from lineset.journal.reader import Reading
from lineset.journal.row import Gap, Row


def seq_of(item: Row | Gap) -> int:
    """The first entry that it is."""
    return item.seq if isinstance(item, Row) else item.first


def last_of(item: Row | Gap) -> int:
    """The last entry that it is."""
    return item.seq if isinstance(item, Row) else item.last


class FileItems:
    """A journal's rows and gaps in order, handed out block by block; nothing more once the file cannot be read."""

    def __init__(self, reader: Reading) -> None:
        self.broken = ""
        self._items = self._merged(reader)
        self._waiting: deque[Row | Gap] = deque()
        self._fill()

    def upto(self, last: int) -> list[Row | Gap]:
        """What comes next, up to entry `last`."""
        found: list[Row | Gap] = []
        while self._waiting and seq_of(self._waiting[0]) <= last:
            found.append(self._waiting.popleft())
            self._fill()
        return found

    def give_back(self, items: Sequence[Row | Gap]) -> None:
        """Hand these out again: they belong to what comes next."""
        self._waiting.extendleft(reversed(items))

    def _fill(self) -> None:
        if not self._waiting and (item := next(self._items, None)) is not None:
            self._waiting.append(item)

    @property
    def more(self) -> bool:
        """Whether anything is left."""
        return bool(self._waiting)

    def _merged(self, reader: Reading) -> Iterator[Row | Gap]:
        try:
            gaps = reader.gaps(-(2**63))
            for row, _ in reader.stored_rows(-(2**63)):
                if type(row.seq) is not int:
                    raise TypeError(f"a row with the number {row.seq!r}")  # damage: STRICT takes none
                while gaps and gaps[0].first < row.seq:
                    yield gaps.pop(0)
                yield row
            yield from gaps
        except (JournalError, TypeError) as error:
            self.broken = str(error)
