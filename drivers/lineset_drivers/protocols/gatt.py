"""GATT values: the standard characteristics as one table, and structs that a profile declares.

Sources: Bluetooth SIG Assigned Numbers and GATT Specification Supplement: value = raw x M x 10^d x 2^b in the
stated unit; most characteristics name one raw code for "not known" and some another for "not valid".
Nothing here touches a radio; a payload comes in, a value with its unit and flag goes out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ..errors import Garbled, ProfileError, Short
from ..frame import Flag
from .gatt_formats import FORMATS, Raw, read_raw
from .ieee11073 import Medical, Special

_BASE = "-0000-1000-8000-00805f9b34fb"


def full_uuid(uuid: int | str) -> str:
    """0x2A6E, "2A6E", "0x2A6E" or a 128-bit UUID as the lower-case 128-bit text.

    Raises ProfileError when it is neither.
    """
    if isinstance(uuid, int):
        text = f"{uuid:08x}{_BASE}" if 0 <= uuid <= 0xFFFFFFFF else ""
    else:
        text = uuid.strip().lower().removeprefix("0x")
        if re.fullmatch("[0-9a-f]{1,8}", text):
            text = text.rjust(8, "0") + _BASE
    if not re.fullmatch("[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", text):
        raise ProfileError(
            f"{uuid!r} is no UUID",
            remedy='Write "0x2A6E" or all 128 bits: "7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001".',
        )
    return text


def short_uuid(uuid: int | str) -> int | None:
    """The 16- or 32-bit number of a UUID assigned by the Bluetooth SIG, or None for anyone else's."""
    text = full_uuid(uuid)
    return int(text[:8], 16) if text.endswith(_BASE) else None


class Characteristic(NamedTuple):
    """One standard scalar characteristic: value = raw x multiplier x 10^decimal x 2^binary, in `unit`."""

    uuid: int
    name: str
    format: str
    unit: str  # a symbol that lineset_drivers.quantity knows, or a plain one where it has no such quantity
    decimal: int = 0
    binary: int = 0
    multiplier: int = 1
    minimum: float | None = None  # in `unit`; outside, the supplement prohibits the value
    maximum: float | None = None
    not_known: int | None = None  # raw codes
    not_valid: int | None = None
    end_of_scale: bool = False  # the greatest value means "this or beyond"

    def scaled(self, raw: int) -> float:
        """The number that `raw` stands for in `unit`; ranges and codes are not looked at."""
        dividend: int = raw * self.multiplier * 10 ** max(self.decimal, 0) * 2 ** max(self.binary, 0)
        divisor: int = 10 ** max(-self.decimal, 0) * 2 ** max(-self.binary, 0)
        return dividend / divisor  # one division of integers: correctly rounded, -130.34 is -130.34


