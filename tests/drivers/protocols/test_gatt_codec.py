"""Standard characteristics, declared structs and IEEE 11073 numbers against published tables and vectors.

Sources: tests/data/bluetooth/README.md.
"""

from __future__ import annotations

import csv
import json
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import DriverError, Garbled, ProfileError, Short
from lineset_drivers.frame import Flag
from lineset_drivers.protocols import bthome, gatt
from lineset_drivers.protocols.gatt_formats import FORMAT_BY_CODE, FORMATS, read_raw
from lineset_drivers.protocols.ieee11073 import Medical, decode_float, decode_sfloat

DATA = Path(__file__).parents[2] / "data" / "bluetooth"


def lines(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (DATA / name).read_text("utf-8").splitlines()]


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


PUBLISHED_UNIT = {
    "Celsius temperature (degree Celsius)": "degC",
    "pressure (pascal)": "Pa",
    "percentage": "%",
    "electric current (ampere)": "A",
    "electric potential difference (volt)": "V",
    "hertz": "Hz",
    "power (watt)": "W",
    "electrical_apparent_power.volt_ampere": "VA",
    "energy (kilowatt hour)": "kWh",
    "electrical_apparent_energy.kilovolt_ampere_hour": "kVAh",
    "velocity (metres per second)": "m/s",
    "volume flow (litre per second)": "l/s",
    "mass flow (gram per second)": "g/s",
    "flow.cubic_metre_per_second": "m3/s",
    "rotational_speed.revolutions_per_minute": "rpm",
    "length.meter": "m",
}


class TestStandardCharacteristics:
    @pytest.mark.parametrize("row", rows("gatt_characteristics.csv"), ids=lambda row: row["name"])
    def test_the_table_is_the_published_one(self, row: dict[str, str]) -> None:
        ours = gatt.CHARACTERISTICS[int(row["uuid"], 16)]
        assert ours.name == row["name"]
        assert ours.format == row["format"]
        assert ours.unit == PUBLISHED_UNIT[row["unit"]]
        assert (ours.multiplier, ours.decimal, ours.binary) == (
            int(row["multiplier_M"]),
            int(row["decimal_exponent_d"]),
            int(row["binary_exponent_b"]),
        )
        size = FORMATS[ours.format].size_bytes
        signed = ours.format.startswith("sint")
        for code, published in ((ours.not_known, row["not_known"]), (ours.not_valid, row["not_valid"])):
            expected = (
                int.from_bytes(int(published, 16).to_bytes(size, "big"), "big", signed=signed) if published else None
            )
            assert code == expected
        if row["min"] and "raw counts" not in row["note"] and row["name"] != "Voltage Frequency":
            assert (ours.minimum, ours.maximum) == (float(row["min"]), float(row["max"]))

    def test_no_characteristic_beyond_the_published_table(self) -> None:
        assert set(gatt.CHARACTERISTICS) == {int(row["uuid"], 16) for row in rows("gatt_characteristics.csv")}

    @pytest.mark.parametrize("vector", lines("gatt_value_vectors.jsonl"), ids=lambda v: f"{v['what']}-{v['hex']}")
    def test_vectors(self, vector: dict[str, Any]) -> None:
        payload = bytes.fromhex(vector["hex"])
        if vector["status"] == "bad_length":
            with pytest.raises(Short):
                gatt.decode(vector["uuid"], payload)
            return
        value = gatt.decode(vector["uuid"], payload)
        assert value.unit == PUBLISHED_UNIT[vector["unit"]]
        found = gatt.CHARACTERISTICS[int(vector["uuid"], 16)]
        raw = read_raw(FORMATS[found.format], payload, "")
        assert isinstance(raw, int)
        match vector["status"]:
            case "ok":
                # the vectors multiply by 0.1 and so on, which may differ in the last bit of a double
                assert value.value == pytest.approx(vector["value"], rel=1e-15)
                end = found.end_of_scale and vector["value"] == found.maximum
                assert value.flag == (Flag.OVER_RANGE if end else Flag.OK)
            case "not_known":
                assert value[::2] == (None, Flag.NOT_KNOWN)
            case "not_valid":
                assert value[::2] == (None, Flag.INVALID)
            case "out_of_range":
                # the number is computable, and refused as a reading
                assert found.scaled(raw) == pytest.approx(vector["value"], rel=1e-15)
                assert value[::2] == (None, Flag.INVALID)
            case other:
                pytest.fail(f"vector with unknown status {other}")

    def test_every_status_is_among_the_vectors(self) -> None:
        statuses = {vector["status"] for vector in lines("gatt_value_vectors.jsonl")}
        assert statuses == {"ok", "not_known", "not_valid", "out_of_range", "bad_length"}

    def test_the_end_of_the_voltage_scale_means_this_or_beyond(self) -> None:
        # GATT Specification Supplement, Voltage: 0xFF80 is 1022.0 V or beyond
        assert gatt.decode(0x2B18, bytes.fromhex("80ff")) == (1022.0, "V", Flag.OVER_RANGE)

    @pytest.mark.parametrize("uuid", sorted(gatt.CHARACTERISTICS))
    def test_whole_truncated_and_with_a_tail(self, uuid: int) -> None:
        size = FORMATS[gatt.CHARACTERISTICS[uuid].format].size_bytes
        whole = bytes([1] + [0] * (size - 1))
        assert gatt.decode(uuid, whole).value == gatt.CHARACTERISTICS[uuid].scaled(1)
        for cut in range(size):
            with pytest.raises(Short, match=str(size)):
                gatt.decode(uuid, whole[:cut])
        for tail in (b"\0", whole):
            with pytest.raises(Garbled):
                gatt.decode(uuid, whole + tail)

    @given(st.sampled_from(sorted(gatt.CHARACTERISTICS)), st.binary(max_size=20))
    def test_garbage_gives_a_value_a_flag_or_a_typed_error(self, uuid: int, payload: bytes) -> None:
        try:
            value = gatt.decode(uuid, payload)
        except (Short, Garbled):
            assert len(payload) != FORMATS[gatt.CHARACTERISTICS[uuid].format].size_bytes
        else:
            assert (value.value is None) == (value.flag in (Flag.NOT_KNOWN, Flag.INVALID))

    def test_an_unknown_characteristic_says_what_to_do(self) -> None:
        with pytest.raises(ProfileError, match="Declare its layout"):
            gatt.decode("7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001", b"\0")

    def test_device_information_strings(self) -> None:
        published = {int(r["uuid"], 16) for r in rows("gatt_device_information.csv") if r["format"] == "utf8s"}
        assert set(gatt.DEVICE_INFORMATION) == published

    def test_every_published_service_that_matters(self) -> None:
        published = {int(row["uuid"], 16): row["characteristics"].split() for row in rows("gatt_services.csv")}
        ours = {gatt.DEVICE_INFORMATION_SERVICE, gatt.BATTERY_SERVICE, gatt.ENVIRONMENTAL_SENSING, bthome.SERVICE_UUID}
        assert ours <= set(published)
        assert set(gatt.DEVICE_INFORMATION) <= {int(each, 16) for each in published[gatt.DEVICE_INFORMATION_SERVICE]}
        assert published[gatt.BATTERY_SERVICE] == [f"0x{gatt.BATTERY_LEVEL:04X}"]
        sensed = {int(each, 16) for each in published[gatt.ENVIRONMENTAL_SENSING]}
        # no quantities: which way a barometer tends, and that a descriptor has changed
        assert sensed - set(gatt.CHARACTERISTICS) == {0x2AA3, 0x2A7D}
        # what the others hold has no standard scalar of ours, or stands under a service above: read by its own number
        for uuid in set(published) - ours:
            for each in published[uuid]:
                assert gatt.full_uuid(each).startswith(f"0000{each[2:].lower()}-")


