"""For how long the shop keeps the record: whole months, by the policy that the database's owner has written down.

Only the owner of the tables removes anything, by the function `lineset.retain` of the database, which looks at nothing
but its own clock and the policy. A collector may set it off (once a day), and cannot make it remove more. A month goes
when all that came of its visits came before the months that are kept; the row of each visit remains, and says when.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

# Taking a month away waits for whoever reads the tables, and new readers wait behind it: give up soon, try tomorrow.
_LOCK_S = 5


@dataclass(frozen=True, slots=True)
class Removed:
    """A month that was removed, or would be: its first day, how many visits, how many bytes on the server's disk."""

    month: date
    visits: int
    size: int


async def state_policy(connection: Any, months: int) -> None:
    """Write down, as the owner, for how many months the record is kept. Raises the driver's errors."""
    await connection.execute(
        "INSERT INTO lineset.policy (months) VALUES ($1) "
        "ON CONFLICT (one) DO UPDATE SET months = $1, since = now() WHERE policy.months <> $1",
        months,
    )


async def retain(connection: Any, *, months: int | None = None, dry: bool = False) -> Sequence[Removed]:
    """Remove the months that the policy no longer keeps, or (`dry`) only say which.

    `months`, for the owner only, is the policy from now on; with `dry` it is tried and not written down. Raises the
    driver's errors.
    """
    transaction = connection.transaction()
    await transaction.start()
    try:
        await connection.execute(f"SET LOCAL lock_timeout = '{_LOCK_S}s'")
        if months is not None:
            await state_policy(connection, months)
        rows = await connection.fetch("SELECT month, visits, bytes FROM lineset.retain($1)", dry)
    except BaseException:
        await transaction.rollback()
        raise
    await (transaction.rollback() if dry else transaction.commit())
    return [Removed(*row) for row in rows]
