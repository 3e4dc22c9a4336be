"""IEEE 11073-20601 SFLOAT and FLOAT: decimal numbers that keep the sender's precision.

SFLOAT has a 4-bit exponent above a 12-bit mantissa, FLOAT an 8-bit exponent above a 24-bit mantissa, all two's
complement, sent little-endian. Five mantissas with exponent 0 are no numbers. (With another exponent they are
read differently by different stacks; here they are plain numbers, as the standard's text defines the special
values with exponent 0 only.)
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from ..errors import Garbled


class Special(StrEnum):
    """What stands in place of a number."""

    NAN = "NaN"  # not a number
    NRES = "NRes"  # not at this resolution
    PLUS_INF = "+INF"
    MINUS_INF = "-INF"
    RESERVED = "reserved"


class Medical(NamedTuple):
    """A decoded SFLOAT or FLOAT: `mantissa` x 10^`exponent`, or `special` in place of a number."""

    mantissa: int
    exponent: int
    special: Special | None = None

    @property
    def value(self) -> float | None:
        """The number, correctly rounded, or None where a special value was sent."""
        if self.special is not None:
            return None
        return float(Decimal(self.mantissa).scaleb(self.exponent))

    @property
    def text(self) -> str:
        """The number as the sender meant it: 2.00 is not 2. Special values by their name."""
        if self.special is not None:
            return self.special.value
        return str(Decimal(self.mantissa).scaleb(self.exponent))

    @property
    def resolution(self) -> float:
        """The step of the last digit sent."""
        return float(Decimal(1).scaleb(self.exponent))


class _Width(NamedTuple):
    size_bytes: int
    mantissa_bits: int
    special: dict[int, Special]


def _width(size_bytes: int, mantissa_bits: int) -> _Width:
    top = (1 << (mantissa_bits - 1)) - 1
    bottom = -top - 1
    return _Width(
        size_bytes,
        mantissa_bits,
        {
            top: Special.NAN,
            top - 1: Special.PLUS_INF,
            bottom: Special.NRES,
            bottom + 1: Special.RESERVED,
            bottom + 2: Special.MINUS_INF,
        },
    )


_SFLOAT = _width(2, 12)
_FLOAT = _width(4, 24)


def _decode(payload: bytes, width: _Width, name: str) -> Medical:
    if len(payload) != width.size_bytes:
        raise Garbled(name, f"{len(payload)} bytes came where {width.size_bytes} belong")
    whole = int.from_bytes(payload, "little", signed=True)
    exponent = whole >> width.mantissa_bits  # arithmetic: keeps the sign
    mantissa = whole & ((1 << width.mantissa_bits) - 1)
    if mantissa >> (width.mantissa_bits - 1):
        mantissa -= 1 << width.mantissa_bits
    return Medical(mantissa, exponent, width.special.get(mantissa) if exponent == 0 else None)


def decode_sfloat(payload: bytes) -> Medical:
    """Decode the two bytes of an SFLOAT. Raises Garbled when there are not exactly two."""
    return _decode(payload, _SFLOAT, "SFLOAT")


def decode_float(payload: bytes) -> Medical:
    """Decode the four bytes of a FLOAT. Raises Garbled when there are not exactly four."""
    return _decode(payload, _FLOAT, "FLOAT")