class TestUuids:
    @pytest.mark.parametrize("given_as", [0x2A6E, "2A6E", "0x2a6e", "00002A6E-0000-1000-8000-00805F9B34FB"])
    def test_spellings_of_one_uuid(self, given_as: int | str) -> None:
        assert gatt.full_uuid(given_as) == "00002a6e-0000-1000-8000-00805f9b34fb"
        assert gatt.short_uuid(given_as) == 0x2A6E

    def test_somebody_elses_uuid_has_no_short_form(self) -> None:
        assert gatt.short_uuid("7D9E0001-6c1c-4b8f-9d0a-5f2a4f4f0001") is None

    @pytest.mark.parametrize("wrong", ["", "temperature", "2A6E-0000", -1, 1 << 32])
    def test_what_is_no_uuid(self, wrong: int | str) -> None:
        with pytest.raises(ProfileError, match="is no UUID"):
            gatt.full_uuid(wrong)


class TestIeee11073:
    @pytest.mark.parametrize("vector", lines("ieee11073_vectors.jsonl"), ids=lambda v: f"{v['format']}-{v['hex']}")
    def test_vectors(self, vector: dict[str, Any]) -> None:
        decode = decode_sfloat if vector["format"] == "SFLOAT" else decode_float
        decoded = decode(bytes.fromhex(vector["hex"]))
        if vector["status"] == "ok":
            assert decoded == (vector["mantissa"], vector["exponent"], None)
            assert decoded.text == vector["decimal"]
            assert decoded.value == float(vector["decimal"])
        else:
            assert decoded.text == vector["status"]
            assert decoded.value is None

    @pytest.mark.parametrize(("decode", "size"), [(decode_sfloat, 2), (decode_float, 4)])
    def test_another_length_is_refused(self, decode: Any, size: int) -> None:
        for wrong in (*range(size), size + 1, 20):
            with pytest.raises(Garbled):
                decode(bytes(wrong))

    @given(st.integers(-(2**23) + 3, 2**23 - 3), st.integers(-128, 127))
    def test_every_float_comes_back(self, mantissa: int, exponent: int) -> None:
        sent = (mantissa & 0xFFFFFF) | ((exponent & 0xFF) << 24)
        decoded = decode_float(sent.to_bytes(4, "little"))
        assert decoded == (mantissa, exponent, None)
        assert decoded.value == float(f"{mantissa}e{exponent}")
        assert decoded.resolution == float(f"1e{exponent}")


