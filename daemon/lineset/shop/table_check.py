"""The shop's tables held against the bytes of the blocks, from which they can be made anew at any time.

Somebody who changes a table changes no block: here it is found, row by row. Readings are compared as the bytes of a
binary COPY, which are the same for the same values; everything else by value.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import msgspec

from lineset.audit.shop_record import TableRecord
from lineset.journal.row import Gap, Row
from lineset.shop.carrying import Carrier
from lineset.shop.database import explained
from lineset.shop.rows_of_block import COLUMNS, COPY_END, COPY_HEAD, READING_COLUMNS, BlockRows, rows_of_block

if TYPE_CHECKING:
    from asyncpg import Connection

REMOVED_SOONER = frozenset({"reading", "derived"})  # tables whose rows the policy may remove while the blocks stay
_AT_A_TIME = 20_000  # readings, or so, that are compared in one go
_BLOCKS_AT_A_TIME = 100  # photos lie in few of them
_JSON = frozenset({"values", "body"})
_VISIT = ("technician", "phase", "systems", "opened_at", "closed_at")
_SEQ_AT = slice(6, 14)  # of an entry's number in a row of binary COPY: behind the count of columns and a length


class TableCheck:
    """Takes the blocks of one visit in order, with `take`; `finish` tells of each table but those in `leave_out`."""

    def __init__(
        self, connection: Connection, address: object, month: date, visit_id: int,
        leave_out: Collection[str] = (),
    ) -> None:  # fmt: skip
        self._db, self._address, self._month, self._visit = connection, address, month, visit_id
        self._tables = [table for table in ("reading", *COLUMNS) if table not in leave_out]
        self._carrier = Carrier()
        self._waiting: list[BlockRows] = []
        self._readings = 0
        self._first: int | None = None
        self._last = 0
        self._due = Counter[str]()
        self._differing: dict[str, set[int]] = {table: set() for table in ("reading", *COLUMNS, "visit")}
        self._facts: dict[str, Any] = {}

    async def take(self, items: Sequence[Row | Gap], first: int, last: int) -> None:
        """The next block's rows and gaps, which are entries `first` to `last`. Raises DatabaseError."""
        made = rows_of_block(items, self._month, self._visit, self._carrier)
        self._carrier = made.carrier
        for name in _VISIT:
            if (value := getattr(made.visit, name)) is not None:
                self._facts[name] = value
        self._waiting.append(made)
        self._readings += made.count
        self._first = first if self._first is None else self._first
        self._last = last
        if self._readings >= _AT_A_TIME or len(self._waiting) >= _BLOCKS_AT_A_TIME:
            with explained(self._address, "when its tables were held against its blocks"):
                await self._compare()

    async def finish(self) -> tuple[TableRecord, ...]:
        """How each table compares with what was taken. Raises DatabaseError."""
        with explained(self._address, "when its tables were held against its blocks"):
            await self._compare()
            return await self._counted()

    async def _counted(self) -> tuple[TableRecord, ...]:
        found = []
        for table in self._tables:
            where = "visit_id = $1" if table == "instrument_channel" else "visit_id = $1 AND month = $2"
            values = (self._visit,) if table == "instrument_channel" else (self._visit, self._month)
            rows = await self._db.fetchval(f"SELECT count(*) FROM lineset.{table} WHERE {where}", *values)
            wrong = self._differing[table]
            found.append(
                TableRecord(
                    table=table,
                    rows=rows,
                    due=self._due[table],
                    differing=len(wrong),
                    first=min(wrong, default=0),
                )
            )
        row = await self._db.fetchrow(f"SELECT {', '.join(_VISIT)} FROM lineset.visit WHERE id = $1", self._visit)
        there = {name: row[name] for name in _VISIT}
        due = {"technician": "", "phase": "", "systems": "[]", "opened_at": None, "closed_at": None, **self._facts}
        same = _decoded(there.pop("systems")) == _decoded(due.pop("systems")) and there == due
        found.append(TableRecord(table="visit", rows=1, due=1, differing=int(not same)))
        return tuple(found)

    async def _compare(self) -> None:
        if self._first is None:
            return
        between = (self._month, self._visit, self._first, self._last)
        if "reading" in self._tables:
            await self._compare_readings([each.readings for each in self._waiting], between)
        for table, columns in COLUMNS.items():
            if table not in self._tables:
                continue
            due = [row for each in self._waiting for row in each.tables.get(table, ())]
            named = ", ".join(f'"{column}"' for column in columns)
            if table == "instrument_channel":
                query = f"SELECT {named} FROM lineset.{table} WHERE visit_id = $1 AND seq BETWEEN $2 AND $3"
                rows = await self._db.fetch(query, *between[1:])
            else:
                where = "month = $1 AND visit_id = $2 AND seq BETWEEN $3 AND $4"
                rows = await self._db.fetch(f"SELECT {named} FROM lineset.{table} WHERE {where}", *between)
            self._due[table] += len(due)
            self._differing[table] |= _differing(columns, due, rows)
        self._waiting, self._readings, self._first = [], 0, None

    async def _compare_readings(self, due: Iterable[list[bytes]], between: tuple[date, int, int, int]) -> None:
        expected = b"".join(part for block in due for part in block)
        self._due["reading"] += self._readings
        parts: list[bytes] = []

        async def keep(data: bytes) -> None:
            parts.append(data)

        columns = ", ".join(READING_COLUMNS)
        query = (
            f"SELECT {columns} FROM lineset.reading WHERE month = $1 AND visit_id = $2 AND seq BETWEEN $3 AND $4 "
            "ORDER BY seq, n"
        )
        await self._db.copy_from_query(query, *between, output=keep, format="binary")
        there = b"".join(parts)
        if there == COPY_HEAD + expected + COPY_END:
            return
        self._differing["reading"] |= _differing_readings(expected, there[len(COPY_HEAD) : -len(COPY_END)])


