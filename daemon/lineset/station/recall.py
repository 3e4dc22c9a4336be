"""What a station remembers of the time before it was restarted: commands that may still be asked again."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from pathlib import Path

from lineset.contract import entry as e
from lineset.contract.command import Reply, Request
from lineset.journal.errors import JournalError
from lineset.journal.reader import JournalReader
from lineset.stream.command import MAX_AHEAD_S


def recent(paths: Iterable[Path], now: float) -> list[Path]:
    """Journals that were written to so lately that a command in them may not have expired (wall seconds)."""
    found = []
    for path in paths:
        log = path.with_name(f"{path.name}-wal")
        changed = max((file.stat().st_mtime for file in (path, log) if file.exists()), default=0.0)
        if changed > now - MAX_AHEAD_S:
            found.append(path)
    return found


def commands(path: Path, now: float) -> Iterator[tuple[Request, str, Reply]]:
    """Request, verb and reply of each command in a journal that has not expired at `now` (wall seconds).

    Raises JournalError, EntryError.
    """
    with JournalReader(path) as reader:
        for row in reader.rows(reader.first_seq, {"command"}):
            body = e.decode(row.body)
            assert isinstance(body, e.Commanded)
            if body.expires <= now:
                continue
            data = dict(body.data)
            if body.ok and body.verb in ("visit-close", "force-close") and (seal := reader.seal()) is not None:
                data |= {"entries": seal.last, "head": seal.head.hex()}
            yield (
                Request(request=body.request, expires=body.expires, args=body.args, actor=body.actor),
                body.verb,
                Reply(request=body.request, verb=body.verb, ok=body.ok, text=body.answer, data=data),
            )


def recall(paths: Iterable[Path]) -> Iterator[tuple[Request, str, Reply]]:
    """The commands of all these journals that may still be asked again. Raises EntryError."""
    now = time.time()
    for path in recent(paths, now):
        try:
            yield from commands(path, now)
        except JournalError:
            continue  # who opens that journal has told of it
