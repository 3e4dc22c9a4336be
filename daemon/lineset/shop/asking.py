"""Connections by which the board asks the database: few, read-only, each question bounded in work and in waiting.

Two roles ask: `board`, which cannot read what people wrote, and `auditor` for what needs the right to notes.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, Literal

from lineset.shop.database import driver, explained
from lineset.shop.shop_config import DatabaseAddress

STATEMENT_S = 5.0  # one question's work at the server; longer ones are given up
WAIT_S = 3.0  # for a free connection: so many questions at once are turned away
_POOL = 4

Role = Literal["board", "auditor"]


class Busy(Exception):
    """Too many questions at once, or one that took too long; a narrower one may be answered."""


class Asking:
    """Connections by role, made when something is first asked, and again when they were lost."""

    def __init__(self, address: Callable[[Role], DatabaseAddress]) -> None:
        self._address = address
        self._pools: dict[Role, Any] = {}
        self._making = asyncio.Lock()

    async def close(self) -> None:
        """Let go of all connections."""
        for pool in self._pools.values():
            pool.terminate()
        self._pools.clear()

    @asynccontextmanager
    async def asking(self, role: Role = "board") -> AsyncIterator[Any]:
        """A connection. Raises Busy, DatabaseError."""
        asyncpg = driver()
        address = self._address(role)
        async with self._making:
            pool = self._pools.get(role)
            if pool is None:
                with explained(address, "when the board connected to it"):
                    pool = self._pools[role] = await asyncpg.create_pool(
                        **address.connect_args(),
                        min_size=0,
                        max_size=_POOL,
                        timeout=WAIT_S,
                        command_timeout=STATEMENT_S * 2,
                        server_settings={
                            "application_name": "lineset board",
                            "timezone": "UTC",
                            "statement_timeout": str(round(STATEMENT_S * 1000)),
                            "default_transaction_read_only": "on",
                        },
                    )
        try:
            connection = await pool.acquire(timeout=WAIT_S)
        except TimeoutError as error:
            raise Busy from error
        except (asyncpg.PostgresError, asyncpg.InterfaceError, OSError) as error:
            with explained(address, "when the board connected to it"):
                raise error
        try:
            with explained(address, "when the board asked it something"):
                try:
                    yield connection
                except (asyncpg.QueryCanceledError, TimeoutError) as error:
                    raise Busy from error
        finally:
            await pool.release(connection, timeout=WAIT_S)
