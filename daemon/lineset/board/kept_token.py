"""The word that opens the board, kept for a day: a page that is open goes on by itself when its station starts anew."""

from __future__ import annotations

import contextlib
import secrets
from pathlib import Path

import msgspec
import structlog

from lineset.stream.address import read_private, write_private
from lineset.stream.errors import SettingsError

HOLDS_S = 24 * 3600.0  # a working day: an address that got about opens nothing tomorrow

log = structlog.get_logger(__name__)


class _Kept(msgspec.Struct):
    token: str
    made: float  # wall time, seconds since 1970


def kept_token(file: Path, now: float) -> str:
    """The token in `file` where that was made within a day of `now`, else a new one, which is put there.

    A file that others can read, or that is damaged, counts as none. Where none can be kept (a full disk) it is new each
    time.
    """
    if file.exists():
        with contextlib.suppress(SettingsError, msgspec.MsgspecError):
            kept = msgspec.json.decode(read_private(file, "board token"), type=_Kept)
            if 0.0 <= now - kept.made < HOLDS_S:
                return kept.token
    token = secrets.token_urlsafe(18)
    try:
        write_private(file, msgspec.json.encode(_Kept(token, now)))
    except OSError as error:
        log.warning("the board's token is not kept; after a restart its address is another one", error=str(error))
    return token
