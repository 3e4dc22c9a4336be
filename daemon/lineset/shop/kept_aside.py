"""What collectors put aside, for the person who looks into it: list it, get its bytes, note that it was looked at."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec

from lineset.shop.cleaning import cleaned

_LIST = """
SELECT id, station, visit, n, reason, words, octet_length(payload) AS size, received_at, times, taken_at, taken_by
FROM lineset.set_aside WHERE ($1 OR taken_at IS NULL) ORDER BY id LIMIT $2
"""
_NOTE = """
UPDATE lineset.set_aside SET taken_at = now(), taken_by = $2 WHERE id = ANY($1) AND taken_at IS NULL RETURNING id
"""


class KeptAside(msgspec.Struct, frozen=True, kw_only=True):
    """One message that was not taken. `taken_at`: it was taken after all, or `taken_by` has looked into it."""

    id: int
    station: str
    visit: str
    n: int | None
    reason: str
    words: str
    size: int  # bytes of the message
    received_at: datetime
    times: int  # how often the same came
    taken_at: datetime | None = None
    taken_by: str = ""


async def listed(connection: Any, *, everything: bool = False, most: int = 200) -> list[KeptAside]:
    """What lies there and nobody has looked into, oldest first, or everything. Raises the driver's errors."""
    return [KeptAside(**row) for row in await connection.fetch(_LIST, everything, most)]


async def payload_of(connection: Any, id_: int) -> bytes | None:
    """The message as it came; None when there is none of this id. Raises the driver's errors."""
    found = await connection.fetchval("SELECT payload FROM lineset.set_aside WHERE id = $1", id_)
    return None if found is None else bytes(found)


async def note(connection: Any, ids: Sequence[int], by: str) -> tuple[list[int], list[int]]:
    """Note that `by` has looked into these; the messages stay. Returns those of which that is new, and unknown ones.

    Raises the driver's errors.
    """
    new = sorted(row["id"] for row in await connection.fetch(_NOTE, list(ids), cleaned(by).strip()[:200]))
    known = {row["id"] for row in await connection.fetch("SELECT id FROM lineset.set_aside WHERE id = ANY($1)", ids)}
    return new, sorted(set(ids) - known)