class TestFormats:
    def test_the_table_is_the_published_one(self) -> None:
        for row in rows("gatt_format_types.csv"):
            ours = FORMAT_BY_CODE[int(row["code"], 16)]
            assert ours.name == row["short_name"]
            assert ours.size_bytes == int(row["size_bytes"] or 0)
            assert ours.exponent_used == (row["exponent_used"] == "yes")
        assert len(FORMAT_BY_CODE) == len(rows("gatt_format_types.csv"))

    @given(st.sampled_from(sorted(FORMATS)), st.binary(max_size=24))
    def test_garbage_gives_a_raw_value_or_a_typed_error(self, name: str, payload: bytes) -> None:
        kind = FORMATS[name]
        try:
            raw = read_raw(kind, payload, "x")
        except Short:
            assert len(payload) < kind.size_bytes
        except Garbled:
            assert len(payload) > kind.size_bytes
        else:
            assert isinstance(raw, (int, float, Medical, str, bytes))

    @given(st.integers(-(2**23), 2**23 - 1))
    def test_sint24_keeps_its_sign(self, number: int) -> None:
        assert read_raw(FORMATS["sint24"], number.to_bytes(3, "little", signed=True), "x") == number


class TestDeclaredStruct:
    LAYOUT = "function:uint8 status:uint8 value:medfloat32 temperature:sint16"

    def test_fields_one_after_another(self) -> None:
        # hand-written: function 3, status 0x81, 20.0 as FLOAT c8 00 00 ff (200 x 10^-1), -5 as sint16
        values = gatt.Layout.parse(self.LAYOUT).decode(bytes.fromhex("03 81 c80000ff fbff"))
        assert values == {"function": 3, "status": 0x81, "value": Medical(200, -1), "temperature": -5}
        assert gatt.Condition.parse("function=3").holds(values)
        assert gatt.Condition.parse("status & 0x80").holds(values)
        assert not gatt.Condition.parse("status&0x02").holds(values)
        assert not gatt.Condition.parse("value=200").holds(values)
        assert not gatt.Condition.parse("absent=0").holds(values)

    def test_whole_truncated_and_with_a_tail(self) -> None:
        layout = gatt.Layout.parse(self.LAYOUT)
        whole = bytes(range(layout.size_bytes))
        assert layout.size_bytes == 8
        for cut in range(8):
            with pytest.raises(Short, match="takes 8"):
                layout.decode(whole[:cut])
        with pytest.raises(Garbled, match="takes 8"):
            layout.decode(whole + b"\0")
        tolerant = gatt.Layout.parse(self.LAYOUT + " *")
        assert tolerant.decode(whole + b"more") == layout.decode(whole)

    def test_skipped_and_text_fields(self) -> None:
        layout = gatt.Layout.parse("_:uint8 _:uint16 name:utf8s")
        assert layout.decode(b"\1\2\3probe") == {"name": "probe"}

    @pytest.mark.parametrize(
        "wrong",
        ["", "_:uint8", "value", ":uint8", "value:", "value:uint7", "a:uint8 a:uint8", "text:utf8s value:uint8"],
    )
    def test_a_wrong_layout_says_why(self, wrong: str) -> None:
        with pytest.raises(ProfileError) as caught:
            gatt.Layout.parse(wrong)
        assert caught.value.remedy

    @pytest.mark.parametrize("wrong", ["", "function", "function=", "function>3", "function=three", "a b=1"])
    def test_a_wrong_condition_says_how_to_write_one(self, wrong: str) -> None:
        with pytest.raises(ProfileError, match="function=3"):
            gatt.Condition.parse(wrong)

    @given(st.binary(max_size=40))
    def test_garbage_gives_fields_or_a_typed_error(self, payload: bytes) -> None:
        try:
            values = gatt.Layout.parse(self.LAYOUT).decode(payload)
        except DriverError:
            assert len(payload) != 8
        else:
            assert len(values) == 4

    @pytest.mark.parametrize(
        ("raw", "expected"),
        [
            (Medical(200, -1), (20.0, Flag.OK)),
            (decode_sfloat(b"\xff\x07"), (None, Flag.INVALID)),
            (decode_sfloat(b"\xfe\x07"), (None, Flag.OVER_RANGE)),
            (decode_sfloat(b"\x02\x08"), (None, Flag.UNDER_RANGE)),
            (decode_sfloat(b"\x00\x08"), (None, Flag.NOT_KNOWN)),
            (float("nan"), (None, Flag.INVALID)),
            (float("inf"), (None, Flag.OVER_RANGE)),
            (float("-inf"), (None, Flag.UNDER_RANGE)),
            (-7, (-7.0, Flag.OK)),
            ("text", (None, Flag.INVALID)),
        ],
    )
    def test_what_is_no_number_becomes_a_flag(self, raw: Any, expected: tuple[float | None, Flag]) -> None:
        assert gatt.number_of(raw) == expected

    @given(st.floats(width=32, allow_nan=False, allow_infinity=False))
    def test_float32(self, number: float) -> None:
        assert gatt.Layout.parse("x:float32").decode(struct.pack("<f", number)) == {"x": number}
