"""The station's memory of systems: the latest description of each, as a file in its data folder, for the next visit.

Written when a system is amended and when a visit is closed, each file replaced whole. The files are TOML in the words
of a configuration, so that a person can put them right. A system that goes by the name which all have that were given
none is not remembered: two of that name need not be the same equipment.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import structlog

from lineset.equipment.description import SystemFileError, completed, read_system, system_text
from lineset.equipment.errors import SystemDescriptionError
from lineset.equipment.system import NO_NAME, SystemRecord, system_record
from lineset.journal import durable
from lineset.journal.errors import from_os
from lineset.physics.refrigerant import canonical_name

log = structlog.get_logger(__name__)
_ID = re.compile(r"[a-z0-9_-]{1,32}")


class Remembered(NamedTuple):
    """A system that is remembered: its record, and the ISO date of its description."""

    record: SystemRecord
    noted: str


class Systems:
    """The systems that a station remembers, in `folder`."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def path(self, id_: str) -> Path:
        """Where a system's description is kept."""
        return self._folder / f"{id_}.toml"

    def keep(self, systems: Iterable[SystemRecord], visit: str, wall_ns: int) -> None:
        """Remember these systems as they are now. Blocks. Raises JournalError."""
        date = datetime.fromtimestamp(wall_ns / 1e9, UTC).date().isoformat()
        for record in systems:
            if record.id == NO_NAME:
                continue
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
                durable.write_atomically(self.path(record.id), system_text(record, date, visit).encode(), mode=0o600)
            except OSError as error:
                raise from_os(error, self.path(record.id)) from error

    def recall(self, id_: str) -> Remembered | None:
        """What is remembered of a system; None for an unknown one. Raises SystemFileError with key, line and remedy."""
        if not _ID.fullmatch(id_) or id_ == NO_NAME:
            return None
        try:
            text = self.path(id_).read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as error:
            raise SystemDescriptionError(
                f"{self.path(id_)} cannot be read ({error}); put it right, or remove it"
            ) from error
        return Remembered(*read_system(text, str(self.path(id_))))

    def listed(self) -> list[Remembered | str]:
        """All systems that are remembered, by id; for a file that cannot be used, what is wrong with it."""
        found: list[Remembered | str] = []
        for file in sorted(self._folder.glob("*.toml")):
            try:
                one = self.recall(file.stem)
            except SystemDescriptionError as error:
                found.append(str(error))
            else:
                if one is not None:
                    found.append(one)
        return found

    def described(self, given: Sequence[dict[str, Any]], configured: Sequence[SystemRecord]) -> list[SystemRecord]:
        """The systems of a new visit: as given, else as configured; what neither says is taken from memory.

        Raises SystemDescriptionError.
        """
        by_id = {record.id: record for record in configured}
        if not given:
            return [self._complete(record) for record in configured]
        return [self._one(described, by_id) for described in given]

    def _one(self, described: dict[str, Any], by_id: dict[str, SystemRecord]) -> SystemRecord:
        id_ = described.get("id")
        if isinstance(id_, str) and not described.get("refrigerant"):
            known = by_id.get(id_)
            remembered = self.recall(id_)
            record = known or (remembered.record if remembered is not None else None)
            if record is not None:
                said = {key: value for key, value in described.items() if value not in ("", None)}
                more = system_record({"refrigerant": record.refrigerant, **said})
                return self._complete(completed(more, record))
            if "refrigerant" not in described and set(described) <= {"id"}:
                raise SystemDescriptionError(
                    f"system: nothing is remembered of {id_!r}; say its refrigerant and metering device, or see "
                    "`lineset visit systems`"
                )
        return self._complete(system_record(described))

    def _complete(self, record: SystemRecord) -> SystemRecord:
        remembered = self.recall(record.id)
        if remembered is None:
            return record
        if _fluid(remembered.record) != _fluid(record):
            log.warning("another refrigerant than remembered: nothing is taken from memory", system=record.id)
            return record
        return completed(record, remembered.record)


def _fluid(record: SystemRecord) -> str:
    return canonical_name(record.refrigerant) or record.refrigerant


__all__ = ["Remembered", "SystemFileError", "Systems"]
