"""For how long the shop keeps the record: whole months, by the policy that the database's owner has written down.

Only the owner of the tables removes anything, by the functions `lineset.retain` and `lineset.retain_readings` of the
database, which look at nothing but the policy and the clocks. A collector may set them off (once a day), and cannot
make them remove more. A month goes when all that came of its visits came before the months that are kept, by the shop's
clock and by their stations', so that one that jumps removes nothing; the row of each visit remains, and says when.
Readings and derived values may go sooner: the blocks hold them too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

# Taking a month away waits for whoever reads the tables, and new readers wait behind it: give up soon, try tomorrow.
_LOCK_S = 5


@dataclass(frozen=True, slots=True)
class Removed:
    """What was removed of a month, or would be: its first day, how many visits, how many bytes on the server's disk."""

    month: date
    visits: int
    size: int
    what: Literal["record", "readings"]  # all, or only the rows of readings and derived values


async def state_policy(connection: Any, months: int, reading_months: int = 0) -> None:
    """Write down, as the owner, for how many months the record and its readings are kept (0: as long as the record).

    Raises the driver's errors.
    """
    await connection.execute(
        "INSERT INTO lineset.policy (months, reading_months) VALUES ($1, nullif($2::integer, 0)) "
        "ON CONFLICT (one) DO UPDATE SET months = excluded.months, reading_months = excluded.reading_months, "
        "since = now() "
        "WHERE (policy.months, policy.reading_months) IS DISTINCT FROM (excluded.months, excluded.reading_months)",
        months,
        reading_months,
    )


async def retain(
    connection: Any, *, months: int | None = None, reading_months: int = 0, dry: bool = False
) -> Sequence[Removed]:
    """Remove what the policy no longer keeps, or (`dry`) only say what that is.

    `months`, with `reading_months`, for the owner only, is the policy from now on; with `dry` it is tried and not
    written down. Raises the driver's errors.
    """
    transaction = connection.transaction()
    await transaction.start()
    try:
        await connection.execute(f"SET LOCAL lock_timeout = '{_LOCK_S}s'")
        if months is not None:
            await state_policy(connection, months, reading_months)
        whole = await connection.fetch("SELECT month, visits, bytes FROM lineset.retain($1)", dry)
        readings = await connection.fetch("SELECT month, visits, bytes FROM lineset.retain_readings($1)", dry)
    except BaseException:
        await transaction.rollback()
        raise
    await (transaction.rollback() if dry else transaction.commit())
    gone = {row["month"] for row in whole}  # of which a try finds the readings too
    return [
        *(Removed(row["month"], row["visits"], row["bytes"], "record") for row in whole),
        *(
            Removed(row["month"], row["visits"], row["bytes"], "readings")
            for row in readings
            if row["month"] not in gone
        ),
    ]
