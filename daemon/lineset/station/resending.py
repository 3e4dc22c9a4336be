"""Closed visits given to the shop again: after a restore from an old backup it has lost what it had receipted.

With a running station this is a command; where none runs the markers are set back in the outbox's file itself.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from lineset.contract.command import Resend
from lineset.journal.errors import JournalError
from lineset.journal.lock import WriterLock
from lineset.journal.outbox import Outbox
from lineset.journal.reader import JournalReader
from lineset.journal.visit_files import SUFFIX
from lineset.station.asked import Done
from lineset.station.uplinking import mark_again
from lineset.stream.command import CommandRefused
from lineset.stream.uplink import SHOP
from lineset_drivers.clock import NS

if TYPE_CHECKING:
    from lineset.station.daemon import Station

OUTBOX, VISITS = "outbox", "visits"  # in the data folder
NOT_JOINED = "this station has not joined a shop: lineset shop join FILE.join"


class Closed(NamedTuple):
    """A closed visit whose journal is here; `made` is wall time in ns."""

    visit: str
    path: Path
    identity: str
    made: int


class Found(msgspec.Struct, frozen=True, kw_only=True):
    """What becomes of what was asked for. `open` is the visit that goes on and needs no asking."""

    again: list[Closed]
    open: list[str]
    no_journal: list[str]  # named, and not here
    unreadable: dict[str, str]  # why, by visit
    no_journal_any_more: int  # journals of which the shop once had something and whose file is gone; when all are asked


class ResendRefused(Exception):
    """None of what was asked for can go again; the message says why and what to do."""


def find(folder: Path, asked: Resend, outbox: Outbox) -> Found:
    """The visits that are meant, oldest first. Reads every journal asked for: call it in a thread.

    Raises ResendRefused where nothing can be meant, OSError.
    """
    if sum((bool(asked.visits), asked.all, asked.since is not None)) != 1:
        raise ResendRefused("name visits, or say all, or since when: one of the three")
    here = {path.stem: path for path in folder.glob(f"*{SUFFIX}") if not path.name.startswith(".")}
    again, still_open, unreadable = [], [], {}
    known = set()
    for visit in dict.fromkeys(asked.visits) if asked.visits else sorted(here):
        if visit not in here:
            continue
        try:
            with JournalReader(here[visit]) as reader:
                known.add(reader.identity)
                made = int(reader.meta.get("created", 0))
                if reader.seal() is None:
                    still_open.append(visit)
                elif asked.since is None or _closed_at(reader, made) >= asked.since * NS:
                    again.append(Closed(visit, here[visit], reader.identity, made))
        except JournalError as error:
            unreadable[visit] = str(error)
    return Found(
        again=sorted(again, key=lambda each: (each.made, each.visit)),
        open=still_open,
        no_journal=[visit for visit in dict.fromkeys(asked.visits) if visit not in here],
        unreadable=unreadable,
        no_journal_any_more=len(outbox.journals(SHOP) - known) if asked.all and not unreadable else 0,
    )


def _closed_at(reader: JournalReader, made: int) -> int:
    """Wall time in ns by the laptop's clock when the visit was opened, and the visit's own since then."""
    first = next(iter(reader.rows(reader.first_seq)), None)
    return made + (reader.last_t() - first.t if first is not None else 0)


def told(found: Found) -> Done:
    """A sentence and data for people. Raises ResendRefused when nothing that was asked for can go."""
    count = len(found.again)
    parts = ["1 visit goes to the shop again" if count == 1 else f"{count} visits go to the shop again"]
    for visit in found.open:
        parts.append(f"{visit} is open and goes by itself")
    if found.no_journal:
        parts.append(f"no journal is here (any more) of {', '.join(found.no_journal)}")
    if found.no_journal_any_more:
        parts.append(f"{found.no_journal_any_more} that the shop once had have no journal here any more")
    parts += [f"{visit} cannot be read: {why}" for visit, why in found.unreadable.items()]
    text = "; ".join(parts)
    if not count and not found.open and (found.no_journal or found.unreadable):
        raise ResendRefused(text)
    data: dict[str, object] = {
        "again": [each.visit for each in found.again],
        "open": found.open,
        "no_journal": found.no_journal,
        "no_journal_any_more": found.no_journal_any_more,
        "unreadable": found.unreadable,
    }
    return text, data


async def resend(station: Station, asked: Resend) -> Done:
    """The command: what was asked for goes again, and that is durable. Raises CommandRefused."""
    uplinking = station.uplinking
    try:
        found = await asyncio.to_thread(find, uplinking.folder, asked, station.outbox)
        text, data = told(found)
    except (ResendRefused, OSError) as error:
        raise CommandRefused(str(error)) from error
    for each in found.again:
        uplinking.send_again(each.visit, each.path, each.identity, each.made)
    try:
        await asyncio.to_thread(station.outbox.flush)
    except JournalError as error:
        text += f"; after a restart of the station ask again, for this could not be kept: {error}"
    joined = uplinking.file.exists()
    return text if joined else f"{text}; {NOT_JOINED}", data | {"joined": joined}


def resend_without_station(data: Path, join_file: Path, asked: Resend) -> Done:
    """The same where no station runs on the data folder; it goes when the station runs.

    Raises LockedFileError when one does, other JournalErrors, ResendRefused, OSError.
    """
    lock = WriterLock(data / OUTBOX, what="outbox")
    try:
        outbox = Outbox(data / OUTBOX)
        found = find(data / VISITS, asked, outbox)
        text, said = told(found)
        for each in found.again:
            mark_again(outbox, each.identity)
        outbox.flush()
    finally:
        lock.release()
    joined = join_file.exists()
    if found.again:
        text += "; that is when the station runs"
    return text if joined else f"{text}; {NOT_JOINED}", said | {"joined": joined}