C = Characteristic
CHARACTERISTICS: dict[int, Characteristic] = {
    row.uuid: row
    for row in (
        C(0x2A6E, "Temperature", "sint16", "degC", -2, minimum=-273.15, maximum=327.67, not_known=-0x8000),
        C(0x2B0D, "Temperature 8", "sint8", "degC", 0, -1, minimum=-64.0, maximum=63.0, not_known=0x7F),
        C(0x2BDF, "High Temperature", "sint16", "degC", 0, -1, 1, -273.0, 16383.5, -0x8000, -0x7FFF),
        C(0x2A6D, "Pressure", "uint32", "Pa", -1),
        C(0x2A6F, "Humidity", "uint16", "%", -2, minimum=0.0, maximum=100.0, not_known=0xFFFF),
        C(0x2C1B, "Humidity 8", "uint8", "%", 0, -1, minimum=0.0, maximum=100.0, not_known=0xFF),
        C(0x2A7B, "Dew Point", "sint8", "degC"),
        C(0x2A7A, "Heat Index", "sint8", "degC"),
        C(0x2A79, "Wind Chill", "sint8", "degC"),
        C(0x2AEE, "Electric Current", "uint16", "A", -2, minimum=0.0, maximum=655.34, not_known=0xFFFF),
        C(0x2B18, "Voltage", "uint16", "V", 0, -6, 1, 0.0, 1022.0, 0xFFFF, end_of_scale=True),
        # the supplement prints b = 6, but a resolution of 1/64 V and a maximum of 262143.97 V: -6 is meant
        C(0x2BE0, "High Voltage", "uint24", "V", 0, -6, 1, 0.0, 262143.97, 0xFFFFFF),
        C(0x2BE8, "Voltage Frequency", "uint16", "Hz", not_known=0xFFFF, not_valid=0xFFFE),  # 0 Hz: a DC supply
        C(0x2B05, "Power", "uint24", "W", -1, 0, 1, 0.0, 1677721.3, 0xFFFFFF, 0xFFFFFE),
        C(0x2B8A, "Apparent Power", "uint24", "VA", -1, 0, 1, 0.0, 1677721.3, 0xFFFFFF, 0xFFFFFE),
        C(0x2AF2, "Energy", "uint24", "kWh", minimum=0.0, maximum=16777214.0, not_known=0xFFFFFF),
        C(0x2BA8, "Energy 32", "uint32", "kWh", -3, 0, 1, 0.0, 4294967.293, 0xFFFFFFFF, 0xFFFFFFFE),
        C(0x2B89, "Apparent Energy 32", "uint32", "kVAh", -3, 0, 1, 0.0, 4294967.293, 0xFFFFFFFF, 0xFFFFFFFE),
        C(0x2A72, "Apparent Wind Speed", "uint16", "m/s", -2),
        C(0x2A70, "True Wind Speed", "uint16", "m/s", -2),
        C(0x2B1B, "Volume Flow", "uint16", "l/s", -3, not_known=0xFFFF),  # 65.534 l/s (139 cfm) at most
        C(0x2B02, "Mass Flow", "uint16", "g/s", minimum=0.0, maximum=65534.0, not_known=0xFFFF),
        C(0x2C30, "Kitchen Appliance Airflow", "uint16", "m3/s", -3, not_known=0xFFFF),
        C(0x2C09, "Rotational Speed", "sint32", "rpm", not_known=0x7FFFFFFF),
        C(0x2B04, "Percentage 8", "uint8", "%", 0, -1, minimum=0.0, maximum=100.0, not_known=0xFF),
        C(0x2A6C, "Elevation", "sint24", "m", -2),
        C(0x2A19, "Battery Level", "uint8", "%", minimum=0.0, maximum=100.0),
        C(0x2C2E, "Cooking Temperature", "sint16", "degC", -1, 0, 1, -100.0, 1000.0, -0x8000),
    )
}
"""The standard scalar characteristics that matter for instruments, by their 16-bit UUID."""

DEVICE_INFORMATION: dict[int, str] = {
    0x2A29: "manufacturer",
    0x2A24: "model",
    0x2A25: "serial number",
    0x2A27: "hardware revision",
    0x2A26: "firmware revision",
    0x2A28: "software revision",
}
"""Device Information strings (service 0x180A), UTF-8, read only."""

ENVIRONMENTAL_SENSING, BATTERY_SERVICE, DEVICE_INFORMATION_SERVICE, BATTERY_LEVEL = 0x181A, 0x180F, 0x180A, 0x2A19


class Value(NamedTuple):
    """A decoded value in `unit`; None exactly when the flag leaves no number."""

    value: float | None
    unit: str
    flag: Flag = Flag.OK


def decode(uuid: int | str, payload: bytes) -> Value:
    """The value of a standard characteristic.

    A code for "not known" gives NOT_KNOWN; one for "not valid", and a value that the supplement prohibits
    (humidity 624 %), give INVALID without a number; the end of a scale that means "or beyond" gives OVER_RANGE.

    Raises Short or Garbled when the length does not fit, and ProfileError when the characteristic is not in
    the table.
    """
    found = CHARACTERISTICS.get(short_uuid(uuid) or -1)
    if found is None:
        raise ProfileError(
            f"characteristic {uuid if isinstance(uuid, str) else hex(uuid)} is not a standard one that is known here",
            remedy="Declare its layout in the profile.",
        )
    raw = read_raw(FORMATS[found.format], payload, found.name)
    assert isinstance(raw, int)  # the table holds integer formats only
    if raw == found.not_known:
        return Value(None, found.unit, Flag.NOT_KNOWN)
    value = found.scaled(raw)
    if (
        raw == found.not_valid
        or (found.minimum is not None and value < found.minimum)
        # the printed maximum may be rounded, so half of the last digit is allowed
        or (found.maximum is not None and value > found.maximum + 0.5 * 10.0 ** min(found.decimal, -2))
    ):
        return Value(None, found.unit, Flag.INVALID)
    if found.end_of_scale and value == found.maximum:
        return Value(value, found.unit, Flag.OVER_RANGE)
    return Value(value, found.unit)


