"""A visit as its journal tells it, read once: what reports, comparisons and exports are made from.

The journal alone is enough: no instrument, no network, no configuration. Frames and the once-a-second derived values
are left out here; who needs them reads the rows themselves.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from lineset.contract import entry as e
from lineset.journal.errors import DamagedFileError, JournalError
from lineset.journal.reader import JournalReader
from lineset.journal.seal import Seal

B = TypeVar("B", bound=e.AnyBody)
# "comparison", "question" and all the rest; not what comes many times a second
_SKIPPED = frozenset({"frame", "derived", "tick", "blob"})
KINDS = (e.INPUT_KINDS | e.OUTPUT_KINDS) - _SKIPPED


class NotAVisitError(JournalError):
    """A journal that holds no visit: a station's own."""


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo or recording of a visit; `whole` says whether all parts are there and fit their hash."""

    sha256: str
    media_type: str
    data: bytes
    whole: bool


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """One visit, in order of its entries. `head` is the hash that all of it hangs on; `seal` is None while it is open.

    `systems` are as last described, `instruments` as last introduced, `states` the last told state of each.
    """

    path: Path
    journal: str  # 32 hex digits
    opened: e.Opened
    entries: Sequence[e.Entry]
    systems: dict[str, e.SystemRecord]
    instruments: dict[str, e.Introduced]
    states: dict[str, e.InstrumentChanged]
    photos: dict[str, Photo]
    seal: Seal | None
    sealed_well: bool  # the signature belongs to the key that the seal names; the audit looks at everything else
    head: str
    last: int
    _walls: Sequence[tuple[int, int]] = field(default=())  # (seq, wall minus visit time in ns)

    def of(self, kind: type[B]) -> Iterator[tuple[e.Entry, B]]:
        """All entries of one kind, in order, with their bodies."""
        for entry in self.entries:
            if isinstance(entry.body, kind):
                yield entry, entry.body

    def wall(self, entry: e.Entry) -> datetime:
        """When an entry came, by the station's clock as it stood then, UTC."""
        return wall_time(self._walls, entry.seq, entry.t)

    @property
    def closed(self) -> e.Closed | None:
        """How it was closed; None while it is open."""
        return next((body for _, body in self.of(e.Closed)), None)

    def phases(self) -> list[tuple[str, int]]:
        """Each phase with the visit time in ns at which it began, in order."""
        found = [(self.opened.phase, self.entries[0].t)]
        found += [(body.phase, entry.t) for entry, body in self.of(e.Phased)]
        return found


def wall_time(walls: Sequence[tuple[int, int]], seq: int, t: int) -> datetime:
    """Wall time of visit time `t` at entry `seq`, from the offsets in force since which entry."""
    offset = 0
    for since, value in walls:
        if since > seq:
            break
        offset = value
    return datetime.fromtimestamp((t + offset) / 1e9, UTC)


def _check_time(path: Path, walls: Sequence[tuple[int, int]], entry: e.Entry) -> None:
    """Raises DamagedFileError where an entry gives a time of day that no calendar has."""
    try:
        wall_time(walls, entry.seq, entry.t)
    except (OverflowError, ValueError, OSError) as error:
        text = f"the time of day of entry {entry.seq} is none that a calendar has"
        raise DamagedFileError(path, text, "Run the audit to see what else is wrong") from error


def wall_offset(entry: e.Entry) -> int | None:
    """Wall time minus visit time [ns] that an entry tells of; None for most."""
    if isinstance(entry.body, e.Opened | e.WallClock | e.Resumed):
        return entry.body.wall_ns - entry.t
    return None


def read_visit(path: Path) -> VisitRecord:
    """Read one visit's journal, also while it is open. Raises JournalError, EntryError, NotAVisitError."""
    with JournalReader(path) as reader, reader.still():
        return visit_in(reader)


def visit_in(reader: JournalReader) -> VisitRecord:
    """As `read_visit`, of a journal that is open and held `still`."""
    path = reader.path
    entries: list[e.Entry] = []
    systems: dict[str, e.SystemRecord] = {}
    instruments: dict[str, e.Introduced] = {}
    states: dict[str, e.InstrumentChanged] = {}
    walls: list[tuple[int, int]] = []
    for row in reader.rows(1, KINDS):
        entry = e.Entry(row.seq, row.t, e.decode(row.body))
        body = entry.body
        entries.append(entry)
        offset = wall_offset(entry)
        if offset is not None:
            walls.append((entry.seq, offset))
            _check_time(path, walls, entry)
        if isinstance(body, e.Opened):
            systems.update({record.id: record for record in body.systems})
        elif isinstance(body, e.Amended):
            systems[body.record.id] = body.record
        elif isinstance(body, e.Introduced):
            instruments[body.instrument] = body
        elif isinstance(body, e.InstrumentChanged):
            states[body.instrument] = body
    photos = _photos(reader)
    block, seal = reader.last_block(), reader.seal()
    head = seal.head if seal else (block.hash if block else reader.genesis)
    last, journal = reader.last_seq(), reader.identity
    sealed_well = seal is not None and seal.signed_by_its_key(reader.genesis)
    first = entries[0].body if entries else None
    if not isinstance(first, e.Opened) or not first.visit:
        raise NotAVisitError(path, "this journal holds no visit", "Name the journal of a visit")
    return VisitRecord(
        path=path,
        journal=journal,
        opened=first,
        entries=entries,
        systems=systems,
        instruments=instruments,
        states=states,
        photos=photos,
        seal=seal,
        sealed_well=sealed_well,
        head=head.hex(),
        last=last,
        _walls=walls,
    )


def _photos(reader: JournalReader) -> dict[str, Photo]:
    parts: dict[str, dict[int, e.Blob]] = {}
    for row in reader.rows(1, {"blob"}):
        blob = e.decode(row.body)
        if not isinstance(blob, e.Blob):
            raise DamagedFileError(
                reader.path,
                f"entry {row.seq} is kept as a photo and is none",
                "Run the audit to see what else is wrong",
            )
        parts.setdefault(blob.sha256, {})[blob.part] = blob
    found = {}
    for sha256, pieces in parts.items():
        data = b"".join(pieces[part].data for part in sorted(pieces))
        whole = hashlib.sha256(data).hexdigest() == sha256
        found[sha256] = Photo(sha256, next(iter(pieces.values())).media_type, data, whole)
    return found
