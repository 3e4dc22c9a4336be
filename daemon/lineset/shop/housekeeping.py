"""What a collector does now and then beside its work: the next month's partitions, what the policy no longer keeps, old
receipts on the broker, what has waited for too long."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

import structlog

from lineset.shop.database import IDLE_S, connect, driver, let_go_of, said
from lineset.shop.errors import DatabaseError
from lineset.shop.migrating import MAKE_MONTHS
from lineset.shop.retention import retain
from lineset.shop.sharing import Share
from lineset.stream.errors import StreamError

if TYPE_CHECKING:
    from lineset.shop.shop_config import DatabaseAddress

log = structlog.get_logger(__name__)

EVERY_S = 3600.0
FIRST_S = 60.0  # not in the rush of a start
RECEIPT_DAYS = 30  # a final receipt stays on the broker for so long: a station may be away
WAITING_DAYS = 30  # a block that waited for one before it so long is let go; its station still has it
_RETAIN_EVERY = 24  # rounds

_OLD_RECEIPTS = """
SELECT id, station, visit FROM lineset.visit
WHERE sealed_at < now() - make_interval(days => $1) AND receipt_cleared_at IS NULL ORDER BY sealed_at LIMIT 1000
"""

# What claims a number after the last block of a sealed record.
_NEVER = """
WITH gone AS (
    DELETE FROM lineset.waiting_block w USING lineset.visit v
    WHERE v.station = w.station AND v.visit = w.visit AND v.sealed_at IS NOT NULL AND w.n > v.blocks
    RETURNING w.station, w.visit, w.n, w.sha256, w.payload, w.received_at
)
INSERT INTO lineset.set_aside (station, visit, n, reason, words, sha256, payload, received_at)
SELECT station, visit, n, 'other_record', 'the record is sealed, and this claims to come after it', sha256, payload,
       received_at
FROM gone ON CONFLICT (station, visit, sha256) DO UPDATE SET times = set_aside.times + 1
"""


class Housekeeping:
    """Rounds of an hour. `clear` takes a visit's receipt off the broker, and may raise StreamError."""

    def __init__(
        self, address: DatabaseAddress, share: Share, clear: Callable[[tuple[str, str]], Awaitable[None]]
    ) -> None:
        self._address, self._share, self._clear = address, share, clear
        self._connection: Any = None
        self._rounds = 0

    async def run(self) -> None:
        """For ever; a round that fails is said and tried an hour later."""
        await asyncio.sleep(FIRST_S)
        while True:
            await self.round()
            await asyncio.sleep(EVERY_S)

    async def round(self) -> None:
        """Everything once."""
        asyncpg = driver()
        for work in (self._months, self._waiting, self._receipts, self._retain):
            try:
                if self._connection is None or self._connection.is_closed():
                    self._connection = await connect(self._address)
                    await let_go_of(self._connection, IDLE_S)
                await work()
            except (DatabaseError, StreamError, OSError, TimeoutError, asyncpg.PostgresError) as error:
                log.warning("housekeeping is put off", work=work.__name__.strip("_"), error=said(error))
            except asyncpg.InterfaceError as error:
                log.warning("housekeeping is put off", work=work.__name__.strip("_"), error=said(error))
                await self.close()
        self._rounds += 1
        await self.close()

    async def close(self) -> None:
        """Give the connection back."""
        connection, self._connection = self._connection, None
        if connection is not None and not connection.is_closed():
            with contextlib.suppress(OSError, TimeoutError):
                await connection.close(timeout=5.0)

    async def _months(self) -> None:
        await self._connection.execute(MAKE_MONTHS)

    async def _waiting(self) -> None:
        await self._connection.execute(_NEVER)
        await self._connection.execute(
            "DELETE FROM lineset.waiting_block WHERE received_at < now() - make_interval(days => $1)", WAITING_DAYS
        )
        await self._connection.execute(
            "DELETE FROM lineset.collector WHERE heard_at < now() - make_interval(days => 1)"
        )

    async def _receipts(self) -> None:
        for row in await self._connection.fetch(_OLD_RECEIPTS, RECEIPT_DAYS):
            if self._share.mine(row["station"]):
                await self._clear((row["station"], row["visit"]))
                await self._connection.execute(
                    "UPDATE lineset.visit SET receipt_cleared_at = now() WHERE id = $1", row["id"]
                )

    async def _retain(self) -> None:
        if self._rounds % _RETAIN_EVERY:
            return
        for removed in await retain(self._connection):
            month = str(removed.month)
            log.info("removed by the shop's policy", what=removed.what, month=month, visits=removed.visits)
