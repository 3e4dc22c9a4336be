"""BTHome v2 against bthome-ble 3.25.0's results and the published object table (tests/data/bluetooth/README.md)."""

from __future__ import annotations

import contextlib
import csv
import datetime
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import Damaged, DriverError, Garbled, ProfileError, Short
from lineset_drivers.protocols.bthome import Downgraded, KeyNeeded, Receiver, Replayed
from lineset_drivers.protocols.bthome_objects import OBJECTS, Kind

DATA = Path(__file__).parents[2] / "data" / "bluetooth"
VECTORS: list[dict[str, Any]] = [
    json.loads(line) for line in (DATA / "bthome_v2_vectors.jsonl").read_text("utf-8").splitlines()
]
ADDRESS = "C0:DE:00:00:00:02"  # invented, as are the key and packets below
KEY = bytes(range(16))


def seal(counter: int, objects: bytes, *, key: bytes = KEY, address: str = ADDRESS, info: int = 0x41) -> bytes:
    """An encrypted packet, written from the published description and not with the code under test."""
    count = counter.to_bytes(4, "little")
    nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc" + bytes([info]) + count
    sealed = AESCCM(key, tag_length=4).encrypt(nonce, objects, None)
    return bytes([info]) + sealed[:-4] + count + sealed[-4:]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda v: f"{v['what']}-{v['service_data'][:16]}")
def test_vectors(vector: dict[str, Any]) -> None:
    receiver = Receiver(vector["bindkey"])
    packet = bytes.fromhex(vector["service_data"])
    expected = vector["expect"]
    if not expected["supported"]:
        with pytest.raises(Downgraded, match="plain packet"):
            receiver.receive(vector["address"], packet)
        return
    if packet[0] & 1 and vector["bindkey"] is None:
        with pytest.raises(KeyNeeded, match="bind key"):
            receiver.receive(vector["address"], packet)
        return
    if expected.get("decrypted") is False:
        with pytest.raises(Damaged, match="integrity code"):
            receiver.receive(vector["address"], packet)
        return
    advert = receiver.receive(vector["address"], packet)
    got: list[tuple[str, float | str | None, str | None]] = [
        # the library calls the unit of a yes-or-no state "binary"
        (o.label, o.value, "binary" if o.kind is Kind.BINARY else o.unit or None)
        for o in advert.objects
        if o.kind is not Kind.EVENT
    ]
    if advert.packet_id is not None:
        got.insert(0, ("packet_id", advert.packet_id, None))
    assert [(label, unit) for label, _, unit in got] == [(w["key"], w["unit"]) for w in expected["values"]]
    coarse = any(o.object_id == 0x58 for o in advert.objects)
    for (label, value, _), wanted in zip(got, expected["values"], strict=True):
        if label == "timestamp":
            assert value == datetime.datetime.fromisoformat(wanted["value"]).timestamp()
        elif coarse and label.startswith("temperature"):
            # the library rounds multiples of 0.35 to one decimal; the format does not ask for that
            assert value == pytest.approx(wanted["value"], abs=0.0501)
        else:
            assert value == wanted["value"]
    if "events" in expected:  # the library's own tests do not state them all
        events = [(o.label, o.value) for o in advert.objects if o.kind is Kind.EVENT]
        assert events == [(e["key"], e["event"]) for e in expected["events"]]
    assert advert.encrypted == expected.get("decrypted", False)
    assert advert.on_trigger == expected.get("sleepy", False)
    assert advert.raw == packet


def test_the_table_is_the_published_one() -> None:
    with (DATA / "bthome_v2_objects.csv").open(encoding="utf-8", newline="") as file:
        published = list(csv.DictReader(file))
    assert len(published) == len(OBJECTS) == 95
    for row in published:
        ours = OBJECTS[int(row["object_id"], 16)]
        assert (ours.name, ours.kind.value) == (row["property"], row["kind"])
        if row["length_bytes"]:
            assert ours.size_bytes == int(row["length_bytes"])
        if row["factor"]:
            assert ours.multiplier / ours.divisor == float(row["factor"])
        if row["kind"] == "sensor":
            assert ours.unit == row["unit"]
        if row["format"].startswith(("uint", "sint")):
            assert ours.format == row["format"][:4]