def _differing_readings(due: bytes, there: bytes) -> set[int]:
    """Entries whose readings are not the same."""
    one, other = _by_entry(due), _by_entry(there)
    return {seq for seq in one.keys() | other.keys() if one.get(seq) != other.get(seq)}


def _by_entry(copied: bytes) -> dict[int, bytes]:
    """The rows of a binary COPY by the entry that they belong to."""
    found: dict[int, bytes] = {}
    at = 0
    while at < len(copied):
        start, at = at, at + 2
        for _ in READING_COLUMNS:
            length = int.from_bytes(copied[at : at + 4], "big", signed=True)
            at += 4 + max(0, length)
        row = copied[start:at]
        seq = int.from_bytes(row[_SEQ_AT], "big", signed=True)
        found[seq] = found.get(seq, b"") + row
    return found


def _differing(columns: Sequence[str], due: Iterable[Sequence[Any]], rows: Iterable[Mapping[str, Any]]) -> set[int]:
    """Entries whose rows in a table are not the same."""
    seq = columns.index("seq")
    json = [at for at, name in enumerate(columns) if name in _JSON]
    one: dict[int, list[Any]] = {}
    for values in due:
        one.setdefault(values[seq], []).append(_plain(json, values))
    other: dict[int, list[Any]] = {}
    for row in rows:
        values = list(row.values())
        other.setdefault(values[seq], []).append(_plain(json, values))
    if one == other:
        return set()
    return {
        number
        for number in one.keys() | other.keys()
        if sorted(one.get(number, ()), key=repr) != sorted(other.get(number, ()), key=repr)
        and sorted(map(_rounded, one.get(number, ())), key=repr)
        != sorted(map(_rounded, other.get(number, ())), key=repr)
    }


def _rounded(value: Any) -> Any:
    """Numbers as JSON has them: jsonb spells 1e23 as digits, which are then no longer those of the nearest double."""
    if isinstance(value, list):
        return [_rounded(each) for each in value]
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    if type(value) is int and not -(2**53) < value < 2**53:
        try:
            return float(value)
        except OverflowError:
            return value
    return value


def _plain(json: Sequence[int], values: Sequence[Any]) -> list[Any]:
    """Values that compare alike whichever side they came from: jsonb keeps neither order nor spelling."""
    found = list(values)
    for at in json:
        if isinstance(found[at], str):
            found[at] = _decoded(found[at])
    return found


def _decoded(text: str) -> Any:
    """JSON decoded; as it is where it holds what none of ours can (jsonb takes numbers of any size)."""
    try:
        return msgspec.json.decode(text)
    except (msgspec.MsgspecError, RecursionError, ValueError):
        return text
