"""A disposable cache of the engine's state beside the journal, so that a restart need not replay hours.

Losing it costs time and nothing else: what does not fit exactly is not used. One file:

    "lineset snapshot 1\\n", SHA-256 of the rest (32), u64 seq, u16 length, journal id,
    u16 length, fingerprint, u64 length, body
"""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import msgspec
import structlog

from lineset.journal import durable
from lineset.journal.errors import from_os

_log = structlog.get_logger(__name__)
_MAGIC = b"lineset snapshot 1\n"
_SEQ = struct.Struct(">Q")
_SHORT = struct.Struct(">H")


class Snapshot(msgspec.Struct, frozen=True):
    """State `body` after row `seq` of journal `journal`, made by the engine named by `fingerprint`."""

    journal: str
    seq: int
    fingerprint: str
    body: bytes


def snapshot_path(journal: Path) -> Path:
    """Where the snapshot of the journal at this path is kept."""
    return journal.with_name(f"{journal.stem}.snapshot")


def write_snapshot(path: Path, snapshot: Snapshot) -> None:
    """Replace the snapshot at `path`. Call only when `snapshot.seq` is committed. Raises JournalError."""
    names = b"".join(
        _SHORT.pack(len(text)) + text for text in (snapshot.journal.encode(), snapshot.fingerprint.encode())
    )
    content = _SEQ.pack(snapshot.seq) + names + _SEQ.pack(len(snapshot.body)) + snapshot.body
    try:
        durable.write_atomically(path, _MAGIC + hashlib.sha256(content).digest() + content)
    except OSError as error:
        raise from_os(error, path) from error


def read_snapshot(path: Path, *, journal: str, fingerprint: str, last: int) -> Snapshot | None:
    """The snapshot at `path` if it is whole, of this journal and engine, and not ahead of row `last`; else None."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        _log.warning("snapshot not readable, replaying from the start", path=str(path), error=str(error))
        return None
    snapshot = _decode(content)
    if snapshot is None:
        _log.warning("snapshot damaged, replaying from the start", path=str(path))
        return None
    if snapshot.journal != journal or snapshot.fingerprint != fingerprint or snapshot.seq > last:
        _log.info("snapshot does not fit, replaying from the start", path=str(path), seq=snapshot.seq, last=last)
        return None
    return snapshot


def _decode(content: bytes) -> Snapshot | None:
    start = len(_MAGIC) + 32
    if len(content) < start or not content.startswith(_MAGIC):
        return None
    if hashlib.sha256(memoryview(content)[start:]).digest() != content[len(_MAGIC) : start]:
        return None
    # from here on the content is what some version of us wrote
    (seq,) = _SEQ.unpack_from(content, start)
    at, names = start + _SEQ.size, []
    for _ in range(2):
        (length,) = _SHORT.unpack_from(content, at)
        at += _SHORT.size
        names.append(content[at : at + length].decode())
        at += length
    (length,) = _SEQ.unpack_from(content, at)
    at += _SEQ.size
    return Snapshot(names[0], seq, names[1], content[at : at + length])
