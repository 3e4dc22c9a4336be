"""Modbus against the specifications' own examples and against an independent implementation (pymodbus 3.16).

Published frames, all from memory and found alike in several independent public test suites:
- APP = MODBUS Application Protocol Specification V1.1b3, the example tables of sections 6.1 to 6.4 and of section 7;
- LINE = MODBUS over Serial Line Specification and Implementation Guide V1.02, section 6.2.2 (CRC example);
- TCP = MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3 (layout of the MBAP header).
"""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse

from lineset_drivers.errors import Refused
from lineset_drivers.protocols.modbus import (
    COIL,
    DISCRETE,
    HOLDING,
    INPUT,
    Answer,
    Conversation,
    Failure,
    Request,
    crc16,
    decode_value,
    encode_rtu,
    encode_tcp,
    encode_value,
)


def _bits(pattern: str) -> tuple[bool, ...]:
    return tuple(c == "1" for c in pattern)


# request, its PDU, the reply's PDU, what it says; bits lowest address first
PUBLISHED = [
    # APP 6.1, read coils 20 to 38: 27-20 are 1100 1101, 35-28 are 0110 1011, 38-36 are 101
    (Request(17, COIL, 0x13, 0x13), "01 0013 0013", "01 03 CD 6B 05", _bits("1011001111010110101")),
    # APP 6.2, read discrete inputs 197 to 218: 1010 1100, 1101 1011, 11 0101
    (Request(17, DISCRETE, 0xC4, 0x16), "02 00C4 0016", "02 03 AC DB 35", _bits("0011010111011011101011")),
    # APP 6.3, read holding registers 108 to 110: 555, 0, 100
    (Request(17, HOLDING, 0x6B, 3), "03 006B 0003", "03 06 02 2B 00 00 00 64", (555, 0, 100)),
    # APP 6.4, read input register 9: 10
    (Request(17, INPUT, 8, 1), "04 0008 0001", "04 02 00 0A", (10,)),
]


@pytest.mark.parametrize(("request_", "asked", "said", "means"), PUBLISHED)
def test_published_pdus_on_both_framings(request_: Request, asked: str, said: str, means: tuple[Any, ...]) -> None:
    for framing in ("rtu", "tcp"):
        talk = Conversation(framing)  # type: ignore[arg-type]
        sent = talk.ask(request_)
        pdu, reply = bytes.fromhex(asked), bytes.fromhex(said)
        if framing == "rtu":
            assert sent[:1] + sent[1:-2] == bytes((17,)) + pdu
            frame = bytes((17,)) + reply
            frame += struct.pack("<H", crc16(frame))
        else:
            assert sent == struct.pack(">HHHB", 1, 0, 6, 17) + pdu  # TCP 3.1.3
            frame = struct.pack(">HHHB", 1, 0, len(reply) + 1, 17) + reply
        (answer,) = talk.receive(frame)
        assert isinstance(answer, Answer)
        assert answer.raw == frame
        assert (answer.bits or answer.registers) == means
        assert answer.request == request_


def test_published_exception() -> None:
    # APP 7, a read of output 1245 (0x04A1) that the device does not have: 81 02
    talk = Conversation("rtu", where="serial:/dev/ttyUSB0")
    assert talk.ask(Request(10, COIL, 0x04A1, 1))[:-2] == bytes.fromhex("0A 01 04A1 0001")
    frame = bytes.fromhex("0A 81 02")
    (event,) = talk.receive(frame + struct.pack("<H", crc16(frame)))
    assert isinstance(event, Failure)
    assert isinstance(event.error, Refused)
    assert event.error.code == 2
    assert "ILLEGAL DATA ADDRESS" in event.error.problem
    assert str(event.error).startswith("serial:/dev/ttyUSB0 unit 10: ")


def test_published_crc() -> None:
    # LINE 6.2.2: device 02, function 07; the CRC is 0x1241, sent 41 then 12
    assert crc16(bytes.fromhex("02 07")) == 0x1241
    assert crc16(bytes.fromhex("02 07 41 12")) == 0


