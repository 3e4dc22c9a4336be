"""What a station may write and PostgreSQL's columns cannot hold, made to fit: text, times, numbers, JSON.

The block's bytes keep what was written; a column gets the nearest thing it can have, or null.
"""

from __future__ import annotations

import base64
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import msgspec

INT4, INT8 = 2**31, 2**63
_FIRST, _LAST = datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
TIMES_US = ((_FIRST - _EPOCH) // _US, (_LAST - _EPOCH) // _US)
"""Microseconds since 1970 between which a time can be told by a calendar of four-digit years."""

# In a JSON text: an escape, of which jsonb takes neither NUL nor half a surrogate pair; or an exponent that a numeric
# may not hold (PostgreSQL manual, 8.14 and 8.1.2). Both make it worth a closer look, and are rare.
_SUSPECT = re.compile(rb"\\u|[eE][-+]?\d{3,}|\d{1000,}")
_NO_CHARACTER = re.compile("[\ud800-\udfff]")
_MAX_DEPTH = 200


def cleaned(text: str) -> str:
    """`text` with U+FFFD for NUL and for what is no character (half a surrogate pair)."""
    if "\0" in text:
        text = text.replace("\0", "\ufffd")
    return text if text.isascii() else _NO_CHARACTER.sub("\ufffd", text)


def moment_of(wall_ns: int) -> datetime | None:
    """Nanoseconds since 1970 as a UTC time; None for a year that no calendar here has."""
    wall_us = wall_ns // 1000
    return _EPOCH + wall_us * _US if TIMES_US[0] <= wall_us < TIMES_US[1] else None


def fitting(number: int, bound: int) -> int:
    """`number`, or 0 when a column of that bound (INT4, INT8) cannot hold it."""
    return number if -bound <= number < bound else 0


def day(text: str) -> date | None:
    """An ISO date; None for anything else."""
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def stored_body(body: bytes) -> tuple[str, Any]:
    """JSON that a jsonb column takes, and the same decoded; other bytes become {"unreadable": base64} and None."""
    try:
        told = msgspec.json.decode(body)
        if _SUSPECT.search(body) is None and body.count(b"[") + body.count(b"{") <= _MAX_DEPTH:
            return body.decode(), told
        told = _scrubbed(told, 0)
        return msgspec.json.encode(told).decode(), told
    except (msgspec.MsgspecError, UnicodeError, RecursionError, ValueError, OverflowError):
        return msgspec.json.encode({"unreadable": base64.b64encode(body).decode()}).decode(), None


def _scrubbed(value: Any, depth: int) -> Any:
    if depth > _MAX_DEPTH:
        raise RecursionError("nested too deeply")
    if isinstance(value, str):
        return cleaned(value)
    if isinstance(value, dict):
        return {cleaned(str(key)): _scrubbed(each, depth + 1) for key, each in value.items()}
    if isinstance(value, list):
        return [_scrubbed(each, depth + 1) for each in value]
    if isinstance(value, int) and not isinstance(value, bool) and not -(10**100) < value < 10**100:
        return float(value)
    return value
