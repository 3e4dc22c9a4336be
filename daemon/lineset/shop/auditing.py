"""The audit of a visit against what the shop received of it: of the shop's own copy, or of a file beside it."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import msgspec

from lineset.audit.audit import FAIL, Auditing, Overheard, Progress, audit_verified, not_looked, printable, unread
from lineset.audit.audit_record import Audit, Remark
from lineset.audit.file_items import FileItems
from lineset.audit.holding import Holding
from lineset.audit.received_visit import ReceivedVisit, iso
from lineset.audit.shop_record import ShopRecord
from lineset.journal.errors import JournalError
from lineset.journal.row import Row
from lineset.journal.verify import Verification
from lineset.shop.errors import ShopError
from lineset.shop.received import Received, opened
from lineset.shop.shop_config import DatabaseAddress


@dataclass(frozen=True, slots=True)
class Work:
    """One audit to be made, in whatever process: of the visit with this number, or of the file at `path`.

    `keys` may have sealed it; where none is given the shop's pinned key is right, where it has none those of `own`.
    `asked` is the visit that the file was asked for by, where it was by name.
    """

    address: DatabaseAddress
    shop: str
    keys: tuple[bytes, ...] = ()
    own: tuple[bytes, ...] = ()
    path: Path | None = None
    asked: str = ""
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
            return await audit_file(received, work.path, work.keys, work.own, progress, work.asked)
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
    holding, tables, auditing = Holding(visit), received.table_check(visit), Auditing(keys or _right(visit))
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
    asked: str = "",
) -> Audit:
    """Audit the journal at `path`, and hold it against what the shop received under its name.

    `keys` as for `audit_received`; `own` are right where the shop pinned none. Raises DatabaseError.
    """
    try:
        with Overheard(path) as reader:
            meta = reader.meta
            station, name, journal = (
                printable(meta.get(key, "")).replace("\0", "\ufffd") for key in ("station", "visit", "id")
            )
            # what the shop has first: meanwhile a file in use only grows
            visit = await received.find(station, name, journal)
            with reader.still():  # one moment of the file for all of it
                return await _audit_open(received, visit, reader, keys or _right(visit, own), progress, asked)
    except JournalError as error:
        return unread(path, error)


async def _audit_open(
    received: Received,
    visit: ReceivedVisit | None,
    reader: Overheard,
    keys: Collection[bytes],
    progress: Progress | None,
    asked: str,
) -> Audit:
    found, verified = audit_verified(reader, keys, progress, visit=asked)
    if visit is None or visit.removed is not None:
        return _not_there(received, visit, found, verified)
    proved = verified.hashes if verified.ok else ()
    holding, tables = Holding(visit, FileItems(reader), dict(reader.meta), proved), received.table_check(visit)
    async for stored in received.blocks(visit):
        holding.take(stored)
        await tables.take(holding.readable, stored.block.first, stored.block.last)
    try:
        seal = reader.seal()
    except (JournalError, TypeError):
        seal = None  # the audit has said that it is damaged
    record, remarks = holding.finish(found, seal, await tables.finish())
    return _joined(found, record, (*remarks, *_removed_rows(visit)))


def _right(visit: ReceivedVisit | None, own: Collection[bytes] = ()) -> tuple[bytes, ...]:
    """The key that the shop pinned; where it has none, the `own` ones."""
    return (visit.key,) if visit is not None and visit.key else tuple(own)


def _removed_rows(visit: ReceivedVisit) -> tuple[Remark, ...]:
    """What is to be known where the policy removed rows sooner than blocks."""
    if visit.readings_removed is None:
        return ()
    text = f"the shop removed the rows of readings and derived values on {iso(visit.readings_removed)}, by its policy"
    return (Remark("shop", False, text, "The blocks hold them all the same; those two tables were not compared."),)


def _not_there(received: Received, visit: ReceivedVisit | None, found: Audit, verified: Verification) -> Audit:
    """The audit of a file of whose visit the shop has nothing, or nothing any more."""
    record = ShopRecord(shop=received.shop, held=False, proves=())
    if visit is not None:
        remarks = [_of_removed(visit, verified)]
        if visit.journal != found.journal:
            text = f"it was journal {visit.journal} that the shop received under this name, the file is {found.journal}"
            remarks.append(Remark("shop", True, text))
        return _joined(found, record, remarks)
    text = "the shop has received nothing of this visit: nothing of it is vouched for"
    if found.sealed:
        means = "It is sealed and was not sent yet, or was kept back. Let the station send it and audit again."
    else:
        means = "It is still open; the station sends it when it can."
    remark = Remark("shop", found.sealed, text, means)
    return _joined(found, record, (remark,))


def _of_removed(visit: ReceivedVisit, verified: Verification) -> Remark:
    """What is left of a record that the shop removed: the hash of its last block, which the file has to have."""
    text = (
        f"the shop removed what it had of this visit on {iso(visit.removed)}, as its policy says; it had received "
        f"{visit.blocks} blocks up to entry {visit.through}, head {visit.head.hex()}"
    )
    if not visit.blocks:
        return Remark("shop", False, text, "Nothing of the file is vouched for.")
    there = verified.hashes[visit.blocks - 1] if visit.blocks <= len(verified.hashes) else b""
    if there == visit.head:
        means = "The file has that very hash: as far as that block it is what was received. When it came is not kept."
        return Remark("shop", False, text, means)
    other = f"the file's block {visit.blocks} has hash {there.hex()}" if there else "the file ends before that block"
    return Remark("shop", True, f"{text}; {other}", "It is not the record that the shop received.", 0, visit.blocks)


def _joined(found: Audit, record: ShopRecord, remarks: Collection[Remark]) -> Audit:
    every = (*found.remarks, *remarks)
    return msgspec.structs.replace(
        found,
        shop=record,
        remarks=tuple(sorted(every, key=lambda remark: not remark.wrong)),
        outcome=FAIL if any(remark.wrong for remark in every) else found.outcome,
    )