def test_whole_cut_and_with_a_tail() -> None:
    # from the format's description: packet id 9, 25.06 degC, 50.55 %
    whole = bytes.fromhex("40 0009 02ca09 03bf13")
    advert = Receiver().receive(ADDRESS, whole)
    assert [(o.name, o.value) for o in advert.objects] == [("temperature", 25.06), ("humidity", 50.55)]
    assert (advert.packet_id, advert.rest, advert.again) == (9, b"", False)
    for cut in range(1, len(whole)):
        part = Receiver().receive(ADDRESS, whole[:cut])
        # what is there is the beginning of the whole, never another value
        assert part.objects == advert.objects[: len(part.objects)]
        assert whole[:cut].endswith(part.rest)
    tail = Receiver().receive(ADDRESS, whole + b"\xfe\x01\x02")
    assert tail.objects == advert.objects
    assert tail.rest == b"\xfe\x01\x02"
    with pytest.raises(Short):
        Receiver().receive(ADDRESS, b"")


def test_a_command_has_no_known_length_so_reading_stops_there() -> None:
    advert = Receiver().receive(ADDRESS, bytes.fromhex("40 02ca09 3b 0102 03bf13"))
    assert [o.name for o in advert.objects] == ["temperature"]
    assert advert.rest == bytes.fromhex("3b 0102 03bf13")


def test_repeated_objects_are_numbered_and_found() -> None:
    advert = Receiver().receive(ADDRESS, bytes.fromhex("40 02ca09 02cf09 450001 1501"))
    assert [o.label for o in advert.objects] == ["temperature_1", "temperature_2", "temperature_3", "battery"]
    second = advert.find("temperature", 2)
    assert second is not None
    assert second.value == 25.11
    assert advert.find("temperature", 4) is None
    assert advert.find("battery") is None  # a flag, not per cent
    assert advert.find("battery", kind=Kind.BINARY) is not None


def test_the_same_packet_id_is_the_same_measurement() -> None:
    receiver = Receiver()
    packets = [bytes.fromhex(text) for text in ("40 0009 02ca09", "40 0009 02ca09", "40 000a 02ca09")]
    assert [receiver.receive(ADDRESS, packet).again for packet in packets] == [False, True, False]
    assert not receiver.receive("C0:DE:00:00:00:03", packets[-1]).again, "another beacon counts for itself"


def test_firmware_version() -> None:
    advert = Receiver().receive(ADDRESS, bytes.fromhex("40 f1 04030201"))
    # bthome.io/format: 0xF1 is uint32, the major version in the highest byte
    assert advert.objects[0].value == "1.2.3.4"


@pytest.mark.parametrize("version", [0, 1, 3, 7])
def test_another_version_is_refused(version: int) -> None:
    with pytest.raises(Garbled, match=f"version {version}"):
        Receiver().receive(ADDRESS, bytes([version << 5]) + bytes.fromhex("02ca09"))


