"""What a characteristic says of itself, against the published layouts and tables (tests/data/bluetooth/README.md)."""

from __future__ import annotations

import contextlib
import csv
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import Garbled, Short
from lineset_drivers.frame import Flag
from lineset_drivers.protocols import gatt_descriptors as descriptors

DATA = Path(__file__).parents[2] / "data" / "bluetooth"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# hand-written from gatt_descriptors.csv: sint16, exponent -2, unit 0x272F, namespace 1, description "inside"
FORMAT_BYTES = bytes.fromhex("0e fe 2f27 01 0b01")
# flags 0, RMS, period 60 s, update 5 s, application "inside" 0x1B, uncertainty 1.5 %
ES_BYTES = bytes.fromhex("0000 03 3c0000 050000 1b 03")


def test_presentation_format() -> None:
    found = descriptors.decode_presentation_format(FORMAT_BYTES)
    assert (found.format.name, found.exponent, found.unit, found.place) == ("sint16", -2, "degC", "inside")
    assert found.value_of(struct.pack("<h", -1234)) == (-12.34, "degC", Flag.OK)
    with pytest.raises(Short):
        found.value_of(b"\0")


def test_presentation_format_of_the_second_of_several_in_kilo() -> None:
    found = descriptors.decode_presentation_format(bytes.fromhex("08 03 2427 01 0200"))
    assert found.place == "2"
    assert found.value_of(struct.pack("<I", 120)) == (120_000.0, "Pa", Flag.OK)


def test_an_exponent_is_for_integers_only() -> None:
    found = descriptors.decode_presentation_format(bytes.fromhex("16 fe 2f27 01 0000"))  # SFLOAT
    assert found.place == ""
    assert found.value_of(bytes.fromhex("c8e0")).value == 2.0  # HL7 PHD guide: 200 x 10^-2


def test_an_unassigned_format_is_refused() -> None:
    with pytest.raises(Garbled, match="0x7F"):
        descriptors.decode_presentation_format(bytes.fromhex("7f fe 2f27 01 0b01"))


def test_unknown_unit_is_named_by_its_number() -> None:
    assert descriptors.decode_presentation_format(bytes.fromhex("0e fe 8427 01 0000")).unit == "0x2784"


# our symbol -> the last word of the unit's identifier, written by hand
SYMBOLS = {
    "1": "unitless", "m": "metre", "kg": "kilogram", "s": "second", "A": "ampere", "K": "kelvin", "m3": "cubic_metres",
    "m/s": "metres_per_second", "Hz": "hertz", "Pa": "pascal", "J": "joule", "W": "watt", "V": "volt", "F": "farad",
    "Ohm": "ohm", "degC": "degree_celsius", "bar": "bar", "mmHg": "millimetre_of_mercury",
    "psi": "pound_force_per_square_inch", "km/h": "kilometre_per_hour", "rpm": "revolution_per_minute",
    "kWh": "kilowatt_hour", "degF": "degree_fahrenheit", "%": "percentage", "g/s": "gram_per_second",
    "l/s": "litre_per_second", "kVAh": "kilovolt_ampere_hour", "VA": "volt_ampere",
}  # fmt: skip


def test_units_are_assigned_numbers() -> None:
    assigned = {int(row["uuid"], 16): row["identifier"].rpartition(".")[2] for row in rows("gatt_units.csv")}
    assert {uuid: SYMBOLS[symbol] for uuid, symbol in descriptors.UNITS.items()} == {
        uuid: name for uuid, name in assigned.items() if uuid in descriptors.UNITS
    }
    for uuid in set(assigned) - set(descriptors.UNITS):  # of other trades: never guessed, called by its number
        body = bytes.fromhex("0e fe") + uuid.to_bytes(2, "little") + bytes.fromhex("01 0000")
        assert descriptors.decode_presentation_format(body).unit == f"0x{uuid:04X}"


