"""What of relayed frames is on record: what a relay may forget, since it keeps everything else.

A visit's record itself tells the numbers that it holds, so that none is taken twice in it. Between visits, and from one
record to the next, a small file remembers; it is written before a relay is told, and after a kill it may be half a
second behind: then that half second comes again, never is it missing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from pathlib import Path

import msgspec
import structlog

from lineset.engine.state import InstrumentEngineState
from lineset.station.record import Record

log = structlog.get_logger(__name__)


class Receipts:
    """Numbers of relayed frames, from taken to committed. `known`: what the record held when the station started."""

    def __init__(self, file: Path, known: Mapping[str, InstrumentEngineState]) -> None:
        self._file = file
        self._kept = _read(file)
        for id_, instrument in known.items():
            if instrument.spool:
                self._kept[id_] = max(instrument.spool, self._kept.get(id_, -1))
        self._waiting: deque[tuple[Record, int, str, int]] = deque()

    def taken(self, record: Record, seq: int, instrument: str, spool: int) -> None:
        """A relayed frame became an entry, which is not durable yet."""
        self._waiting.append((record, seq, instrument, spool))

    def kept(self, instrument: str) -> int:
        """The number of the last frame of an instrument that is durable; -1 when none is known."""
        self.keep()
        return self._kept.get(instrument, -1)

    def keep(self) -> None:
        """Take in what has become durable, and remember it over a restart."""
        changed = False
        while self._waiting:
            record, seq, which, spool = self._waiting[0]
            if record.writer.committed < seq:
                break
            self._waiting.popleft()
            self._kept[which] = spool
            changed = True
        if changed:
            self._write()

    def _write(self) -> None:
        scratch = self._file.with_suffix(".new")
        try:
            scratch.write_bytes(msgspec.json.encode(self._kept))
            scratch.replace(self._file)
        except OSError as error:
            log.warning(
                "receipts of relayed frames are not kept; some may come twice after a restart", error=str(error)
            )


def _read(file: Path) -> dict[str, int]:
    try:
        return msgspec.json.decode(file.read_bytes(), type=dict[str, int])
    except FileNotFoundError:
        return {}
    except (OSError, msgspec.DecodeError) as error:
        log.warning("receipts of relayed frames cannot be read; some may come twice", error=str(error))
        return {}
