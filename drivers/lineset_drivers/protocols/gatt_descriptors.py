"""What a characteristic says of itself: presentation format, ES measurement, valid range, user description.

Layouts: Presentation Format 0x2904, Valid Range 0x2906 and User Description 0x2901 from the Bluetooth SIG's
GATT descriptors; ES Measurement 0x290C and ES Trigger Setting 0x290D from the Environmental Sensing Service as
open implementations of it lay them out. The uncertainty byte's step of 0.5 % is from memory of the service's text.
"""

from __future__ import annotations

from typing import NamedTuple

from ..errors import Garbled, Short
from .gatt import CHARACTERISTICS, Value, number_of, short_uuid
from .gatt_formats import FORMAT_BY_CODE, FORMATS, Format, read_raw

USER_DESCRIPTION, PRESENTATION_FORMAT, VALID_RANGE = 0x2901, 0x2904, 0x2906
ES_MEASUREMENT, ES_TRIGGER = 0x290C, 0x290D

UNITS: dict[int, str] = {
    0x2700: "1",
    0x2701: "m",
    0x2702: "kg",
    0x2703: "s",
    0x2704: "A",
    0x2705: "K",
    0x2711: "m3",
    0x2712: "m/s",
    0x2722: "Hz",
    0x2724: "Pa",
    0x2725: "J",
    0x2726: "W",
    0x2728: "V",
    0x2729: "F",
    0x272A: "Ohm",
    0x272F: "degC",
    0x2780: "bar",
    0x2781: "mmHg",
    0x27A5: "psi",
    0x27A6: "km/h",
    0x27A8: "rpm",
    0x27AB: "kWh",
    0x27AC: "degF",
    0x27AD: "%",
    0x27C1: "g/s",
    0x27C2: "l/s",
    0x27C7: "kVAh",
    0x27C8: "VA",
}
"""Unit UUIDs of the Assigned Numbers that matter here, as the symbols that quantity.py reads."""

_PLACES = {0x0100: "front", 0x0101: "back", 0x0102: "top", 0x0103: "bottom", 0x0104: "upper", 0x0105: "lower"}
_PLACES |= {0x0106: "main", 0x0107: "backup", 0x0108: "auxiliary", 0x0109: "supplementary", 0x010A: "flash"}
_PLACES |= {0x010B: "inside", 0x010C: "outside", 0x010D: "left", 0x010E: "right", 0x010F: "internal"}
_PLACES |= {0x0110: "external"}


class PresentationFormat(NamedTuple):
    """Descriptor 0x2904: how the value of a characteristic is to be read."""

    format: Format
    exponent: int
    unit_uuid: int
    namespace: int
    description: int

    @property
    def unit(self) -> str:
        """Its unit's symbol, or the unit's UUID as text where no symbol is known here."""
        return UNITS.get(self.unit_uuid, f"0x{self.unit_uuid:04X}")

    @property
    def place(self) -> str:
        """ "front", "inside", or "2" for the second of several; empty when it says nothing."""
        if self.namespace != 1 or not self.description:
            return ""
        return _PLACES.get(self.description, str(self.description) if self.description < 256 else "")

    def value_of(self, payload: bytes) -> Value:
        """The value of the characteristic. Raises Short or Garbled when the length does not fit."""
        number, flag = number_of(read_raw(self.format, payload, "value"))
        if number is not None and self.format.exponent_used:
            number = number * 10.0**self.exponent if self.exponent >= 0 else number / 10.0**-self.exponent
        return Value(number, self.unit, flag)


def decode_presentation_format(payload: bytes) -> PresentationFormat:
    """Decode descriptor 0x2904 (7 bytes). Raises Short or Garbled."""
    _exactly(payload, 7, "presentation format 0x2904")
    kind = FORMAT_BY_CODE.get(payload[0])
    if kind is None:
        raise Garbled("presentation format 0x2904", f"format code 0x{payload[0]:02X} is not assigned")
    return PresentationFormat(
        kind,
        int.from_bytes(payload[1:2], "little", signed=True),
        int.from_bytes(payload[2:4], "little"),
        payload[4],
        int.from_bytes(payload[5:7], "little"),
    )