class TestEncrypted:
    def test_counter_must_rise(self) -> None:
        receiver = Receiver(KEY)
        first, second = seal(500, bytes.fromhex("02ca09")), seal(501, bytes.fromhex("02cf09"))
        assert receiver.receive(ADDRESS, first).counter == 500
        assert receiver.receive(ADDRESS, first).again, "the radio hears one packet several times"
        assert not receiver.receive(ADDRESS, second).again
        with pytest.raises(Replayed, match="from 501 to 500"):
            receiver.receive(ADDRESS, first)
        # a low counter is no excuse: the first hundred packets could be replayed for ever
        with pytest.raises(Replayed):
            receiver.receive(ADDRESS, seal(3, bytes.fromhex("02ca09")))
        receiver.forget(ADDRESS)
        assert receiver.receive(ADDRESS, seal(3, bytes.fromhex("02ca09"))).counter == 3

    def test_same_counter_with_other_bytes_is_refused(self) -> None:
        receiver = Receiver(KEY)
        receiver.receive(ADDRESS, seal(7, bytes.fromhex("02ca09")))
        with pytest.raises(Replayed):
            receiver.receive(ADDRESS, seal(7, bytes.fromhex("02cf09")))

    def test_a_forged_packet_does_not_move_the_counter(self) -> None:
        receiver = Receiver(KEY)
        receiver.receive(ADDRESS, seal(7, bytes.fromhex("02ca09")))
        with pytest.raises(Damaged):
            receiver.receive(ADDRESS, seal(0xFFFFFFFF, bytes.fromhex("02ca09"), key=bytes(16)))
        assert receiver.receive(ADDRESS, seal(8, bytes.fromhex("02ca09"))).counter == 8

    def test_a_plain_packet_is_refused_before_and_after(self) -> None:
        receiver = Receiver(KEY.hex())
        with pytest.raises(Downgraded):
            receiver.receive(ADDRESS, bytes.fromhex("40 02ca09"))
        receiver.receive(ADDRESS, seal(1, bytes.fromhex("02ca09")))
        with pytest.raises(Downgraded):
            receiver.receive(ADDRESS, bytes.fromhex("40 02ca09"))

    def test_cut_at_every_byte_and_with_a_tail(self) -> None:
        whole = seal(1, bytes.fromhex("02ca09"))
        for cut in range(1, len(whole)):
            with pytest.raises((Short, Damaged)):
                Receiver(KEY).receive(ADDRESS, whole[:cut])
        with pytest.raises(Damaged):
            Receiver(KEY).receive(ADDRESS, whole + b"\0")

    @given(st.integers(0), st.integers(0, 7))
    def test_any_flipped_bit_is_noticed(self, at: int, bit: int) -> None:
        whole = bytearray(seal(1, bytes.fromhex("02ca0903bf13")))
        whole[at % len(whole)] ^= 1 << bit
        with pytest.raises(DriverError):
            Receiver(KEY).receive(ADDRESS, bytes(whole))

    def test_address_in_the_packet_is_the_one_that_counts(self) -> None:
        packet = seal(1, bytes.fromhex("02ca09"), info=0x43)
        with_address = packet[:1] + bytes.fromhex(ADDRESS.replace(":", ""))[::-1] + packet[1:]
        assert Receiver(KEY).receive("11:22:33:44:55:66", with_address).address == ADDRESS
        with pytest.raises(Short, match="address of 6"):
            Receiver(KEY).receive(ADDRESS, b"\x43\1\2\3")

    @pytest.mark.parametrize("wrong", [b"", bytes(15), bytes(17), "00" * 15, "zz" * 16, "not a key"])
    def test_a_wrong_key_is_refused_at_once(self, wrong: bytes | str) -> None:
        with pytest.raises(ProfileError, match="bind"):
            Receiver(wrong)


@given(st.binary(max_size=31), st.sampled_from([None, KEY]))
def test_garbage_gives_an_advert_or_a_typed_error(packet: bytes, key: bytes | None) -> None:
    with contextlib.suppress(DriverError):
        advert = Receiver(key).receive(ADDRESS, packet)
        assert advert.raw == packet
        assert advert.encrypted == (key is not None)


@given(st.binary(max_size=30))
def test_garbage_behind_a_good_head_is_never_lost(body: bytes) -> None:
    advert = Receiver().receive(ADDRESS, b"\x40" + body)
    assert body.endswith(advert.rest)


def test_cryptography_is_imported_only_when_a_packet_is_encrypted() -> None:
    code = (
        "import sys; from lineset_drivers.protocols.bthome import Receiver\n"
        "Receiver(bytes(16)); Receiver().receive('C0:DE:00:00:00:02', bytes.fromhex('4002ca09'))\n"
        "sys.exit('cryptography' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
