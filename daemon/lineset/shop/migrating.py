"""The database's tables, made and brought up to date by numbered SQL files.

Each `migrations/NNNN_name.sql` is applied once, in order, in a transaction of its own, and recorded with its SHA-256.
An advisory lock lets two programs start at once. A database that was made by a later program, or by files that were
altered since, is refused and nothing is changed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any

import structlog

from lineset.shop.database import connected, explained
from lineset.shop.errors import AlteredSchemaError, DatabaseError, NewerSchemaError

if TYPE_CHECKING:
    from lineset.shop.shop_config import ShopConfig

log = structlog.get_logger(__name__)

_FILE = re.compile(r"(\d{4})_[a-z0-9_]+\.sql")
_LOCK = "SELECT pg_advisory_lock(7202, 0)"
_UNLOCK = "SELECT pg_advisory_unlock(7202, 0)"
_TABLE = """
CREATE SCHEMA IF NOT EXISTS lineset;
CREATE TABLE IF NOT EXISTS lineset.migration (
    number integer PRIMARY KEY,
    name text NOT NULL,
    sha256 text NOT NULL,
    applied_at timestamptz NOT NULL DEFAULT now()
)
"""


@dataclass(frozen=True, slots=True)
class Migration:
    """One file: its number, its name and what it says."""

    number: int
    name: str
    text: str

    @property
    def sha256(self) -> str:
        """Of the text, in hex."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def migrations() -> tuple[Migration, ...]:
    """The files of this program, in order of their numbers."""
    found = []
    for file in resources.files("lineset.shop").joinpath("migrations").iterdir():
        if match := _FILE.fullmatch(file.name):
            found.append(Migration(int(match[1]), file.name, file.read_text(encoding="utf-8")))
    return tuple(sorted(found, key=lambda each: each.number))


def missing(known: Sequence[Migration], applied: Sequence[tuple[int, str, str]], where: object) -> list[Migration]:
    """What is still to be applied, given (number, name, sha256) of what was, in order.

    Raises NewerSchemaError for a database of a later program, AlteredSchemaError where what was applied is not what
    this program has under the number.
    """
    by_number = {each.number: each for each in known}
    newest = known[-1].number if known else 0
    for number, name, sha256 in applied:
        here = by_number.get(number)
        if number > newest:
            raise NewerSchemaError(
                where,
                f"its tables are of a later program (it has {name}, this one ends at {newest:04})",
                "Update lineset",
            )
        if here is None or here.sha256 != sha256:
            raise AlteredSchemaError(
                where,
                f"{name} is not the file that was applied to it",
                "Put the program back as it was installed; the database was not touched",
            )
    done = [number for number, _, _ in applied]
    left = [each for each in known if each.number not in set(done)]
    if left and done and left[0].number < max(done):
        raise AlteredSchemaError(
            where, f"{left[0].name} was left out when it was made", "Restore the database from a copy, or make it anew"
        )
    return left


async def migrate(connection: Any, where: object, known: Sequence[Migration] | None = None) -> list[str]:
    """Bring the tables up to date over the owner's connection; returns the names of what was applied.

    Raises NewerSchemaError, AlteredSchemaError, DatabaseError (a file that the server refused; it left nothing).
    """
    known = migrations() if known is None else known
    await connection.execute(_LOCK)
    try:
        await connection.execute(_TABLE)
        applied = await connection.fetch("SELECT number, name, sha256 FROM lineset.migration ORDER BY number")
        left = missing(known, [tuple(row) for row in applied], where)
        for each in left:
            with explained(where, f"while {each.name} was applied"):
                async with connection.transaction():
                    await connection.execute(each.text)
                    await connection.execute(
                        "INSERT INTO lineset.migration (number, name, sha256) VALUES ($1, $2, $3)",
                        each.number, each.name, each.sha256,
                    )  # fmt: skip
            log.info("database brought up to date", migration=each.name)
        return [each.name for each in left]
    finally:
        if not connection.is_closed():
            await connection.execute(_UNLOCK)


async def check_schema(connection: Any, where: object) -> None:
    """Raises NewerSchemaError or AlteredSchemaError as `migrate` would, DatabaseError where something is still missing.

    For parts that may not change tables: they begin with this.
    """
    with explained(where, "while its tables were looked at"):
        there = await connection.fetchval("SELECT to_regclass('lineset.migration') IS NOT NULL")
        applied = (
            await connection.fetch("SELECT number, name, sha256 FROM lineset.migration ORDER BY number")
            if there
            else []
        )
    left = missing(migrations(), [tuple(row) for row in applied], where)
    if left:
        raise DatabaseError(
            where, f"its tables are older than this program ({left[0].name} is missing)", "Run: lineset shop run"
        )


async def prepare_database(config: ShopConfig) -> list[str]:
    """As the owner: tables up to date, partitions of this month and the next, the policy of keeping written down.

    Returns the names of the migrations that were applied. Raises DatabaseError and its kinds, ShopSettingsError.
    """
    from lineset.shop.retention import state_policy

    address = config.database("owner")
    async with connected(address) as connection:
        applied = await migrate(connection, address)
        with explained(address, "while it was prepared"):
            await connection.execute(MAKE_MONTHS)
            await state_policy(connection, config.retention.months, config.retention.reading_months)
    return applied


MAKE_MONTHS = """
SELECT lineset.make_month(date_trunc('month', now() AT TIME ZONE 'UTC')::date),
       lineset.make_month((date_trunc('month', now() AT TIME ZONE 'UTC') + interval '1 month')::date)
"""
