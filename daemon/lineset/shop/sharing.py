"""Which collector takes which station: rendezvous hashing over those that were heard of in the last seconds.

A station belongs to the live collector whose name gives, with the station's, the highest hash; so when one comes or
goes only its own stations move (Thaler and Ravishankar, "Using name-based mappings to increase hit rates", IEEE/ACM
Transactions on Networking 6 (1), 1998). While a share moves two collectors, or none, may take a block: storing is
exactly once all the same, and what nobody took is sent again.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import structlog

from lineset.shop.database import connect, driver, said
from lineset.shop.errors import DatabaseError

if TYPE_CHECKING:
    from lineset.shop.shop_config import DatabaseAddress

log = structlog.get_logger(__name__)

HEARTBEAT_S = 2.0
LIVE_S = 8.0  # not heard of for longer: it has no share
_MAX_KNOWN = 100_000

_BEAT = """
INSERT INTO lineset.collector (name) VALUES ($1)
ON CONFLICT (name) DO UPDATE SET heard_at = now()
"""
_BEGIN = """
INSERT INTO lineset.collector (name) VALUES ($1)
ON CONFLICT (name) DO UPDATE SET heard_at = now(), started_at = now()
"""
# By the database's clock alone. One that was heard of after now is as gone as one that was not heard of for long: the
# clock was put back since, and whoever lives says so again within HEARTBEAT_S.
_LIVE = """
SELECT name FROM lineset.collector
WHERE heard_at BETWEEN now() - make_interval(secs => $1) AND now() + make_interval(secs => $1) ORDER BY name
"""


def owner_of(station: str, names: Iterable[str]) -> str:
    """The collector that a station belongs to; empty when there is none."""
    return max(names, key=lambda name: hashlib.sha256(f"{name}\0{station}".encode()).digest(), default="")


class Share:
    """What belongs to one collector. Until it has heard of others everything does."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.names: tuple[str, ...] = (name,)
        self._mine: dict[str, bool] = {}

    def hear(self, names: Iterable[str]) -> bool:
        """These live now. True when that is new."""
        new = tuple(sorted({*names, self.name}))
        if new == self.names:
            return False
        self.names = new
        self._mine.clear()
        return True

    def mine(self, station: str) -> bool:
        """Whether the station belongs to this collector."""
        found = self._mine.get(station)
        if found is None:
            if len(self._mine) > _MAX_KNOWN:
                self._mine.clear()
            found = self._mine[station] = owner_of(station, self.names) == self.name
        return found


class Heart:
    """Says in the database that a collector lives, and hears which others do."""

    def __init__(self, address: DatabaseAddress, share: Share) -> None:
        self._address, self._share = address, share
        self._connection: Any = None
        self._begun = self._away = False

    async def beat(self) -> None:
        """Once. A database that is away leaves the shares as they are; that is logged, once."""
        asyncpg = driver()
        try:
            if self._connection is None or self._connection.is_closed():
                self._connection = await connect(self._address, command_timeout=LIVE_S)
            await self._connection.execute(_BEAT if self._begun else _BEGIN, self._share.name)
            self._begun = True
            rows = await self._connection.fetch(_LIVE, LIVE_S)
        except (DatabaseError, OSError, TimeoutError, asyncpg.PostgresError, asyncpg.InterfaceError) as error:
            if not self._away:
                log.warning("no word of the other collectors; the shares stay as they are", error=said(error))
            self._away = True
            self._drop()
            return
        self._away = False
        if self._share.hear(row["name"] for row in rows):
            log.info("collectors share the stations", collectors=list(self._share.names))

    async def leave(self) -> None:
        """The last beat: the others need not wait until this one is missed."""
        asyncpg = driver()
        if self._connection is not None and not self._connection.is_closed():
            with contextlib.suppress(OSError, TimeoutError, asyncpg.PostgresError, asyncpg.InterfaceError):
                await self._connection.execute("DELETE FROM lineset.collector WHERE name = $1", self._share.name)
                await self._connection.close(timeout=2.0)
        self._drop()

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None and not connection.is_closed():
            connection.terminate()
