"""The audit of a visit against what the shop received of it: of the shop's own copy, or of a file beside it."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import msgspec

from lineset.audit.audit import (
    FAIL,
    NOT_LOOKED,
    Auditing,
    Overheard,
    Progress,
    audit,
    audit_verified,
    not_looked,
    printable,
    unread,
)
from lineset.audit.audit_record import Audit, Remark
from lineset.audit.file_items import FileItems
from lineset.audit.holding import Holding
from lineset.audit.received_visit import ReceivedVisit, iso
from lineset.audit.shop_record import ShopRecord
from lineset.journal.errors import JournalError
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.shop.errors import ShopError
from lineset.shop.received import Received, opened
from lineset.shop.shop_config import DatabaseAddress


@dataclass(frozen=True, slots=True)
class Work:
    """One audit to be made, in whatever process: of the visit with this number, or of the file at `path`.

    `keys` may have sealed it; where none is given the shop's pinned key is right, where it has none those of `own`.
    """

    address: DatabaseAddress
    shop: str
    keys: tuple[bytes, ...] = ()
    own: tuple[bytes, ...] = ()
    path: Path | None = None
    visit: int = 0
    name: str = ""


def done(work: Work, progress: Progress | None = None) -> Audit:
    """Make the audit. What cannot be asked or read gives `not_looked`; never raises for that."""
    try:
        return asyncio.run(_done(work, progress))
    except (ShopError, JournalError) as error:
        return not_looked(work.path or Path(work.name), str(error))


async def _done(work: Work, progress: Progress | None) -> Audit:
    async with opened(work.address, work.shop) as received:
        if work.path is not None:
            return await audit_file(received, work.path, work.keys, work.own, progress)
        visit = await received.visit(work.visit)
        if visit is None:
            return not_looked(Path(work.name), "the shop no longer has this visit")
        return await audit_received(received, visit, work.keys, progress)


async def audit_received(
    received: Received, visit: ReceivedVisit, keys: Collection[bytes] = (), progress: Progress | None = None
) -> Audit:
    """Audit a visit as the shop holds it, block after block in one go, as far as its bytes hash.

    `keys` are the public keys that may have sealed it; without any, the key that the shop pinned is the right one.
    Raises DatabaseError.
    """
    target = f"{visit.station}/{visit.visit}"
    if visit.removed is not None:
        found = not_looked(Path(target), f"the shop removed this record on {iso(visit.removed)}, as its policy says")
        return msgspec.structs.replace(found, station=visit.station, visit=visit.visit, journal=visit.journal)
    holding, tables, auditing = Holding(visit), received.table_check(visit), Auditing(_right(visit, keys))
    async for stored in received.blocks(visit):
        for item in holding.take(stored) or ():
            if isinstance(item, Row):
                auditing.take(item)
        await tables.take(holding.readable, stored.block.first, stored.block.last)
        if progress is not None:
            progress(stored.block.last, max(1, visit.through))
    found = auditing.finish(target, visit.meta, holding.verification(), ends_in_block=True)
    record, remarks = holding.finish(found, tables=await tables.finish())
    return _joined(found, record, (*remarks, *_removed_rows(visit)))


async def audit_file(
    received: Received,
    path: Path,
    keys: Collection[bytes] = (),
    own: Collection[bytes] = (),
    progress: Progress | None = None,
) -> Audit:
    """Audit the journal at `path`, and hold it against what the shop received under its name.

    `keys` as for `audit_received`; `own` are right where the shop pinned none. Raises DatabaseError.
    """
    try:
        with JournalReader(path, lenient=True) as reader:
            meta = dict(reader.meta)
    except JournalError:
        return audit(path, keys or own, progress)  # which says why; nobody knows which visit it is
    station, name, journal = (
        printable(meta.get(key, "")).replace("\0", "\ufffd") for key in ("station", "visit", "id")
    )
    # what the shop has first: meanwhile a file in use only grows
    visit = await received.find(station, name, journal)
    if visit is None or visit.removed is not None:
        return _not_there(received, visit, audit(path, keys or own, progress))
    try:
        with Overheard(path) as reader, reader.still():
            found, examined = audit_verified(reader, _right(visit, keys, own), progress)
            proved = examined.hashes if examined.ok else ()
            holding, tables = Holding(visit, FileItems(reader), meta, proved), received.table_check(visit)
            async for stored in received.blocks(visit):
                holding.take(stored)
                await tables.take(holding.readable, stored.block.first, stored.block.last)
            try:
                seal = reader.seal()
            except (JournalError, TypeError):
                seal = None  # the audit has said that it is damaged
            record, remarks = holding.finish(found, seal, await tables.finish())
            return _joined(found, record, (*remarks, *_removed_rows(visit)))
    except JournalError as error:
        return unread(path, error)


def _right(visit: ReceivedVisit, keys: Collection[bytes], own: Collection[bytes] = ()) -> tuple[bytes, ...]:
    return tuple(keys) or ((visit.key,) if visit.key else tuple(own))


def _removed_rows(visit: ReceivedVisit) -> tuple[Remark, ...]:
    """What is to be known where the policy removed rows sooner than blocks."""
    if visit.readings_removed is None:
        return ()
    text = f"the shop removed the rows of readings and derived values on {iso(visit.readings_removed)}, by its policy"
    return (Remark("shop", False, text, "The blocks hold them all the same; those two tables were not compared."),)


def _not_there(received: Received, visit: ReceivedVisit | None, found: Audit) -> Audit:
    """The audit of a file of whose visit the shop has nothing, or nothing any more."""
    if found.outcome == NOT_LOOKED:
        return found
    record = ShopRecord(shop=received.shop, held=False, proves=())
    if visit is not None:
        head = f"; it had received {visit.blocks} blocks up to entry {visit.through}, head {visit.head.hex()}"
        text = f"the shop removed what it had of this visit on {iso(visit.removed)}, as its policy says{head}"
        return _joined(
            found, record, (Remark("shop", False, text, "Its own row of the visit is all that it vouches by."),)
        )
    text = "the shop has received nothing of this visit: nothing of it is vouched for"
    if found.sealed:
        means = "It is sealed and was not sent yet, or was kept back. Let the station send it and audit again."
    else:
        means = "It is still open; the station sends it when it can."
    remark = Remark("shop", found.sealed, text, means)
    return _joined(found, record, (remark,))


def _joined(found: Audit, record: ShopRecord, remarks: Collection[Remark]) -> Audit:
    every = (*found.remarks, *remarks)
    return msgspec.structs.replace(
        found,
        shop=record,
        remarks=tuple(sorted(every, key=lambda remark: not remark.wrong)),
        outcome=FAIL if any(remark.wrong for remark in every) else found.outcome,
    )
