"""Requests, answers and exception replies of Modbus, and how a reply is judged against what was asked.

Source: MODBUS Application Protocol Specification V1.1b3, sections 4.1 (sizes), 6.1 to 6.4 (the four reads) and
7 (exception codes); MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3 (MBAP header).
"""

from __future__ import annotations

import struct
from functools import lru_cache

import msgspec
from msgspec.structs import astuple

from ...errors import Foreign, Garbled, InstrumentError, ProfileError, Refused, Short
from ..checksums import crc16

COIL, DISCRETE, HOLDING, INPUT = 1, 2, 3, 4
FUNCTIONS: dict[str, int] = {"coil": COIL, "discrete": DISCRETE, "holding": HOLDING, "input": INPUT}
MAX_REGISTERS = 125
MAX_BITS = 2000

# code: (the specification's name, what it means to who stands before the instrument)
EXCEPTIONS: dict[int, tuple[str, str]] = {
    1: ("ILLEGAL FUNCTION", "It does not know this kind of read; check that the profile fits this instrument"),
    2: ("ILLEGAL DATA ADDRESS", "It has no such register; check that the profile fits this instrument"),
    3: ("ILLEGAL DATA VALUE", "It will not give so many registers at once; check the profile"),
    4: ("SERVER DEVICE FAILURE", "It failed while measuring; switch it off and on, then check its probes"),
    5: ("ACKNOWLEDGE", "It is still working on an earlier command; it will be asked again"),
    6: ("SERVER DEVICE BUSY", "It is busy; it will be asked again"),
    8: ("MEMORY PARITY ERROR", "Its memory is damaged; have it serviced and do not trust its values"),
    10: ("GATEWAY PATH UNAVAILABLE", "The gateway has no way to that unit; check the gateway's set-up"),
    11: (
        "GATEWAY TARGET DEVICE FAILED TO RESPOND",
        "The gateway works, but the unit behind it is silent; check its power, its two wires and its unit number",
    ),
}


class Request(msgspec.Struct, frozen=True, gc=False):
    """Read `count` registers (functions 3, 4) or bits (1, 2) from `address` (as sent, from 0) of `unit`."""

    unit: int
    function: int
    address: int
    count: int

    @property
    def is_bits(self) -> bool:
        return self.function in (COIL, DISCRETE)

    @property
    def size(self) -> int:
        """Bytes of data in a full reply."""
        return (self.count + 7) // 8 if self.is_bits else 2 * self.count

    def __str__(self) -> str:
        what = {1: "coils", 2: "discrete inputs", 3: "holding registers", 4: "input registers"}[self.function]
        return f"{what} {self.address} to {self.address + self.count - 1}"


class Answer(msgspec.Struct, frozen=True, gc=False):
    """A full and undamaged reply to `request`: its `data` bytes and the whole frame as it was on the wire."""

    request: Request
    data: bytes
    raw: bytes

    @property
    def registers(self) -> tuple[int, ...]:
        """The registers, 0 to 65535 each, lowest address first. Empty for a read of bits."""
        return () if self.request.is_bits else struct.unpack(f">{len(self.data) // 2}H", self.data)

    @property
    def bits(self) -> tuple[bool, ...]:
        """The coils or discrete inputs, lowest address first. Empty for a read of registers."""
        if not self.request.is_bits:
            return ()
        packed = int.from_bytes(self.data, "little")
        return tuple(bool(packed >> n & 1) for n in range(self.request.count))


def _checked(request: Request) -> Request:
    unit, function, address, count = astuple(request)
    if function not in (COIL, DISCRETE, HOLDING, INPUT):
        raise ProfileError(
            f"Modbus function {function} is not a read", remedy="Use coil, discrete, holding or input", key="function"
        )
    if not 0 <= unit <= 255:
        raise ProfileError(f"Modbus unit {unit} does not exist", remedy="Use a unit from 1 to 247", key="unit")
    most = MAX_BITS if request.is_bits else MAX_REGISTERS
    if not 1 <= count <= most:
        raise ProfileError(
            f"{count} is not a count that one Modbus read can ask for", remedy=f"Use 1 to {most}", key="count"
        )
    if not 0 <= address <= 65536 - count:
        raise ProfileError(
            f"Modbus address {address} with count {count} lies outside 0 to 65535",
            remedy="Use the address as sent, from 0, without the leading 3 or 4 of older manuals",
            key="address",
        )
    return request


@lru_cache(maxsize=1024)
def encode_rtu(request: Request) -> bytes:
    """The request as sent on a serial line, CRC included. Raises ProfileError when it cannot be asked."""
    if not 1 <= _checked(request).unit <= 247:
        raise ProfileError(
            f"unit {request.unit} cannot answer on a serial line (0 is for everyone, 248 to 255 are reserved)",
            remedy="Use a unit from 1 to 247",
            key="unit",
        )
    frame = struct.pack(">BBHH", *astuple(request))
    return frame + struct.pack("<H", crc16(frame))


def encode_tcp(request: Request, transaction: int) -> bytes:
    """The request as sent over TCP with its MBAP header; `transaction` is 0 to 65535.

    Raises ProfileError when it cannot be asked.
    """
    return struct.pack(">HHHBBHH", transaction, 0, 6, *astuple(_checked(request)))


def place(where: str, request: Request) -> str:
    """Where a reply to `request` comes from, for messages."""
    return f"{where} unit {request.unit}" if where else f"unit {request.unit}"


def refusal(request: Request, code: int, where: str) -> Refused:
    """The error that an exception reply with `code` stands for."""
    name, remedy = EXCEPTIONS.get(code, ("a code that the specification does not name", "See the instrument's manual"))
    return Refused(
        place(where, request),
        f"refused to give {request}: exception {code}, {name}",
        code=code,
        remedy=remedy,
    )


def short(request: Request, size: int, where: str) -> Short:
    """The error that a well-formed reply with only `size` bytes of data stands for."""
    got = f"{size} bytes instead of {request.size}" if request.is_bits else f"{size // 2} of {request.count} registers"
    return Short(
        place(where, request),
        f"asked for {request}, gave {got}",
        remedy="Nothing of it is used; check that the profile fits this instrument",
    )


def judge(request: Request, unit: int, pdu: bytes, where: str) -> bytes | InstrumentError:
    """The data bytes of a reply, or why it is no answer to `request`.

    `pdu` is function code and data, already known to be undamaged.
    """
    function = pdu[0]
    problem = ""
    if unit != request.unit:
        problem = f"unit {unit} answered in place of unit {request.unit}"
    elif function == request.function | 0x80:
        return refusal(request, pdu[1], where) if len(pdu) == 2 else _garbled(request, pdu, where)
    elif function != request.function:
        problem = f"an answer to function {function & 0x7F} came, but function {request.function} was asked"
    elif len(pdu) < 2 or pdu[1] != len(pdu) - 2:
        return _garbled(request, pdu, where)
    elif pdu[1] < request.size:
        return short(request, pdu[1], where)
    elif pdu[1] > request.size:
        problem = f"asked for {request}, but an answer with {pdu[1]} bytes came in place of {request.size}"
    else:
        return pdu[2:]
    return Foreign(
        place(where, request), problem, remedy="It is not used; check that no two instruments share a unit number"
    )


def _garbled(request: Request, pdu: bytes, where: str) -> Garbled:
    return Garbled(
        place(where, request),
        f"a reply of {len(pdu)} bytes contradicts its own length",
        remedy="Nothing of it is used; check that this is a Modbus instrument",
    )
