"""What the shop received, read from its database as the auditor: visits, their blocks and when they came.

Reads only. A visit is streamed block after block, so that one of eight hours needs no more memory than a short one.
"""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from contextlib import AbstractContextManager
from datetime import datetime
from typing import TYPE_CHECKING, Any

import msgspec

from lineset.audit.received_visit import ReceivedBlock, ReceivedVisit, iso
from lineset.audit.shop_record import KeptAside
from lineset.contract.transfer import SealRecord
from lineset.journal.block import Block, read_framed
from lineset.journal.row import Gap
from lineset.shop.database import connected, explained
from lineset.shop.errors import DatabaseError, UnknownNameError
from lineset.shop.shop_config import DatabaseAddress
from lineset.shop.table_check import REMOVED_SOONER, TableCheck

if TYPE_CHECKING:
    from asyncpg import Connection

_AT_A_TIME = 16  # blocks fetched in one go
_VISIT = """
    SELECT v.id, v.station, v.visit, v.journal, v.month, v.meta, v.blocks, v.through, v.head, v.seal, v.opened_at,
           v.sealed_at, v.first_received_at, v.last_received_at, v.removed_at, v.readings_removed_at, s.public_key,
           s.revoked_at, now() AS asked
    FROM lineset.visit v LEFT JOIN lineset.station s USING (station)
"""


class Selection(msgspec.Struct, frozen=True, kw_only=True):
    """Which visits are meant; what is not given does not matter. Times are of the opening, `until` is not included.

    A visit is named VISIT, then of whatever station, or STATION/VISIT.
    """

    stations: tuple[str, ...] = ()
    visits: tuple[str, ...] = ()
    since: datetime | None = None
    until: datetime | None = None

    def where(self, first: int = 1) -> tuple[str, list[Any]]:
        """An SQL condition on `v` (lineset.visit), and its arguments from $`first` on.

        A visit whose opening is not known counts by when its first block came.
        """
        parts, values = ["true"], list[Any]()
        for condition, value in (
            ("v.station = ANY({})", list(self.stations) or None),
            ("(v.visit = ANY({0}) OR v.station || '/' || v.visit = ANY({0}))", list(self.visits) or None),
            ("COALESCE(v.opened_at, v.first_received_at) >= {}", self.since),
            ("COALESCE(v.opened_at, v.first_received_at) < {}", self.until),
        ):
            if value is not None:
                parts.append(condition.format(f"${first + len(values)}"))
                values.append(value)
        return " AND ".join(parts), values


class VisitName(msgspec.Struct, frozen=True):
    """A visit of the shop's, by name, and how much there is of it."""

    id: int
    station: str
    visit: str
    blocks: int