def number_of(raw: Raw) -> tuple[float | None, Flag]:
    """What a raw field gives as a number: IEEE special values and floats that are none become flags."""
    if isinstance(raw, Medical):
        match raw.special:
            case None:
                return raw.value, Flag.OK
            case Special.PLUS_INF:
                return None, Flag.OVER_RANGE
            case Special.MINUS_INF:
                return None, Flag.UNDER_RANGE
            case Special.NRES:
                return None, Flag.NOT_KNOWN
        return None, Flag.INVALID
    if isinstance(raw, (str, bytes)):
        return None, Flag.INVALID
    if isinstance(raw, float) and not math.isfinite(raw):
        if math.isnan(raw):
            return None, Flag.INVALID
        return None, Flag.OVER_RANGE if raw > 0 else Flag.UNDER_RANGE
    return float(raw), Flag.OK


class Field(NamedTuple):
    """One field of a declared struct."""

    name: str
    format: str


class Layout:
    """A struct that a profile declares: fields one after another, little-endian, no gaps.

    Written "function:uint8 status:uint8 value:medfloat32"; a field called "_" is skipped. A last field "*"
    says that more bytes may follow and are ignored.
    """

    def __init__(self, fields: Sequence[Field], *, tail: bool = False) -> None:
        self.fields, self.tail = tuple(fields), tail
        seen: set[str] = set()
        for index, field in enumerate(self.fields):
            kind = FORMATS.get(field.format)
            if kind is None or (not kind.size_bytes and index < len(self.fields) - 1):
                problem = "unknown" if kind is None else "of no fixed length, and more fields follow"
                raise ProfileError(
                    f"format {field.format!r} of field {field.name!r} is {problem}",
                    remedy=f"Use one of {', '.join(FORMATS)}.",
                )
            if field.name in seen:
                raise ProfileError(f"field {field.name!r} comes twice", remedy="Give each field its own name.")
            if field.name != "_":
                seen.add(field.name)
        if not seen:
            raise ProfileError("the layout names no field", remedy='Write "function:uint8 value:sint32".')
        self.size_bytes = sum(FORMATS[field.format].size_bytes for field in self.fields)

    @classmethod
    def parse(cls, text: str) -> Layout:
        """Read "name:format name:format ...". Raises ProfileError."""
        words = text.split()
        tail = bool(words) and words[-1] == "*"
        fields = []
        for word in words[: -1 if tail else None]:
            name, colon, kind = word.partition(":")
            if not colon or not name or not kind:
                raise ProfileError(f"{word!r} in layout {text!r} is not name:format", remedy='Write "value:sint32".')
            fields.append(Field(name, kind))
        return cls(fields, tail=tail)

    def decode(self, payload: bytes, where: str = "struct") -> dict[str, Raw]:
        """The raw value of every field. Raises Short when bytes are missing, Garbled when there are too many."""
        if len(payload) < self.size_bytes:
            raise Short(where, f"{len(payload)} bytes came, the layout takes {self.size_bytes}")
        values: dict[str, Raw] = {}
        at = 0
        for field in self.fields:
            kind = FORMATS[field.format]
            end = at + kind.size_bytes if kind.size_bytes else len(payload)
            values[field.name] = read_raw(kind, payload[at:end], f"{where} field {field.name}")
            at = end
        if at < len(payload) and not self.tail:
            raise Garbled(where, f"{len(payload)} bytes came, the layout takes {self.size_bytes}")
        values.pop("_", None)
        return values


_CONDITION = re.compile(r"\s*(?P<field>\w+)\s*(?P<test>=|&)\s*(?P<number>0[xX][0-9a-fA-F]+|-?\d+)\s*")


class Condition(NamedTuple):
    """A test on a field of a struct: equal to a number, or any of some bits set."""

    field: str
    test: str  # "=" or "&"
    number: int

    @classmethod
    def parse(cls, text: str) -> Condition:
        """Read "function=3" or "status&0x01". Raises ProfileError."""
        match = _CONDITION.fullmatch(text)
        if match is None:
            raise ProfileError(f"{text!r} is no condition", remedy='Write "function=3" or "status&0x01".')
        return cls(match["field"], match["test"], int(match["number"], 0))

    def holds(self, values: Mapping[str, Raw]) -> bool:
        """Whether it is true of the decoded struct; False when the field is not an integer."""
        raw = values.get(self.field)
        if not isinstance(raw, int):
            return False
        return raw == self.number if self.test == "=" else bool(raw & self.number)
