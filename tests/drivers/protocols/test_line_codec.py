"""Line streams: cutting, checksums, patterns and columns, selectors, overload and hold."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cuts import bytewise, cuts, feed, told

from lineset_drivers.channel import Channel, Field, Query
from lineset_drivers.errors import Damaged, Garbled, InstrumentError, ProfileError, Short
from lineset_drivers.frame import Flag, Sample
from lineset_drivers.protocols.checksums import sum8, xor8
from lineset_drivers.protocols.event import Failure
from lineset_drivers.protocols.lines import (
    CHECKSUMS,
    Line,
    LineFramer,
    LineStream,
    Pattern,
    append_checksum,
    strip_checksum,
)
from lineset_drivers.quantity import Quantity

Feed = Callable[[bytes], list[bytes]]
WAYS: list[Feed] = [lambda data: [data], bytewise, lambda data: [data[:9], b"", data[9:]]]
ways = pytest.mark.parametrize("way", WAYS, ids=["whole", "bytewise", "in-two"])


def channel(name: str, quantity: Quantity, unit: str, where: Field, **more: object) -> Channel:
    return Channel(name=name, title=name, quantity=quantity, unit=unit, where=where, source="invented", **more)  # type: ignore[arg-type]


OL = {"OL": Flag.OVER_RANGE, "-OL": Flag.UNDER_RANGE}
CURRENT = channel("current", Quantity.CURRENT, "A", Field("current", unit_group="unit"), codes=OL)
RESISTANCE = channel("resistance", Quantity.RESISTANCE, "Ohm", Field("resistance", unit_group="unit"), codes=OL)
MODES = r"ACA,(?P<current>[^,]*)|RES,(?P<resistance>[^,]*)|NCV,[^,]*"
METER = rf"\$M,(?:{MODES}),(?P<unit>\w*),(?P<held>[H-])(?P<battery_low>[B-])"


def meter() -> Pattern:
    return Pattern([CURRENT, RESISTANCE], pattern=METER, checksum="xor8-hex", where="serial:/dev/ttyUSB0")


def line(text: str) -> bytes:
    return append_checksum(text.encode(), "xor8-hex")


@ways
def test_lines_without_the_first_piece(way: Feed) -> None:
    framer = LineFramer(b"\r\n")
    assert feed(framer.receive, way(b"34,A\r\nfirst\r\n\r\nsec")) == [b"first", b""]
    assert feed(framer.receive, way(b"ond\rx\r\n")) == [b"second\rx"]
    framer.reset()
    assert feed(framer.receive, way(b"lost\r\nkept\r\n")) == [b"kept"]


def test_a_polled_instrument_loses_no_first_line() -> None:
    assert LineFramer(b"\n", drop_first=False).receive(b"a\nb\n") == [b"a", b"b"]


@ways
@pytest.mark.parametrize("size", [11, 12, 13, 14, 100])
def test_oversized_lines_are_dropped_and_counted(way: Feed, size: int) -> None:
    framer = LineFramer(b"\r\n", max_length=10, drop_first=False)
    assert feed(framer.receive, way(b"x" * size + b"\r\nnext\r\n" + b"1234567890\r\n")) == [b"next", b"1234567890"]
    assert framer.oversized == 1


def test_what_never_ends_is_not_kept() -> None:
    framer = LineFramer(b"\r\n", max_length=80)
    for _ in range(1000):
        assert framer.receive(b"\xff" * 1000) == []
    assert len(framer._buffer) <= 82
    assert framer.receive(b"\r\nok\r\n") == [b"ok"]


@given(st.lists(st.sampled_from([b"\r", b"\n", b"\r\n", b"abc", b"x" * 9, b"y" * 30])).map(b"".join), st.data())
def test_lines_do_not_depend_on_the_cuts(stream: bytes, data: st.DataObject) -> None:
    outcomes = []
    for way in ([stream], bytewise(stream), data.draw(cuts(stream))):
        framer = LineFramer(b"\r\n", max_length=12)
        outcomes.append((feed(framer.receive, way), framer.oversized))
        framer.receive(b"z" * 20)  # unended lines may be counted a little earlier in one piece than in many
    assert outcomes[0][0] == outcomes[1][0] == outcomes[2][0]
    assert outcomes[0][1] == outcomes[1][1] == outcomes[2][1]


def test_checksum_of_nmea_sentences() -> None:
    # A sentence with its checksum as printed on public pages about NMEA 0183 (found in two of them): $HEHDT,178.3,T*1E
    # is also worked out here by hand for a short one: "A" ^ "B" is 0x03.
    assert xor8(b"AB") == 0x03
    assert strip_checksum(b"$AB*03", "xor8-hex") == b"$AB"
    assert sum8(b"AB") == 0x83
    assert strip_checksum(b"AB*83", "sum8-hex") == b"AB"
    # CRC of 02 07 is 0x1241: MODBUS over Serial Line V1.02, 6.2.2 (from memory)
    assert strip_checksum(b"\x02\x07*1241", "crc16-hex") == b"\x02\x07"


@pytest.mark.parametrize("kind", CHECKSUMS)
@given(body=st.binary(min_size=1, max_size=60), bit=st.integers(0, 7), place=st.integers(0, 59))
def test_checksums_round_trip_and_show_a_flipped_bit(kind: str, body: bytes, bit: int, place: int) -> None:
    sealed = append_checksum(body, kind)
    assert strip_checksum(sealed, kind) == body
    if body[:1] in (b"$", b"!"):
        return  # the start mark is not covered
    at = place % len(body)
    broken = sealed[:at] + bytes((sealed[at] ^ 1 << bit,)) + sealed[at + 1 :]
    if broken[:1] not in (b"$", b"!"):
        with pytest.raises((Damaged, Garbled)):
            strip_checksum(broken, kind)


@pytest.mark.parametrize("bad", [b"$AB*04", b"$AB*3", b"$AB*", b"$AB*0g", b"$AB*+3", b"$AB* 3", b"$AB*003"])
def test_wrong_checksum_is_damage(bad: bytes) -> None:
    with pytest.raises(Damaged):
        strip_checksum(bad, "xor8-hex")


def test_missing_checksum_is_no_damage() -> None:
    with pytest.raises(Garbled, match="has no checksum"):
        strip_checksum(b"$AB", "xor8-hex")


def test_the_selector_decides_which_channel_has_a_sample() -> None:
    read = meter()
    assert read.parse(line("$M,ACA,+012.34,A,--")).samples == (Sample("current", 12.34, "A"),)
    assert read.parse(line("$M,RES,4.7,kOhm,--")).samples == (Sample("resistance", 4700.0, "Ohm"),)
    assert read.parse(line("$M,NCV,2,,--")).samples == ()


def test_overload_hold_and_marks() -> None:
    read = meter()
    assert read.parse(line("$M,ACA,OL,A,--")).samples == (Sample("current", None, "A", Flag.OVER_RANGE),)
    assert read.parse(line("$M,ACA,-OL,A,--")).samples == (Sample("current", None, "A", Flag.UNDER_RANGE),)
    held = read.parse(line("$M,ACA,1.5,A,HB"))
    assert held.samples == (Sample("current", 1.5, "A", Flag.HELD),)
    assert held.marks == {"battery_low": True}
    assert read.parse(line("$M,ACA,OL,A,H-")).samples[0].flag == Flag.OVER_RANGE  # held says less than overload


@pytest.mark.parametrize("number", ["", "1..2", "nan", "inf", "1_0", "0x10", "--1", "1e", "１", "OVER"])
def test_an_impossible_number_is_garbled(number: str) -> None:
    with pytest.raises(Garbled):
        meter().parse(append_checksum(f"$M,ACA,{number},A,--".encode(), "xor8-hex"))


def test_an_unknown_unit_is_garbled() -> None:
    with pytest.raises(Garbled, match="unit"):
        meter().parse(line("$M,ACA,1.0,V,--"))
    with pytest.raises(Garbled, match="furlong"):
        meter().parse(line("$M,ACA,1.0,furlong,--"))


def test_words_for_units_can_be_mapped() -> None:
    read = Pattern([CURRENT], pattern=r"(?P<current>\S+) (?P<unit>\S+)", units={"AMP": "A", "MILLIAMP": "mA"})
    assert read.parse(b"250 MILLIAMP").samples == (Sample("current", 0.25, "A"),)


COLUMNS = [
    channel("current", Quantity.CURRENT, "A", Field(column=1), codes=OL),
    channel("voltage", Quantity.VOLTAGE, "V", Field(column=1), codes={9999: Flag.OVER_RANGE}),
    channel("line_temperature", Quantity.TEMPERATURE, "degF", Field(column=2), scale=0.1),
]
WHEN = {"current": {0: ("ACA", "DCA")}, "voltage": {0: ("ACV",)}}


def test_columns_with_a_mode_word() -> None:
    read = Pattern(COLUMNS, delimiter=",", when=WHEN, held=3)
    assert read.parse(b"ACA, 1.5 ,400,-").samples == (
        Sample("current", 1.5, "A"),
        Sample("line_temperature", 40.0, "degF"),
    )
    assert read.parse(b"ACV,120.4,400,").samples[0] == Sample("voltage", 120.4, "V")
    assert read.parse(b"ACV,9999,400,").samples[0] == Sample("voltage", None, "V", Flag.OVER_RANGE)
    assert [s.channel for s in read.parse(b"HZ,60.0,400").samples] == ["line_temperature"]
    assert read.parse(b"DCA,1.5,400,H").samples[0] == Sample("current", 1.5, "A", Flag.HELD)


def test_missing_columns_are_short() -> None:
    with pytest.raises(Short, match="2 of 3 columns"):
        Pattern(COLUMNS, delimiter=",", when=WHEN).parse(b"ACA,1.5")


def test_text_that_is_not_ascii_is_garbled() -> None:
    with pytest.raises(Garbled, match="plain text"):
        Pattern(COLUMNS, delimiter=",").parse(b"ACA,1.5\xb0,3")


@ways
def test_stream_keeps_order_and_survives_bad_lines(way: Feed) -> None:
    stream = LineStream(LineFramer(b"\r\n"), meter())
    good, bad = line("$M,ACA,1.0,A,--"), line("$M,ACA,1.0,A,--").replace(b"1.0", b"7.0")
    events = feed(stream.receive, way(b"..A,--*11\r\n" + b"\r\n".join((good, bad, b"", b"?", good, b""))))
    kinds = [type(e.error) if isinstance(e, Failure) else type(e) for e in events]
    assert kinds == [Line, Damaged, Garbled, Line]
    assert events[1].raw == bad
    assert str(events[1].error).startswith("serial:/dev/ttyUSB0: ")


@given(st.lists(st.one_of(st.binary(max_size=40), st.just(line("$M,ACA,1.0,A,--") + b"\r\n")), max_size=6), st.data())
def test_garbage_never_breaks_the_stream(parts: list[bytes], data: st.DataObject) -> None:
    whole = b"".join(parts)
    outcomes = []
    for way in ([whole], bytewise(whole), data.draw(cuts(whole))):
        stream = LineStream(LineFramer(b"\r\n", max_length=80), meter())
        events = feed(stream.receive, way)
        for event in events:
            assert isinstance(event, Line) or isinstance(event.error, InstrumentError)
        outcomes.append(told(events))
        assert isinstance(stream.receive(b"\r\n" + line("$M,ACA,1.0,A,--") + b"\r\n")[-1], Line)
    assert outcomes[0] == outcomes[1] == outcomes[2]


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: Pattern(COLUMNS), "pattern"),
        (lambda: Pattern(COLUMNS, delimiter=",", pattern="x"), "pattern"),
        (lambda: Pattern([CURRENT], pattern="(?P<other>x)"), "group"),
        (lambda: Pattern([CURRENT], pattern="("), "pattern"),
        (lambda: Pattern([CURRENT], delimiter=","), "column"),
        (lambda: Pattern(COLUMNS, delimiter=",", when={"current": {"mode": ("A",)}}), "column"),
        (lambda: Pattern(COLUMNS, delimiter=",", checksum="md5"), "checksum"),
        (lambda: Pattern([Channel("x", "x", Quantity.VOLTAGE, "V", Query("?"), "")], delimiter=","), "group"),
        (lambda: LineFramer(b""), "terminator"),
    ],
)
def test_what_cannot_be_a_pattern_names_its_key(make: Callable[[], object], key: str) -> None:
    with pytest.raises(ProfileError) as caught:
        make()
    assert caught.value.key == key
