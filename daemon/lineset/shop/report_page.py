"""A visit's report as HTML, from what the shop stored: the journal is made anew, verified and read like any other."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from lineset.equipment.display import Units
from lineset.shop.queries import Held
from lineset.shop.refusal import Refusal
from lineset.shop.shop_config import DatabaseAddress

if TYPE_CHECKING:
    from lineset.audit.received_visit import ReceivedBlock
    from lineset.journal.seal import Seal

MOST_BYTES = 256 * 1024 * 1024  # of packed blocks; a visit of a day with photos has some ten megabytes


class Reporter:
    """Makes reports, one at a time: each costs seconds of a processor."""

    def __init__(self, address: Callable[[], DatabaseAddress], shop: str) -> None:
        self._address, self._shop = address, shop
        self._one = asyncio.Lock()

    async def __call__(
        self, held: Held, *, language: str = "en", units: Units = "customary", zone: str = "UTC"
    ) -> bytes:
        """Raises Refusal (404: nothing is held, 409: what is held makes no journal, 422: the zone), ShopError."""
        where = _zone(zone)
        async with self._one:
            return await self._made(held, language, units, where)

    async def _made(self, held: Held, language: str, units: Units, zone: tzinfo) -> bytes:
        from lineset.audit.received_visit import seal_of
        from lineset.shop.received import opened

        blocks: list[ReceivedBlock] = []
        async with opened(self._address(), self._shop) as received:
            visit = await received.visit(held.id)
            if visit is not None:
                size = 0
                async for block in received.blocks(visit):
                    blocks.append(block)
                    size += len(block.packed)
                    if size > MOST_BYTES:
                        raise _cannot(held, "its record is too large for a report by this way")
        if visit is None or not blocks:
            raise Refusal(
                404, "nothing of this visit's record is held", f"{held.station}/{held.visit}",
                "its blocks are still to come, or were removed by the shop's policy",
            )  # fmt: skip
        seal = None if visit.seal is None else seal_of(visit.seal)
        return await asyncio.to_thread(self._written, held, dict(visit.meta), blocks, seal, language, units, zone)

    @staticmethod
    def _written(
        held: Held, meta: dict[str, str], blocks: list[ReceivedBlock], seal: Seal | None, language: str, units: Units,
        zone: tzinfo,
    ) -> bytes:  # fmt: skip
        from lineset.contract.entry import EntryError
        from lineset.journal.errors import JournalError
        from lineset.journal.rebuild import rebuild
        from lineset.report.make import read_report, write_report

        with tempfile.TemporaryDirectory(prefix="lineset-report-") as folder:
            path = Path(folder) / f"{held.visit}.journal"
            try:
                rebuild(path, meta, ((each.block, each.data() or b"") for each in blocks), seal, durably=False)
                [page] = write_report(read_report(path), Path(folder), ["html"], language, units, zone)
            except (JournalError, EntryError) as error:
                raise _cannot(held, str(error)) from error
            return page.read_bytes()


def _cannot(held: Held, why: str) -> Refusal:
    return Refusal(
        409, f"no report can be made: {why}", f"{held.station}/{held.visit}",
        f"look closer with: lineset audit --shop {held.station}/{held.visit}",
    )  # fmt: skip


def _zone(name: str) -> tzinfo:
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise Refusal(422, "this zone is not known here", "parameter zone", "name it as America/Chicago") from error
