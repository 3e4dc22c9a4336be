"""`uplink.json` in the data folder: how the way to the shop stood last, for `lineset doctor`. A disposable file."""

from __future__ import annotations

import asyncio
from pathlib import Path

import msgspec

from lineset.stream.address import write_private

NAME = "uplink.json"
_RECEIPTS_S = 30.0  # a newer receipt alone is written this often


class UplinkStatus(msgspec.Struct, frozen=True, kw_only=True):
    """As of wall time `t`. `link` is the connection's own sentence; `problems` says by visit why it is not taken."""

    t: float
    joined: bool
    connected: bool
    sentence: str
    link: str = ""
    last_receipt: float = 0.0  # wall time, seconds since 1970; 0 before the first since the station started
    problems: dict[str, str] = {}


class StatusFile:
    """The file in the data folder of one station."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._kept: UplinkStatus | None = None

    async def keep(self, status: UplinkStatus) -> None:
        """Write it when it says something new. Nothing is written where no shop ever was. Raises OSError."""
        before = self._kept
        if before is None and not status.sentence and not self._path.exists():
            return
        if before is not None:
            same = msgspec.structs.replace(status, t=before.t, last_receipt=before.last_receipt) == before
            if same and (status.last_receipt == before.last_receipt or status.t - before.t < _RECEIPTS_S):
                return
        await asyncio.to_thread(write_private, self._path, msgspec.json.encode(status) + b"\n")
        self._kept = status


def read_status(folder: Path) -> UplinkStatus | None:
    """What was kept last; None when there is nothing that can be read."""
    try:
        return msgspec.json.decode((folder / NAME).read_bytes(), type=UplinkStatus)
    except (OSError, msgspec.DecodeError):
        return None
