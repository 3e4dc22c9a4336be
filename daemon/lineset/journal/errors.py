"""Typed errors of the journal. Each says what happened, in which file, and what to do about it."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path


class JournalError(Exception):
    """Base of the journal's errors; `path` is the file, `problem` and `remedy` are sentences for people."""

    def __init__(self, path: str | Path, problem: str, remedy: str) -> None:
        self.path, self.problem, self.remedy = str(path), problem, remedy
        super().__init__(f"{path}: {problem}. {remedy}")


class MissingFileError(JournalError):
    """No journal at this path, or no such folder."""


class ExistingFileError(JournalError):
    """A journal was to be made where a file already is; nothing is ever overwritten."""


class WrongFormatError(JournalError):
    """The file is not a lineset journal at all."""


class NewerFormatError(JournalError):
    """The file is a journal of a later format than this program knows."""


class DamagedFileError(JournalError):
    """The file is a journal, but it cannot be read through or contradicts itself."""


class LockedFileError(JournalError):
    """Another process writes to this journal."""


class PermissionDeniedError(JournalError):
    """The system does not let this user read or write the file."""


class SealedFileError(JournalError):
    """The journal was closed and sealed: it takes no more rows."""


class CannotWriteError(JournalError):
    """The disk does not take the rows now: full, failing, read-only, gone. The rows are kept and tried again."""


class DiskFullError(CannotWriteError):
    """No room on the disk. The rows are kept and tried again."""


class KeyFileError(JournalError):
    """The station's key file cannot be used: readable by others, damaged, of another kind."""


class RowError(ValueError):
    """A row that the journal cannot take: a caller's mistake (number, time, kind, body)."""


class RowsLostError(Exception):
    """Awaited rows were dropped because memory ran out of room while the disk did not take them."""


class WriterClosedError(Exception):
    """The writer is closed, or ended before the awaited rows were committed."""


_FULL = frozenset({sqlite3.SQLITE_FULL})
_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT})
_BUSY = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
_DENIED = frozenset({sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH})


def from_sqlite(error: sqlite3.Error, path: str | Path) -> JournalError:
    """The typed error, with words for people, of an error that SQLite raised on the file at `path`."""
    if isinstance(error, sqlite3.ProgrammingError):
        return CannotWriteError(path, f"the file is not open ({error})", "Open it again")
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
    if code in _FULL:
        return DiskFullError(path, "the disk is full", "Free some space; the rows are kept and tried again")
    if code in _DAMAGED:
        return DamagedFileError(path, f"the file is damaged ({error})", "Keep it for the audit and start another")
    if code == sqlite3.SQLITE_NOTADB:
        return WrongFormatError(path, "this is not a lineset journal", "Name a journal file")
    if code in _BUSY:
        return LockedFileError(path, "another program holds the file", "End that program")
    if code in _DENIED:
        return PermissionDeniedError(path, "permission denied", "Give this user the right to read and write it")
    if code == sqlite3.SQLITE_READONLY:
        return CannotWriteError(
            path, f"the file cannot be written ({error})", "See that the disk and file are writable and still there"
        )
    detail = f"{error}, {getattr(error, 'sqlite_errorname', 'no code')}"
    return CannotWriteError(path, f"the disk does not take the data ({detail})", "Check the disk and its cable")


def from_os(error: OSError, path: str | Path) -> JournalError:
    """The typed error of an operating system's error on the file at `path`."""
    if isinstance(error, PermissionError):
        return PermissionDeniedError(path, "permission denied", "Give this user the right to read and write it")
    if isinstance(error, FileNotFoundError):
        return MissingFileError(path, "no such file or folder", "Check the path")
    if isinstance(error, FileExistsError):
        return ExistingFileError(path, "a file of this name is already there", "Choose another name")
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return DiskFullError(path, "the disk is full", "Free some space")
    return CannotWriteError(path, f"the system answered: {error.strerror or error}", "Check the disk")
