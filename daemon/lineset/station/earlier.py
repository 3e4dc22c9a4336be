"""Earlier visits of the same systems, read from their journals when a new visit opens.

What is found goes on record as entries of the new visit, so that it can be replayed without any other file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import structlog

from lineset.assess.earlier import Condensed, condense
from lineset.contract import entry as e
from lineset.engine.settling import iso_date
from lineset.equipment.system import NO_NAME, SystemRecord
from lineset.journal.errors import JournalError
from lineset.journal.reader import JournalReader
from lineset.journal.visit_files import list_visits
from lineset.physics.refrigerant import canonical_name

log = structlog.get_logger(__name__)

# The newest visits of a system that are read: more of them hardly narrow what is expected, and opening has to be quick.
MOST = 5
# What must be alike for two visits to be of one system, for an id may have been given twice.
_ALIKE = ("refrigerant", "metering_device", "capacity_control")
_KINDS = frozenset("opened phase run settled unsettled check finding".split())


def earlier_visits(folder: Path, systems: Sequence[SystemRecord]) -> list[e.Recalled | e.Noted]:
    """What the sealed visits in a folder say of these systems, the newest first for each; and what cannot be read.

    A journal that is damaged, cannot be read or comes from a newer version is noted and passed over; so is a visit at
    which the system was not judged sound, or that work was done after. Nothing is recalled of a system that goes by the
    name which all have that were given none. Blocks: call it in a thread.
    """
    wanted = [system for system in systems if system.id != NO_NAME]
    if not wanted:
        return []
    told: list[e.Recalled | e.Noted] = []
    sealed: list[tuple[e.Opened, Path]] = []
    try:
        visits = list_visits(folder)
    except JournalError as error:
        return [_unread("the earlier visits", error)]
    for found in visits:
        try:
            if found.error is not None:
                raise found.error
            if found.closed:
                sealed.append((_opened(found.path), found.path))
        except (JournalError, e.EntryError) as error:
            told.append(_unread(f"the journal of visit {found.visit}", error))
    sealed.sort(key=lambda each: each[0].wall_ns, reverse=True)
    for system in wanted:
        told += _of_system(system, sealed)
    return told


def _unread(what: str, error: Exception) -> e.Noted:
    log.warning("an earlier visit cannot be read; nothing is held against it", what=what, error=str(error))
    return e.Noted(text=f"{what} cannot be read, so nothing is held against it: {error}", by="station")


def _opened(path: Path) -> e.Opened:
    with JournalReader(path) as reader:
        row = next(iter(reader.rows(reader.first_seq, {"opened"})), None)
    body = None if row is None else e.decode(row.body)
    if not isinstance(body, e.Opened):
        raise e.EntryError("it does not say how it was opened")
    return body


def _of_system(system: SystemRecord, sealed: Sequence[tuple[e.Opened, Path]]) -> Iterator[e.Recalled | e.Noted]:
    taken, changed_by = 0, ""
    for opened, path in sealed:
        before = next((each for each in opened.systems if each.id == system.id), None)
        if before is None:
            continue
        if taken == MOST:
            return
        taken += 1
        try:
            journal, head, condensed = _read(path, system.id)
        except (JournalError, e.EntryError) as error:
            yield _unread(f"the journal of visit {opened.visit}", error)
            continue
        reason = condensed.reason
        other = [name.replace("_", " ") for name in _ALIKE if _given(before, name) != _given(system, name)]
        if other:
            reason = f"its {' and '.join(other)} was given otherwise then; it may be another system of that name"
        elif changed_by:
            reason = f"work was done since, in visit {changed_by}"
        sound = condensed.sound and not other and not changed_by
        if condensed.worked and not changed_by:
            changed_by = opened.visit
        yield e.Recalled(
            system=system.id,
            visit=opened.visit,
            date=iso_date(opened.wall_ns),
            journal=journal,
            head=head,
            phase=condensed.phase,
            sound=sound,
            reason=reason,
            values=condensed.values if sound else {},
        )


def _given(system: SystemRecord, name: str) -> str:
    value = str(getattr(system, name))
    return (canonical_name(value) or value) if name == "refrigerant" else value


def _read(path: Path, system: str) -> tuple[str, str, Condensed]:
    """Identity, the hash that was sealed, and what the journal says of a system. Raises JournalError, EntryError."""
    with JournalReader(path) as reader:
        seal = reader.seal()
        rows = reader.rows(reader.first_seq, _KINDS)
        condensed = condense((e.Entry(row.seq, row.t, e.decode(row.body)) for row in rows), system)
        return reader.identity, "" if seal is None else seal.head.hex(), condensed


def told(recalled: Sequence[e.Recalled | e.Noted]) -> str:
    """What opening a visit says of earlier ones, to stand behind "visit x is open"; empty where there are none."""
    words = []
    for each in recalled:
        if isinstance(each, e.Noted):
            words.append(each.text)
        else:
            used = "held against it" if each.sound else "not used"
            words.append(f"{each.system}: visit {each.visit} of {each.date} {used}, {each.reason}")
    return "".join(f"; {each}" for each in words)
