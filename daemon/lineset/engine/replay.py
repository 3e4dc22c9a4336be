"""Replay: put recorded inputs through the engine again and compare what comes out, entry for entry."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from lineset.contract import entry as e
from lineset.engine.fold import Engine


class Difference(NamedTuple):
    """An output that a replay made otherwise: at which entry, what was recorded, what was computed (or None)."""

    seq: int
    recorded: bytes | None
    computed: bytes | None


def replay(engine: Engine, rows: Iterable[tuple[int, int, str, bytes]]) -> Iterator[Difference]:
    """Push the inputs among `rows` (seq, t, kind, stored body) and yield every output that differs.

    Rows are in order of seq, each input followed by its outputs. An engine restored from a snapshot takes only the
    rows after the snapshot's seq.
    """
    pending: list[bytes] = []
    at = 0
    for seq, t, kind, stored in rows:
        if e.is_input(kind):
            for computed in pending:
                yield Difference(at, None, computed)
            body = e.decode(stored)
            pending = [e.encode(out) for out in engine.push(seq, t, body)]  # type: ignore[arg-type]
            engine.take_live()
            at = seq
        elif pending:
            computed = pending.pop(0)
            if computed != stored:
                yield Difference(seq, stored, computed)
        else:
            yield Difference(seq, stored, None)
    for computed in pending:
        yield Difference(at, None, computed)
