"""Register channels: planned into few requests, decoded at once, in every word and byte order."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.channel import Channel, Field, Register
from lineset_drivers.errors import ProfileError
from lineset_drivers.frame import Flag, Sample
from lineset_drivers.protocols.modbus import (
    REGISTERS_OF,
    Answer,
    Request,
    compile_polls,
    decode_value,
    encode_value,
    plan_polls,
)
from lineset_drivers.quantity import Quantity

ORDERS = ("big", "little")


def channel(name: str, where: Register | Field, **more: object) -> Channel:
    return Channel(
        name=name, title=name, quantity=Quantity.TEMPERATURE, unit="degC", where=where, source="invented", **more
    )  # type: ignore[arg-type]


def at(address: int, type: str = "uint16", function: str = "holding", **more: object) -> Channel:
    return channel(f"{function}_{address}_{type}", Register(function, address, type, **more))  # type: ignore[arg-type]


def answer(request: Request, registers: tuple[int, ...]) -> Answer:
    assert len(registers) == request.count
    data = struct.pack(f">{len(registers)}H", *registers)
    return Answer(request, data, data)


def decoded(channels: list[Channel], image: dict[int, int]) -> dict[str, Sample]:
    """All polls of `channels` against a register image written by hand (registers not in it are 0xDEAD)."""
    samples = {}
    for poll in compile_polls(channels, 8):
        request = poll.request
        registers = tuple(image.get(n, 0xDEAD) for n in range(request.address, request.address + request.count))
        for sample in poll.decode(answer(request, registers)):
            samples[sample.channel] = sample
    return samples


@pytest.mark.parametrize(
    ("word_order", "byte_order", "registers"),
    [
        # IEEE 754 single 25.5 is 0x41CC0000 (sign 0, exponent 131, mantissa 1.59375): worked out by hand
        ("big", "big", (0x41CC, 0x0000)),
        ("little", "big", (0x0000, 0x41CC)),
        ("big", "little", (0xCC41, 0x0000)),
        ("little", "little", (0x0000, 0xCC41)),
    ],
)
def test_the_four_orders_of_a_float(word_order: str, byte_order: str, registers: tuple[int, int]) -> None:
    assert decode_value(registers, "float32", word_order, byte_order) == 25.5
    assert encode_value(25.5, "float32", word_order, byte_order) == registers
    c = at(3, "float32", word_order=word_order, byte_order=byte_order)
    assert decoded([c], {3: registers[0], 4: registers[1]})[c.name].value == 25.5


@pytest.mark.parametrize(
    ("type", "word_order", "byte_order", "registers", "value"),
    [
        ("uint16", "big", "big", (0x1234,), 0x1234),
        ("uint16", "little", "big", (0x1234,), 0x1234),  # one register has no word order
        ("uint16", "little", "little", (0x1234,), 0x3412),
        ("int16", "big", "little", (0xFEFF,), -2),
        ("uint32", "little", "big", (0x5678, 0x1234), 0x12345678),
        ("int32", "big", "little", (0xFFFF, 0xFEFF), -2),
        ("uint64", "little", "big", (4, 3, 2, 1), 0x0001000200030004),
        ("uint64", "big", "little", (0x0100, 0x0200, 0x0300, 0x0400), 0x0001000200030004),
        ("bcd16", "big", "big", (0x1234,), 1234),
        ("bcd16", "big", "little", (0x3412,), 1234),
    ],
)
def test_orders_of_whole_numbers(
    type: str, word_order: str, byte_order: str, registers: tuple[int, ...], value: int
) -> None:
    assert decode_value(registers, type, word_order, byte_order) == value
    assert encode_value(value, type, word_order, byte_order) == registers
    c = at(0, type, word_order=word_order, byte_order=byte_order)
    assert decoded([c], dict(enumerate(registers)))[c.name].value == value


@st.composite
def numbers(draw: st.DrawFn) -> tuple[str, float]:
    type = draw(st.sampled_from([*REGISTERS_OF]))
    if type == "bcd16":
        return type, draw(st.integers(0, 9999))
    width = 16 * REGISTERS_OF[type]
    if type.startswith("float"):
        return type, draw(st.floats(width=width))  # type: ignore[arg-type]
    low = -(1 << width - 1) if type.startswith("int") else 0
    return type, draw(st.integers(low, low + (1 << width) - 1))


@given(numbers(), st.sampled_from(ORDERS), st.sampled_from(ORDERS))
def test_round_trip(number: tuple[str, float], word_order: str, byte_order: str) -> None:
    type, value = number
    registers = encode_value(value, type, word_order, byte_order)
    assert len(registers) == REGISTERS_OF[type]
    back = decode_value(registers, type, word_order, byte_order)
    assert back == value or (math.isnan(value) and isinstance(back, float) and math.isnan(back))


@given(numbers())
def test_orders_are_permutations_of_the_same_bytes(number: tuple[str, float]) -> None:
    type, value = number
    plain = encode_value(value, type)
    assert encode_value(value, type, "little", "big") == plain[::-1]
    swapped = tuple((r & 0xFF) << 8 | r >> 8 for r in plain)
    assert encode_value(value, type, "big", "little") == swapped
    assert encode_value(value, type, "little", "little") == swapped[::-1]


@st.composite
def maps(draw: st.DrawFn) -> list[Channel]:
    channels = []
    for n in range(draw(st.integers(1, 12))):
        type = draw(st.sampled_from([*REGISTERS_OF]))
        register = Register(
            "holding",
            draw(st.integers(0, 60)),
            type,
            draw(st.sampled_from(ORDERS)),
            draw(st.sampled_from(ORDERS)),
            bit=draw(st.one_of(st.none(), st.integers(0, 15))) if type == "uint16" else None,
        )
        channels.append(channel(f"c{n}", register))
    return channels


@given(maps(), st.lists(st.integers(0, 0xFFFF), min_size=64, max_size=64), st.integers(0, 20), st.integers(4, 125))
def test_compiled_polls_say_what_each_value_decodes_to_alone(
    channels: list[Channel], image: list[int], max_gap: int, max_registers: int
) -> None:
    polls = compile_polls(channels, max_gap, max_registers, unit=7)
    assert sorted(name for poll in polls for name in poll.channels) == sorted(c.name for c in channels)
    samples = {}
    for poll in polls:
        request = poll.request
        assert request.unit == 7
        assert request.count <= max_registers
        registers = tuple(image[request.address : request.address + request.count])
        samples |= {sample.channel: sample for sample in poll.decode(answer(request, registers))}
    for c in channels:
        r = c.where
        assert isinstance(r, Register)
        try:
            raw = decode_value(image[r.address : r.address + REGISTERS_OF[r.type]], r.type, r.word_order, r.byte_order)
        except ValueError:
            assert (samples[c.name].value, samples[c.name].flag) == (None, Flag.INVALID)  # no decimal digits
            continue
        if r.bit is not None:
            assert isinstance(raw, int)
            raw = raw >> r.bit & 1
        assert samples[c.name] == c.sample(raw)


def test_neighbours_are_merged_and_values_never_split() -> None:
    assert plan_polls([at(0), at(1), at(2, "float32")]) == [Request(1, 3, 0, 4)]
    assert plan_polls([at(4), at(0)]) == [Request(1, 3, 0, 1), Request(1, 3, 4, 1)]
    assert plan_polls([at(0), at(4)], 3) == [Request(1, 3, 0, 5)]
    assert plan_polls([at(0), at(4)], 2) == [Request(1, 3, 0, 1), Request(1, 3, 4, 1)]
    assert plan_polls([at(0), at(1, "float32")], 8, 2) == [Request(1, 3, 0, 1), Request(1, 3, 1, 2)]
    assert plan_polls([at(n) for n in range(200)]) == [Request(1, 3, 0, 125), Request(1, 3, 125, 75)]
    assert plan_polls([at(0, "float64"), at(1)]) == [Request(1, 3, 0, 4)]  # one lies inside the other


def test_functions_are_asked_apart_and_bits_in_one_request() -> None:
    channels = [
        at(0, function="input"),
        at(0),
        channel("fan", Register("coil", 5, "bit")),
        channel("pump", Register("coil", 1900, "bit")),
        channel("door", Register("discrete", 0, "bit")),
    ]
    polls = compile_polls(channels, 2000, unit=3)
    assert [p.request for p in polls] == [
        Request(3, 1, 5, 1896),
        Request(3, 2, 0, 1),
        Request(3, 3, 0, 1),
        Request(3, 4, 0, 1),
    ]
    data = bytearray(237)
    data[-1] = 0b10000000  # coil 5 + 1895 = 1900
    fan, pump = polls[0].decode(Answer(polls[0].request, bytes(data), b""))
    assert (fan.channel, fan.value) == ("fan", 0.0)
    assert (pump.channel, pump.value) == ("pump", 1.0)


def test_codes_scale_and_ranges_are_those_of_the_channel() -> None:
    c = channel(
        "t",
        Register("holding", 0, "int16"),
        scale=0.1,
        offset=-40.0,
        codes={-32768: Flag.INVALID, 32767: Flag.OVER_RANGE},
        low=-50.0,
        high=200.0,
    )
    assert decoded([c], {0: 634})["t"] == Sample("t", pytest.approx(23.4), "degC")  # type: ignore[arg-type]
    assert decoded([c], {0: 0x8000})["t"] == Sample("t", None, "degC", Flag.INVALID)
    assert decoded([c], {0: 0x7FFF})["t"] == Sample("t", None, "degC", Flag.OVER_RANGE)
    assert decoded([c], {0: 3000})["t"].flag == Flag.OVER_RANGE


def test_not_a_number_and_infinity_give_no_value() -> None:
    c = at(0, "float32")
    for high in (0x7FC0, 0x7F80, 0xFF80):
        assert decoded([c], {0: high, 1: 0})[c.name] == Sample(c.name, None, "degC", Flag.INVALID)


def test_digits_that_are_not_decimal() -> None:
    c = at(0, "bcd16")
    assert decoded([c], {0: 0x12A4})[c.name] == Sample(c.name, None, "degC", Flag.INVALID)
    with pytest.raises(ValueError, match="0x12A4"):
        decode_value([0x12A4], "bcd16")


@pytest.mark.parametrize(
    ("bad", "key"),
    [
        (at(0, "uint24"), "type"),
        (at(0, "ascii"), "type"),
        (at(65535, "float32"), "address"),
        (at(-1), "address"),
        (at(0, function="write"), "function"),
        (at(0, bit=16), "bit"),
        (at(0, "float32", bit=1), "bit"),
        (at(0, word_order="middle"), "word_order"),
        (channel("x", Field(column=1)), "address"),
    ],
)
def test_what_cannot_be_planned_names_its_key(bad: Channel, key: str) -> None:
    with pytest.raises(ProfileError) as caught:
        compile_polls([bad])
    assert caught.value.key == key
    assert caught.value.remedy


def test_values_that_do_not_fit() -> None:
    with pytest.raises(ProfileError, match="takes 2 registers"):
        decode_value([1], "float32")
    with pytest.raises(struct.error):
        encode_value(70000, "uint16")
    with pytest.raises(OverflowError):
        encode_value(10000, "bcd16")
    with pytest.raises(ProfileError, match="unknown register type"):
        encode_value(1, "uint24")
