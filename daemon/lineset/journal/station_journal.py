"""The station's journal outside visits: numbered files of the same format, the oldest deleted whole.

Each file's meta record holds the id and head hash of the file before, so the chain runs on from file to file,
and seqs go on counting. Files that the limits delete are gone; what is left still proves its own order.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import structlog

from lineset.journal import crash, durable
from lineset.journal.block import BlockRule
from lineset.journal.errors import DamagedFileError, JournalError, SealedFileError, WrongFormatError, from_os
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.seal import StationKey

_log = structlog.get_logger(__name__)
_NAME = re.compile(r"station-(\d{6,})\.journal")
_DAY = 24 * 3600


class StationJournal:
    """Opens, rotates and prunes the station's files in `folder`. A `Rotation` for `Writer`.

    A file is full at `max_bytes`, or `max_age` real seconds after it was made; `keep_files` are kept, the open one
    included. `meta` goes into every file's meta record.
    """

    def __init__(
        self,
        folder: Path,
        key: StationKey,
        *,
        max_bytes: int = 32 * 1024 * 1024,
        max_age: float = 7 * _DAY,
        keep_files: int = 8,
        meta: Mapping[str, str] | None = None,
        rule: BlockRule | None = None,
        wall: Callable[[], int] = time.time_ns,
    ) -> None:
        if keep_files < 2:
            raise ValueError(f"at least 2 files are kept, not {keep_files}: the open one and the one before")
        self.folder, self._key = folder, key
        self._max_bytes, self._max_age, self._keep = max_bytes, max_age, keep_files
        self._meta, self._rule, self._wall = dict(meta or {}), rule, wall

    def files(self) -> list[Path]:
        """The station's files, oldest first. Raises JournalError."""
        try:
            found = [(match, path) for path in self.folder.iterdir() if (match := _NAME.fullmatch(path.name))]
        except OSError as error:
            raise from_os(error, self.folder) from error
        return [path for _, path in sorted(found, key=lambda each: int(each[0][1]))]

    def open(self) -> JournalFile:
        """Go on with the newest file, or start the next where that one is sealed; the first in an empty folder.

        A newest file that is damaged is left as it is, and a new chain begins at seq 1: the technician's work goes
        on. Raises JournalError.
        """
        files = self.files()
        if not files:
            return self._start(1, {})
        newest = files[-1]
        try:
            return JournalFile.open(newest, rule=self._rule)
        except (DamagedFileError, WrongFormatError) as error:
            _log.error("station journal damaged, a new chain begins", path=str(newest), error=str(error))
            return self._start(1, {})
        except SealedFileError:
            with JournalReader(newest) as reader:
                seal = reader.seal()
                assert seal is not None
                return self._start(seal.last + 1, {"follows": reader.identity, "follows_head": seal.head.hex()})

    def due(self, journal: JournalFile) -> bool:
        """True when `journal` is full or old, and holds anything at all."""
        if journal.last < journal.first_seq:
            return False
        age = (self._wall() - int(journal.meta["created"])) / 1e9
        return journal.size() >= self._max_bytes or age >= self._max_age

    def rotate(self, journal: JournalFile) -> JournalFile:
        """Seal `journal`, start the next file, delete the oldest. Raises JournalError."""
        seal = journal.put_seal(self._key, journal.last_t())
        crash.point("rotation_sealed")
        follows = {"follows": journal.identity, "follows_head": seal.head.hex()}
        following = self._start(seal.last + 1, follows)
        crash.point("rotation_opened")
        journal.close()
        try:
            self.prune()
        except JournalError as error:
            # too many files is no reason to stop recording
            _log.warning("old station journal not deleted", path=error.path, error=str(error))
        return following

    def prune(self) -> list[Path]:
        """Delete the oldest files beyond `keep_files`, whole. Returns which. Raises JournalError."""
        gone = self.files()[: -self._keep]
        for path in gone:
            try:
                # the database last: while it is there the file is whole, or still counted among the old
                for suffix in ("-wal", "-shm", "-lock", ""):
                    path.with_name(path.name + suffix).unlink(missing_ok=True)
                durable.sync_folder(self.folder)
            except OSError as error:
                raise from_os(error, path) from error
            crash.point("rotation_deleted")
        return gone

    def _start(self, first: int, follows: Mapping[str, str]) -> JournalFile:
        files = self.files()
        match = _NAME.fullmatch(files[-1].name) if files else None
        number = int(match[1]) + 1 if match else 1
        path = self.folder / f"station-{number:06d}.journal"
        return JournalFile.create(path, first=first, meta={**self._meta, **follows}, rule=self._rule)
