"""Visits back as the journal files that the stations had, from the bytes that the shop received."""

from __future__ import annotations

from pathlib import Path

from lineset.audit.received_visit import seal_of
from lineset.journal.rebuild import RebuildError, Rebuilding
from lineset.journal.visit_files import SUFFIX
from lineset.shop.exporting import Exported, ExportError, Progress, make_folder
from lineset.shop.received import Selection, opened
from lineset.shop.shop_config import DatabaseAddress


async def restore(
    address: DatabaseAddress, shop: str, selection: Selection, out: Path, progress: Progress | None = None
) -> Exported:
    """Write `STATION.VISIT.journal` into `out` for each visit selected, row for row as the station recorded it.

    Nothing that is there is written over. Raises ExportError (bytes that do not hash: the audit tells more),
    DatabaseError, JournalError, OSError.
    """
    rows = {"journals": 0, "entries": 0}
    async with opened(address, shop) as received:
        await received.check_names(selection)
        make_folder(out)
        names = await received.names(selection)
        for done, name in enumerate(names):
            if progress is not None:
                progress(done, len(names))
            visit = await received.visit(name.id)
            if visit is None or visit.removed is not None:
                continue
            path = out / f"{visit.station}.{visit.visit}{SUFFIX}"  # neither name may hold a dot
            try:
                with Rebuilding(path, visit.meta) as made:
                    async for stored in received.blocks(visit):
                        made.add(stored.block, stored.data() or b"")
                    made.finish(seal_of(visit.seal) if visit.seal is not None else None)
            except RebuildError as error:
                where = f"visit {visit.visit} of {visit.station}"
                remedy = f"Run: lineset audit --shop {name.station}/{name.visit}"
                raise ExportError(where, error.problem, remedy) from error
            rows["journals"] += 1
            rows["entries"] += made.chain.rows
    if progress is not None:
        progress(len(names), len(names))
    return Exported(len(names), rows)
