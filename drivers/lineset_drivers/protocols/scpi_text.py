"""The text of IEEE 488.2 responses: where one ends, its elements, its numbers.

Sources (from memory): IEEE 488.2, 8.7.2 to 8.7.4 (NR1, NR2, NR3), 8.7.5 to 8.7.7 (#H, #Q, #B), 8.7.8 (strings), 8.7.9
(definite-length blocks), 8.7.10 (indefinite-length blocks); SCPI-99 volume 1, 7.2.1 (infinities and not-a-number).
"""

from __future__ import annotations

import re

from ..frame import Flag

INFINITY, NOT_A_NUMBER = 9.9e37, 9.91e37
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:\s?[eE]\s?[-+]?\d+)?")
_BASES = {"H": 16, "Q": 8, "B": 2}


def parse_number(text: str) -> tuple[float | None, Flag] | None:
    """The number in `text` with its flag, or None when it is no number.

    9.9E37 is over range and -9.9E37 under range (both keep the code as value), 9.91E37 is invalid (likewise), as are
    the words INF, NINF and NAN. #H, #Q and #B are hexadecimal, octal and binary.
    """
    text = text.strip()
    if _NUMBER.fullmatch(text):
        value = float(re.sub(r"\s", "", text))
        if value == NOT_A_NUMBER:
            return value, Flag.INVALID
        if abs(value) >= INFINITY:
            return value, Flag.OVER_RANGE if value > 0 else Flag.UNDER_RANGE
        return value, Flag.OK
    word = text.upper().lstrip("+")
    if word in ("INF", "INFINITY"):
        return None, Flag.OVER_RANGE
    if word in ("NINF", "-INF", "NINFINITY", "-INFINITY"):
        return None, Flag.UNDER_RANGE
    if word == "NAN":
        return None, Flag.INVALID
    if len(word) > 2 and word[0] == "#" and (base := _BASES.get(word[1])) and word[2:].isalnum():
        try:
            return float(int(word[2:], base)), Flag.OK
        except ValueError:
            return None
    return None


def response_end(buffer: bytes | bytearray, terminator: bytes) -> int:
    """Where the first response ends (behind its terminator); 0 for not enough yet, -1 for a block that cannot be.

    A terminator inside a string or a definite-length block ends nothing.
    """
    if not any(mark in buffer for mark in (b"#", b'"', b"'")):
        found = buffer.find(terminator)
        return 0 if found < 0 else found + len(terminator)
    at, size, fresh = 0, len(buffer), True
    while at < size:
        byte = buffer[at]
        if buffer.startswith(terminator, at):
            return at + len(terminator)
        if fresh and byte == 0x23:  # "#"
            after = _block_end(buffer, at, terminator)
            if after is not None:
                if after <= 0:
                    return after
                at, fresh = after, False
                continue
        if fresh and byte in (0x22, 0x27):
            close = _string_end(buffer, at)
            if close == 0:
                return 0
            at, fresh = close, False
            continue
        fresh = byte in b",; " if byte != 0x20 else fresh
        at += 1
    return 0


def _string_end(buffer: bytes | bytearray, at: int) -> int:
    """Behind the closing quote of the string at `at`; a doubled quote stands for itself. 0: not enough yet."""
    quote = buffer[at : at + 1]
    close = buffer.find(quote, at + 1)
    while close >= 0:
        if buffer[close + 1 : close + 2] != quote:
            return close + 1
        close = buffer.find(quote, close + 2)
    return 0


def _block_end(buffer: bytes | bytearray, at: int, terminator: bytes) -> int | None:
    """Behind the block at `at`; None when it is no block (#H...); 0: not enough yet; -1: broken."""
    if at + 1 >= len(buffer):
        return 0
    kind = buffer[at + 1]
    if kind in b"HhQqBb":
        return None
    if not 0x30 <= kind <= 0x39:
        return -1
    digits = kind - 0x30
    if digits == 0:  # indefinite length: only the message's end ends it
        found = buffer.find(terminator, at)
        return 0 if found < 0 else found
    length = bytes(buffer[at + 2 : at + 2 + digits])
    if length and not length.isdigit():
        return -1
    if len(length) < digits:
        return 0
    end = at + 2 + digits + int(length)
    return end if end <= len(buffer) else 0


def split_elements(text: str) -> tuple[str | bytes, ...]:
    """The elements of a response (Latin-1 text) between commas and semicolons; strings unquoted, blocks as bytes."""
    data = text.encode("latin-1")
    elements: list[str | bytes] = []
    at, size = 0, len(data)
    while at <= size:
        while at < size and data[at] == 0x20:
            at += 1
        element: str | bytes | None = None
        if at < size and data[at] in (0x22, 0x27):
            close = _string_end(data, at)
            if close:
                quote = chr(data[at])
                element = data[at + 1 : close - 1].decode("latin-1").replace(quote * 2, quote)
                at = close
        elif data.startswith(b"#", at):
            after = _block_end(data + b"\n", at, b"\n")
            if after is not None and after > at:
                body = at + 2 + (data[at + 1] - 0x30)
                element = data[body:after]
                at = after
        found = [n for n in (data.find(b",", at), data.find(b";", at)) if n >= 0]
        end = min(found, default=size)
        elements.append(data[at:end].decode("latin-1").strip() if element is None else element)
        at = end + 1
    return tuple(elements)