def _slow_crc(data: bytes) -> int:
    """Bit by bit as LINE 6.2.1 describes it."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc, carry = crc >> 1, crc & 1
            if carry:
                crc ^= 0xA001
    return crc


@given(st.binary(max_size=600))
def test_crc_is_that_of_the_bitwise_description_and_of_pymodbus(data: bytes) -> None:
    assert crc16(data) == _slow_crc(data)
    assert crc16(data) == int.from_bytes(FramerRTU.compute_CRC(data).to_bytes(2, "big"), "little")
    assert crc16(bytearray(data)) == crc16(memoryview(data)) == crc16(data)


requests = st.one_of(
    st.builds(
        Request, st.integers(1, 247), st.sampled_from((COIL, DISCRETE)), st.integers(0, 63000), st.integers(1, 2000)
    ),
    st.builds(
        Request, st.integers(1, 247), st.sampled_from((HOLDING, INPUT)), st.integers(0, 65000), st.integers(1, 125)
    ),
)


@given(requests, st.integers(0, 0xFFFF))
def test_pymodbus_reads_our_requests(request: Request, transaction: int) -> None:
    server = DecodePDU(is_server=True)
    for framer, frame in (
        (FramerRTU(server), encode_rtu(request)),
        (FramerSocket(server), encode_tcp(request, transaction)),
    ):
        used, pdu = framer.handleFrame(frame, 0, 0)
        assert used == len(frame)
        assert pdu is not None
        assert (pdu.dev_id, pdu.function_code, pdu.address, pdu.count) == (
            request.unit,
            request.function,
            request.address,
            request.count,
        )
        assert framer.buildFrame(pdu) == frame
    assert pdu.transaction_id == transaction


def _theirs(request: Request, values: list[int]) -> ModbusPDU:
    if request.is_bits:
        kind = ReadCoilsResponse if request.function == COIL else ReadDiscreteInputsResponse
        return kind(dev_id=request.unit, bits=[bool(v) for v in values])
    words = ReadHoldingRegistersResponse if request.function == HOLDING else ReadInputRegistersResponse
    return words(dev_id=request.unit, registers=values)


@given(requests, st.data())
def test_we_read_replies_of_pymodbus_and_it_reads_the_same(request: Request, data: st.DataObject) -> None:
    limit = 1 if request.is_bits else 0xFFFF
    values = data.draw(st.lists(st.integers(0, limit), min_size=request.count, max_size=request.count))
    client = DecodePDU(is_server=False)
    for framing, framer in (("rtu", FramerRTU(client)), ("tcp", FramerSocket(client))):
        talk = Conversation(framing)  # type: ignore[arg-type]
        talk.ask(request)
        reply = _theirs(request, values)
        reply.transaction_id = 1
        frame = framer.buildFrame(reply)
        (answer,) = talk.receive(frame)
        assert isinstance(answer, Answer)
        assert list(answer.bits or answer.registers) == values
        _, theirs = framer.handleFrame(answer.raw, request.unit, 0)
        assert theirs is not None
        assert (theirs.bits[: request.count] if request.is_bits else theirs.registers) == values


@given(requests, st.integers(1, 255))
def test_we_read_exceptions_of_pymodbus(request: Request, code: int) -> None:
    client = DecodePDU(is_server=False)
    for framing, framer in (("rtu", FramerRTU(client)), ("tcp", FramerSocket(client))):
        talk = Conversation(framing)  # type: ignore[arg-type]
        talk.ask(request)
        frame = framer.buildFrame(ExceptionResponse(request.function, code, request.unit, 1))
        (event,) = talk.receive(frame)
        assert isinstance(event, Failure)
        assert isinstance(event.error, Refused)
        assert event.error.code == code
        assert not talk.quiet


TYPES = {
    "uint16": ("UINT16", st.integers(0, 2**16 - 1)),
    "int16": ("INT16", st.integers(-(2**15), 2**15 - 1)),
    "uint32": ("UINT32", st.integers(0, 2**32 - 1)),
    "int32": ("INT32", st.integers(-(2**31), 2**31 - 1)),
    "uint64": ("UINT64", st.integers(0, 2**64 - 1)),
    "int64": ("INT64", st.integers(-(2**63), 2**63 - 1)),
    "float32": ("FLOAT32", st.floats(width=32, allow_nan=False)),
    "float64": ("FLOAT64", st.floats(allow_nan=False)),
}


@pytest.mark.parametrize("kind", TYPES)
@given(data=st.data())
def test_numbers_in_registers_agree_with_pymodbus(kind: str, data: st.DataObject) -> None:
    name, numbers = TYPES[kind]
    number = data.draw(numbers)
    theirs = ModbusClientMixin.DATATYPE[name]
    for order in ("big", "little"):
        registers = ModbusClientMixin.convert_to_registers(number, theirs, word_order=order)  # type: ignore[arg-type]
        assert list(encode_value(number, kind, order)) == registers
        assert decode_value(registers, kind, order) == number


@given(st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=20))
def test_text_in_registers_agrees_with_pymodbus(text: str) -> None:
    for order in ("big", "little"):
        registers = ModbusClientMixin.convert_to_registers(
            text,
            ModbusClientMixin.DATATYPE.STRING,
            word_order=order,  # type: ignore[arg-type]
        )
        assert decode_value(registers, "ascii", order) == text