class Received:
    """An open connection to the database. Made by `opened`."""

    def __init__(self, connection: Connection, address: DatabaseAddress, shop: str) -> None:
        self._db, self._address, self.shop = connection, address, shop

    def _explained(self) -> AbstractContextManager[None]:
        return explained(self._address, "when it was asked what the shop received")

    async def names(self, selection: Selection) -> list[VisitName]:
        """The visits that the shop has, in order of opening. Raises DatabaseError."""
        where, values = selection.where()
        query = (
            f"SELECT v.id, v.station, v.visit, v.blocks FROM lineset.visit v WHERE {where} ORDER BY v.opened_at, v.id"
        )
        with self._explained():
            return [VisitName(*row) for row in await self._db.fetch(query, *values)]

    async def check_names(self, selection: Selection) -> None:
        """Raises UnknownNameError unless the shop has every visit and knows every station that is named."""
        with self._explained():
            await check_names(self._db, selection)

    async def visit(self, id: int) -> ReceivedVisit | None:
        """One visit by its number in the database; None when there is none. Raises DatabaseError."""
        with self._explained():
            return await self._whole(await self._db.fetchrow(f"{_VISIT} WHERE v.id = $1", id))

    async def find(self, station: str, visit: str, journal: str) -> ReceivedVisit | None:
        """What the shop has under a visit's name; where it has none of that name, the visit with this journal.

        None: it has received nothing of it. Raises DatabaseError.
        """
        with self._explained():
            row = await self._db.fetchrow(f"{_VISIT} WHERE v.station = $1 AND v.visit = $2", station, visit)
            if row is None:
                row = await self._db.fetchrow(f"{_VISIT} WHERE v.journal = $1", journal)
            return await self._whole(row)

    async def _whole(self, row: Any) -> ReceivedVisit | None:
        if row is None:
            return None
        aside = await self._db.fetch(
            "SELECT n, reason, words, received_at, times, taken_at FROM lineset.set_aside "
            "WHERE station = $1 AND visit = $2 ORDER BY received_at, id",
            row["station"],
            row["visit"],
        )
        waiting = await self._db.fetchval(
            "SELECT count(*) FROM lineset.waiting_block WHERE station = $1 AND visit = $2", row["station"], row["visit"]
        )
        where = f"visit {row['visit']} of {row['station']}"
        return ReceivedVisit(
            shop=self.shop,
            id=row["id"],
            month=row["month"],
            station=row["station"],
            visit=row["visit"],
            journal=row["journal"],
            meta=_decoded(row["meta"], dict[str, str], where),
            blocks=row["blocks"],
            through=row["through"],
            head=row["head"],
            seal=None if row["seal"] is None else _decoded(row["seal"], SealRecord, where),
            opened=row["opened_at"],
            sealed_received=row["sealed_at"],
            first_received=row["first_received_at"],
            last_received=row["last_received_at"],
            key=row["public_key"] or b"",
            revoked=row["revoked_at"],
            removed=row["removed_at"],
            readings_removed=row["readings_removed_at"],
            asked=row["asked"],
            kept_aside=tuple(
                KeptAside(
                    n=each["n"] or 0,
                    reason=each["reason"],
                    words=each["words"],
                    received=iso(each["received_at"]),
                    times=each["times"],
                    taken=iso(each["taken_at"]),
                )
                for each in aside
            ),
            waiting=waiting,
        )

    async def blocks(self, visit: ReceivedVisit) -> AsyncIterator[ReceivedBlock]:
        """The blocks in order of their numbers, a few at a time. Raises DatabaseError."""
        query = """
            SELECT b.n, b.first, b.last, b.rows, b.gaps, b.t_ns, b.previous, b.hash, b.data, b.received_at, b.collector
            FROM lineset.block b JOIN lineset.visit v ON v.id = b.visit_id AND v.month = b.month
            WHERE v.id = $1 ORDER BY b.n
        """
        with self._explained():
            async for row in self._db.cursor(query, visit.id, prefetch=_AT_A_TIME):
                head = Block(
                    *(row[name] for name in ("n", "first", "last", "rows", "gaps", "t_ns", "previous", "hash"))
                )
                yield ReceivedBlock(
                    block=head, packed=row["data"], received=row["received_at"], collector=row["collector"]
                )

    def table_check(self, visit: ReceivedVisit) -> TableCheck:
        """What holds the shop's tables against the visit's blocks."""
        removed = REMOVED_SOONER if visit.readings_removed is not None else frozenset[str]()
        return TableCheck(self._db, self._address, visit.month, visit.id, leave_out=removed)

    async def gaps(self, visit: ReceivedVisit) -> AsyncIterator[Gap]:
        """What the station says that it could not record. Raises DatabaseError; FramingError for damaged bytes."""
        async for stored in self.blocks(visit):
            if stored.block.gaps and (data := stored.data()) is not None:
                for item in read_framed(data):
                    if isinstance(item, Gap):
                        yield item


@contextlib.asynccontextmanager
async def opened(address: DatabaseAddress, shop: str) -> AsyncIterator[Received]:
    """The database at one moment, whatever collectors store meanwhile. Raises DatabaseError, ShopProgramError."""
    async with reading(address) as connection:
        yield Received(connection, address, shop)


@contextlib.asynccontextmanager
async def reading(address: DatabaseAddress) -> AsyncIterator[Connection]:
    """A connection that reads only, all of it as of one moment. Raises DatabaseError, ShopProgramError."""
    # no limit of time: a whole year of readings takes as long as it takes
    async with connected(address, command_timeout=None) as connection:
        with explained(address, "when it was asked"):
            await connection.execute("BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield connection


async def check_names(connection: Connection, selection: Selection) -> None:
    """Raises UnknownNameError unless every visit and station that is named is there, and the driver's errors."""
    for given, what, there, remedy in (
        (selection.visits, "visit", "lineset.visit v WHERE name IN (v.visit, v.station || '/' || v.visit)",
         "Correct it, or leave it out: a visit is named VISIT or STATION/VISIT"),
        (selection.stations, "station", "lineset.station s WHERE s.station = name",
         "Correct it: lineset shop station list shows them"),
    ):  # fmt: skip
        query = f"SELECT name FROM unnest($1::text[]) name WHERE NOT EXISTS (SELECT FROM {there})"
        if unknown := await connection.fetchval(f"{query} LIMIT 1", list(given)):
            raise UnknownNameError(unknown, f"the shop has no {what} of this name", remedy)


def _decoded(text: str, type: Any, where: str) -> Any:
    try:
        return msgspec.json.decode(text, type=type)
    except (msgspec.ValidationError, msgspec.DecodeError) as error:
        raise DatabaseError(
            where, f"its row in the database is damaged ({error})", "Restore it from a backup"
        ) from error