def test_every_published_trigger_condition() -> None:
    conditions = [row for row in rows("es_enumerations.csv") if row["table"] == "trigger_condition"]
    assert len(conditions) == 10
    for row in conditions:
        code, meaning = int(row["value"], 16), row["meaning"]
        operand = bytes.fromhex("0a0000") if "uint24" in meaning or "operand" in meaning else b""
        found = descriptors.decode_es_trigger(bytes([code]) + operand)
        assert found.seconds == (10 if "uint24" in meaning else None), row
        assert found.sends_steady == meaning.startswith("fixed time interval"), row


def test_es_measurement() -> None:
    found = descriptors.decode_es_measurement(ES_BYTES)
    assert found == ("RMS", 60, 5, "inside", 1.5)
    unset = descriptors.decode_es_measurement(bytes(10) + b"\xff")
    assert unset == ("unspecified", None, None, "unspecified", None)
    reserved = descriptors.decode_es_measurement(bytes.fromhex("0000 7f 000000 000000 7f 00"))
    assert (reserved.sampling, reserved.application) == ("reserved", "reserved")


@pytest.mark.parametrize(
    ("table", "ours"), [("sampling_function", descriptors.SAMPLING), ("application", descriptors.APPLICATIONS)]
)
def test_es_enumerations_are_the_published_ones(table: str, ours: tuple[str, ...]) -> None:
    published = {int(r["value"], 16): r["meaning"] for r in rows("es_enumerations.csv") if r["table"] == table}
    assert dict(enumerate(ours)) == published


def test_valid_range() -> None:
    # -40.00 and 125.00 degC as sint16 of 0.01 degC
    assert descriptors.decode_valid_range(struct.pack("<hh", -4000, 12500), 0x2A6E) == (-40.0, 125.0)
    with pytest.raises(Garbled, match="is not known"):
        descriptors.decode_valid_range(bytes(4), "7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001")


@pytest.mark.parametrize(
    ("payload", "seconds", "steady"),
    [("00", None, False), ("03", None, False), ("01 0a0000", 10, True), ("02 050000", 5, False)],
)
def test_trigger_tells_whether_a_steady_value_is_sent(payload: str, seconds: int | None, steady: bool) -> None:
    found = descriptors.decode_es_trigger(bytes.fromhex(payload))
    assert (found.seconds, found.sends_steady) == (seconds, steady)


def test_trigger_operand() -> None:
    assert descriptors.decode_es_trigger(bytes.fromhex("06 1027")).operand == bytes.fromhex("1027")
    for wrong, error in (("", Short), ("06", Short), ("01 0a00", Short), ("03 00", Garbled), ("0a 00", Garbled)):
        with pytest.raises(error):
            descriptors.decode_es_trigger(bytes.fromhex(wrong))


def test_user_description_survives_any_bytes() -> None:
    assert descriptors.decode_user_description(b"Supply air " + b"\0\0") == "Supply air"
    assert "�" in descriptors.decode_user_description(b"\xff\xfe")


FIXED: list[tuple[Callable[[bytes], Any], bytes]] = [
    (descriptors.decode_presentation_format, FORMAT_BYTES),
    (descriptors.decode_es_measurement, ES_BYTES),
    (lambda payload: descriptors.decode_valid_range(payload, 0x2A6E), struct.pack("<hh", 0, 1)),
]


@pytest.mark.parametrize(("decode", "whole"), FIXED)
def test_whole_truncated_and_with_a_tail(decode: Callable[[bytes], Any], whole: bytes) -> None:
    decode(whole)
    for cut in range(len(whole)):
        with pytest.raises(Short):
            decode(whole[:cut])
    with pytest.raises(Garbled):
        decode(whole + b"\0")


@given(st.binary(max_size=16))
def test_garbage_gives_a_result_or_a_typed_error(payload: bytes) -> None:
    for decode in (*(pair[0] for pair in FIXED), descriptors.decode_es_trigger):
        with contextlib.suppress(Short, Garbled):
            assert decode(payload) is not None
