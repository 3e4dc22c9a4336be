"""The number and text formats of the GATT presentation format descriptor, as one table: code -> name, size, kind.

Source: Bluetooth SIG Assigned Numbers, Format Types. All multi-byte values are little-endian on the air.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from ..errors import Garbled, Short
from .ieee11073 import Medical, decode_float, decode_sfloat

Raw = int | float | Medical | str | bytes


class Format(NamedTuple):
    """One format: `size_bytes` 0 means "as long as it is"; `kind` says how the bytes are read."""

    code: int
    name: str
    size_bytes: int
    kind: str  # "unsigned" "signed" "float" "sfloat" "medfloat" "text8" "text16" "bytes"
    bits: int = 0  # width of an integer; 0 for the others
    exponent_used: bool = False


def _table() -> tuple[Format, ...]:
    rows = [
        Format(0x01, "boolean", 1, "unsigned", 1),
        Format(0x02, "uint2", 1, "unsigned", 2),
        Format(0x03, "uint4", 1, "unsigned", 4),
    ]
    unsigned = ((0x04, 8), (0x05, 12), (0x06, 16), (0x07, 24), (0x08, 32), (0x09, 48), (0x0A, 64), (0x0B, 128))
    signed = ((0x0C, 8), (0x0D, 12), (0x0E, 16), (0x0F, 24), (0x10, 32), (0x11, 48), (0x12, 64), (0x13, 128))
    rows += [Format(code, f"uint{bits}", (bits + 7) // 8, "unsigned", bits, True) for code, bits in unsigned]
    rows += [Format(code, f"sint{bits}", (bits + 7) // 8, "signed", bits, True) for code, bits in signed]
    rows += [
        Format(0x14, "float32", 4, "float"),
        Format(0x15, "float64", 8, "float"),
        Format(0x16, "medfloat16", 2, "sfloat"),
        Format(0x17, "medfloat32", 4, "medfloat"),
        Format(0x18, "uint16[2]", 4, "bytes"),
        Format(0x19, "utf8s", 0, "text8"),
        Format(0x1A, "utf16s", 0, "text16"),
        Format(0x1B, "struct", 0, "bytes"),
        Format(0x1C, "medASN1", 0, "bytes"),
    ]
    return tuple(rows)


FORMATS: dict[str, Format] = {row.name: row for row in _table()}
FORMAT_BY_CODE: dict[int, Format] = {row.code: row for row in _table()}


def read_raw(kind: Format, payload: bytes, where: str) -> Raw:
    """The bytes of one value, exactly as many as its format takes, as a number or text.

    Raises Short when bytes are missing and Garbled when there are too many: a value of another length is of
    another format, and its first bytes read as this one would be a wrong number.
    """
    if kind.size_bytes:
        if len(payload) < kind.size_bytes:
            raise Short(where, f"{len(payload)} bytes came, {kind.name} takes {kind.size_bytes}")
        if len(payload) > kind.size_bytes:
            raise Garbled(where, f"{len(payload)} bytes came, {kind.name} takes {kind.size_bytes}")
    match kind.kind:
        case "unsigned" | "signed":
            raw = int.from_bytes(payload, "little") & ((1 << kind.bits) - 1)
            if kind.kind == "signed" and raw >> (kind.bits - 1):
                raw -= 1 << kind.bits
            return raw
        case "float":
            (number,) = struct.unpack("<f" if kind.size_bytes == 4 else "<d", payload)
            return float(number)
        case "sfloat":
            return decode_sfloat(payload)
        case "medfloat":
            return decode_float(payload)
        case "text8":
            return payload.decode("utf-8", "replace").rstrip("\0")
        case "text16":
            return payload.decode("utf-16-le", "replace").rstrip("\0")
    return bytes(payload)
