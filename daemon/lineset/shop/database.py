"""Connections to the shop's PostgreSQL, and what its errors mean in a sentence."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Iterator
from typing import TYPE_CHECKING, Any

from lineset.shop.errors import DatabaseError, ShopProgramError

if TYPE_CHECKING:
    from lineset.shop.shop_config import DatabaseAddress

CONNECT_S = 10.0
COMMAND_S = 60.0  # a batch that took longer than this is tried anew over another connection
IDLE_S = 20.0  # for so long a transaction may wait for a program of ours
TRANSACTION_S = 180.0  # and for so long it may last

# SQLSTATE classes (PostgreSQL manual, appendix A) of what lies in the data: data exception, integrity constraint
# violation, program limit exceeded. Everything else goes by itself or by an operator: connection, a full disk, rights.
_OF_DATA = ("22", "23", "54")


def driver() -> Any:
    """asyncpg. Raises ShopProgramError where it is not installed."""
    try:
        import asyncpg
    except ImportError as error:
        raise ShopProgramError(
            "asyncpg", "this package is not installed, and the shop needs it", 'In the checkout: pip install ".[shop]"'
        ) from error
    return asyncpg


async def connect(address: DatabaseAddress, **more: Any) -> Any:
    """An open asyncpg connection in UTC. Raises DatabaseError (what to do is in it), ShopProgramError."""
    asyncpg = driver()
    arguments = {"timeout": CONNECT_S, "command_timeout": COMMAND_S, **address.connect_args(), **more}
    settings = {"application_name": "lineset", "timezone": "UTC", **arguments.pop("server_settings", {})}
    with explained(address, "when it was connected to"):
        return await asyncpg.connect(**arguments, server_settings=settings)


async def let_go_of(connection: Any, idle_s: float) -> None:
    """Let the server end this connection's transactions when nothing comes for `idle_s` in one, or one takes
    TRANSACTION_S: a program that is stopped, or out of reach, holds its rows and tables for nobody.

    Raises the driver's errors.
    """
    limits = {"idle_in_transaction_session_timeout": idle_s, "transaction_timeout": max(TRANSACTION_S, idle_s)}
    await connection.execute(  # the second is new in PostgreSQL 17
        "SELECT set_config(name, wanted, false) FROM unnest($1::text[], $2::text[]) AS w (name, wanted) "
        "JOIN pg_catalog.pg_settings USING (name)",
        list(limits),
        [f"{seconds * 1000:.0f}ms" for seconds in limits.values()],
    )


@contextlib.asynccontextmanager
async def connected(address: DatabaseAddress, **more: Any) -> AsyncIterator[Any]:
    """A connection for as long as the block lasts. Raises as `connect`."""
    connection = await connect(address, **more)
    try:
        yield connection
    finally:
        with contextlib.suppress(Exception):  # it may be gone already, and what ended the block matters more
            await connection.close(timeout=CONNECT_S)


def is_passing(error: BaseException) -> bool:
    """Whether the same may succeed later: no server, a full disk, no rights; not: data that the server refuses."""
    asyncpg = driver()
    if isinstance(error, asyncpg.PostgresError):
        return not (error.sqlstate or "").startswith(_OF_DATA)
    return isinstance(error, OSError | TimeoutError | asyncpg.InterfaceError) and not isinstance(
        error, ValueError
    )  # asyncpg's DataError, of a value that does not fit a column, is both


@contextlib.contextmanager
def explained(address: object, when: str) -> Iterator[None]:
    """What the driver raises inside becomes a DatabaseError with a sentence."""
    asyncpg = driver()
    try:
        yield
    except (asyncpg.PostgresError, asyncpg.InterfaceError, OSError, TimeoutError) as error:
        if isinstance(error, ConnectionRefusedError) and getattr(address, "embedded", False):
            raise DatabaseError(
                address, "the shop's database does not run", "Start the shop: lineset shop run"
            ) from error
        raise DatabaseError(address, f"{when}: {said(error)}", remedy(error)) from error


def said(error: BaseException) -> str:
    """What the error says, or at least what it is called."""
    return str(error).strip().rstrip(".") or type(error).__name__


def remedy(error: BaseException) -> str:
    """What to do about it."""
    state = getattr(error, "sqlstate", None) or ""
    if state.startswith("28"):
        return "Check the user and password in the shop's folder secrets"
    if state == "3D000":
        return "Make the database, or correct [database] url"
    if state == "53100":
        return "Its disk is full: make room; nothing is lost meanwhile, stations keep what was not received"
    if state == "57P03":
        return "It starts or stops just now; try again in a moment"
    if state == "55P03":
        return "Somebody reads or writes these tables just now; try again later"
    if state == "42501":
        return "This role has not the right to it; run: lineset shop run, which gives each role what it needs"
    if isinstance(error, OSError | TimeoutError):
        return "Check that PostgreSQL runs, its address and the network"
    return "See the server's log"
