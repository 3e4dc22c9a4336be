"""Names of the visits' journals in a folder, and which visit is open."""

from __future__ import annotations

from pathlib import Path

import msgspec

from lineset.journal.errors import JournalError, SealedFileError, from_os
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader

SUFFIX = ".journal"
_LETTERS = frozenset("abcdefghijklmnopqrstuvwxyz0123456789_-")


class VisitFile(msgspec.Struct, frozen=True):
    """One visit's journal: `closed` when sealed; `error` when it cannot be read (then it counts as neither)."""

    visit: str
    path: Path
    closed: bool = False
    last: int = 0
    error: JournalError | None = None


class TwoOpenVisitsError(JournalError):
    """More than one visit is open in the folder: a station has one."""


def visit_path(folder: Path, visit: str) -> Path:
    """Where the journal of `visit` is. Raises ValueError unless the name is 1 to 64 of [a-z0-9_-]."""
    if not 0 < len(visit) <= 64 or not _LETTERS.issuperset(visit) or visit.startswith("-"):
        raise ValueError(f"a visit's name is 1 to 64 of the letters a-z, 0-9, _ and -, not {visit!r}")
    return folder / f"{visit}{SUFFIX}"


def list_visits(folder: Path) -> list[VisitFile]:
    """All visits in `folder`, by name; files that cannot be read are listed with their error. Raises JournalError."""
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == SUFFIX and not path.name.startswith("."))
    except OSError as error:
        raise from_os(error, folder) from error
    return [_look(path) for path in paths]


def _look(path: Path) -> VisitFile:
    try:
        with JournalReader(path) as reader:
            return VisitFile(path.stem, path, reader.seal() is not None, reader.last_seq())
    except JournalError as error:
        return VisitFile(path.stem, path, error=error)


def put_right(path: Path) -> JournalError | None:
    """Let SQLite take back what it had begun where a station went away while it made a sealed journal one plain file.

    Where nothing lies beside the file nothing is done. Returns what is in the way of it.
    """
    if path.with_name(f"{path.name}-journal").exists():
        try:
            JournalFile.open(path).close()
        except SealedFileError:
            return None
        except JournalError as error:
            return error
    return None


def open_visit(folder: Path) -> VisitFile | None:
    """The visit that was not closed, to go on with after a restart; None when all are.

    Files that cannot be read are passed over (`list_visits` tells of them). Raises TwoOpenVisitsError.
    """
    found = [visit for visit in list_visits(folder) if visit.error is None and not visit.closed]
    if len(found) > 1:
        names = ", ".join(visit.visit for visit in found)
        raise TwoOpenVisitsError(folder, f"more than one visit is open: {names}", "Close all but one")
    return found[0] if found else None
