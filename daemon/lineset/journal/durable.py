"""Small files replaced whole, so that after a power cut there is the old one or the new one."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from lineset.journal import crash


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` durable. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_file(path: Path) -> None:
    """Make the content of `path` durable. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_atomically(path: Path, content: bytes, *, mode: int = 0o644) -> None:
    """Replace `path` by `content`, durably. Raises OSError, and then leaves the old content and no scrap."""
    crash.point("atomic_begun")
    scrap = path.with_name(f".{path.name}.new")
    # one left by a crash may have another mode or owner: never write into it
    with contextlib.suppress(FileNotFoundError):
        scrap.unlink()
    try:
        descriptor = os.open(scrap, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(descriptor, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        crash.point("atomic_written")
        os.replace(scrap, path)
    except OSError:
        with contextlib.suppress(FileNotFoundError):
            scrap.unlink()
        raise
    crash.point("atomic_renamed")
    sync_folder(path.parent)