SAMPLING = (
    "unspecified",
    "instantaneous",
    "arithmetic mean",
    "RMS",
    "maximum",
    "minimum",
    "accumulated",
    "count",
)
APPLICATIONS = (
    *("unspecified", "air", "water", "barometric", "soil", "infrared", "map database"),
    *("barometric elevation source", "GPS only elevation source", "GPS and map database elevation source"),
    *("vertical datum elevation source", "onshore", "onboard vessel or vehicle", "front", "back/rear", "upper"),
    *("lower", "primary", "secondary", "outdoor", "indoor", "top", "bottom", "main", "backup", "auxiliary"),
    *("supplementary", "inside", "outside", "left", "right", "internal", "external", "solar"),
)


class EsMeasurement(NamedTuple):
    """Descriptor 0x290C: how an Environmental Sensing value was measured."""

    sampling: str  # of SAMPLING, or "reserved"
    period_s: int | None  # None: not in use
    update_interval_s: int | None
    application: str  # of APPLICATIONS, or "reserved"; tells two probes of one instrument apart
    uncertainty_pct: float | None  # None: not available


def decode_es_measurement(payload: bytes) -> EsMeasurement:
    """Decode descriptor 0x290C (11 bytes). Raises Short or Garbled."""
    _exactly(payload, 11, "ES measurement 0x290C")
    sampling, application, uncertainty = payload[2], payload[9], payload[10]
    return EsMeasurement(
        SAMPLING[sampling] if sampling < len(SAMPLING) else "reserved",
        int.from_bytes(payload[3:6], "little") or None,
        int.from_bytes(payload[6:9], "little") or None,
        APPLICATIONS[application] if application < len(APPLICATIONS) else "reserved",
        None if uncertainty == 0xFF else uncertainty / 2,
    )


class ValidRange(NamedTuple):
    """Descriptor 0x2906: both ends belong to the range; in the characteristic's unit."""

    lower: float
    upper: float


def decode_valid_range(payload: bytes, uuid: int | str) -> ValidRange:
    """Decode descriptor 0x2906 of the standard characteristic `uuid`, whose format and scale it shares.

    Raises Short or Garbled when the length does not fit or the characteristic is not in the table.
    """
    found = CHARACTERISTICS.get(short_uuid(uuid) or -1)
    if found is None:
        raise Garbled("valid range 0x2906", f"the format of characteristic {uuid} is not known")
    kind = FORMATS[found.format]
    _exactly(payload, 2 * kind.size_bytes, "valid range 0x2906")
    ends = [
        found.scaled(int.from_bytes(half, "little", signed=kind.kind == "signed"))
        for half in (payload[: kind.size_bytes], payload[kind.size_bytes :])
    ]
    return ValidRange(*ends)


class EsTrigger(NamedTuple):
    """Descriptor 0x290D: when the instrument sends. `sends_steady` False: a steady value sends nothing."""

    condition: int
    seconds: int | None
    operand: bytes
    sends_steady: bool


def decode_es_trigger(payload: bytes) -> EsTrigger:
    """Decode descriptor 0x290D. Raises Short or Garbled."""
    where = "ES trigger setting 0x290D"
    if not payload:
        raise Short(where, "it is empty")
    condition, operand = payload[0], bytes(payload[1:])
    if condition in (0x00, 0x03):
        _exactly(payload, 1, where)
    elif condition in (0x01, 0x02):
        _exactly(payload, 4, where)
    elif condition > 0x09:
        raise Garbled(where, f"condition 0x{condition:02X} is not assigned")
    elif not operand:
        raise Short(where, "the operand is missing")
    seconds = int.from_bytes(operand, "little") if condition in (0x01, 0x02) else None
    return EsTrigger(condition, seconds, operand, condition == 0x01)


def decode_user_description(payload: bytes) -> str:
    """Descriptor 0x2901: free text, whatever it holds; bytes that are not UTF-8 are replaced."""
    return payload.decode("utf-8", "replace").rstrip("\0").strip()


def _exactly(payload: bytes, size: int, where: str) -> None:
    if len(payload) < size:
        raise Short(where, f"{len(payload)} bytes came, {size} belong")
    if len(payload) > size:
        raise Garbled(where, f"{len(payload)} bytes came, {size} belong")
