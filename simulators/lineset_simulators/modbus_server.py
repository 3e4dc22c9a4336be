"""Modbus servers for simulated instruments: RTU on a shared serial bus, RTU over TCP, and Modbus TCP.

Written from "MODBUS Application Protocol Specification V1.1b3", "MODBUS over Serial Line V1.02" and "MODBUS Messaging
on TCP/IP Implementation Guide V1.0b" (Modbus Organization). On the serial bus every unit hears the requests to, and
the replies of, all others, as on a two-wire RS-485 line, and has to find its own requests among them.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable, Mapping

from lineset_simulators.faults import Fault, Faults
from lineset_simulators.instruments import IllegalAddressError, RegisterMap
from lineset_simulators.port import Line

ILLEGAL_FUNCTION, ILLEGAL_DATA_ADDRESS, ILLEGAL_DATA_VALUE = 1, 2, 3
GATEWAY_TARGET_SILENT = 0x0B
_NOISE = b"\x00\xff\x55"
_BUS_IDLE_S = 0.05  # real units count 3.5 characters; a pseudo-terminal has no such timing


def crc16(data: bytes) -> bytes:
    """CRC of an RTU frame, low byte first (MODBUS over Serial Line V1.02, section 6.2.2), bit by bit."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


class Unit:
    """A register map behind a unit number, with what is wrong with its replies."""

    def __init__(self, number: int, registers: RegisterMap) -> None:
        if not 1 <= number <= 247:
            raise ValueError(f"a Modbus unit has a number from 1 to 247, not {number}")
        self.number = number
        self.registers = registers
        self.faults = Faults()
        self.asked = 0
        """requests heard and understood as its own"""

    def reply(self, pdu: bytes, *, short: bool = False) -> bytes:
        """The reply PDU to a request PDU (function code first); `short` leaves the last register out."""
        function = pdu[0]
        if function not in (3, 4):
            return bytes((function | 0x80, ILLEGAL_FUNCTION))
        if len(pdu) != 5:
            return bytes((function | 0x80, ILLEGAL_DATA_VALUE))
        address, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= 125:
            return bytes((function | 0x80, ILLEGAL_DATA_VALUE))
        try:
            values = self.registers.read(function, address, count)
        except IllegalAddressError:
            return bytes((function | 0x80, ILLEGAL_DATA_ADDRESS))
        if short:
            values = values[:-1]
        return struct.pack(f">BB{len(values)}H", function, 2 * len(values), *values)


def _deliver(send: Callable[[bytes], None], frame: bytes, fault: Fault | None) -> None:
    """Send `frame` as the faults common to all framings have it."""
    if fault is None or fault.kind in ("damaged", "short", "exception", "foreign"):
        send(frame)
    elif fault.kind == "truncated":
        send(frame[: len(frame) // 2])
    elif fault.kind == "noise":
        send(_NOISE + frame)
    elif fault.kind == "late":
        asyncio.get_running_loop().call_later(fault.delay_s, send, frame)


def _reply_pdu(unit: Unit, pdu: bytes, fault: Fault | None) -> bytes:
    if fault is not None and fault.kind == "exception":
        return bytes((pdu[0] | 0x80, fault.code))
    return unit.reply(pdu, short=fault is not None and fault.kind == "short")


class Listener:
    """One unit's ear on the bus: finds frames in what it hears, and tells those that are requests to it."""

    def __init__(self, unit: int) -> None:
        self._unit = unit
        self._heard = b""

    def idle(self) -> None:
        """The line was quiet for longer than a frame allows: what was begun will not be ended."""
        self._heard = b""

    def hear(self, data: bytes) -> list[bytes]:
        """The request PDUs to this unit that end in `data`."""
        self._heard += data
        requests = []
        while len(self._heard) >= 4:
            frame = self._frame()
            if frame is None:
                if len(self._heard) < 256 and self._may_grow():
                    requests += self._buried()
                    break
                self._heard = self._heard[1:]
                continue
            self._heard = self._heard[len(frame) :]
            if frame[0] == self._unit and len(frame) == 8 and frame[1] < 0x80:
                requests.append(frame[1:-2])
        return requests

    def _buried(self) -> list[bytes]:
        """A request to this unit behind noise that could still be taken for the beginning of a long frame."""
        for start in range(1, len(self._heard) - 7):
            frame = self._heard[start : start + 8]
            if frame[0] == self._unit and crc16(frame[:-2]) == frame[-2:]:
                self._heard = self._heard[start + 8 :]
                return [frame[1:-2]]
        return []

    def _lengths(self) -> tuple[int, ...]:
        """How long the frame that begins here could be: a request, an exception, a reply to a read."""
        return (8, 5, 5 + self._heard[2])

    def _frame(self) -> bytes | None:
        for length in self._lengths():
            frame = self._heard[:length]
            if len(frame) == length and crc16(frame[:-2]) == frame[-2:]:
                return frame
        return None

    def _may_grow(self) -> bool:
        return any(length > len(self._heard) for length in self._lengths())


class RtuBus:
    """Units on one two-wire line. Give its `receive` to a port as `on_data`.

    `echo` lets the adapter hand the client's own bytes back to it, as cheap two-wire adapters do.
    """

    def __init__(self, units: Mapping[int, RegisterMap], *, echo: bool = False) -> None:
        self.units = {number: Unit(number, registers) for number, registers in units.items()}
        self.echo = echo
        self._ears = {number: Listener(number) for number in units}
        self._idle: asyncio.TimerHandle | None = None

    def add(self, number: int, registers: RegisterMap) -> Unit:
        """Wire one more unit to the bus."""
        self.units[number] = unit = Unit(number, registers)
        self._ears[number] = Listener(number)
        return unit

    def receive(self, line: Line, data: bytes) -> None:
        """Bytes that the client put on the bus through `line`."""
        if self.echo:
            line.send(data)
        self._spread(line, data, speaker=0)

    def _spread(self, line: Line, data: bytes, *, speaker: int) -> None:
        if self._idle is not None:
            self._idle.cancel()
        self._idle = asyncio.get_running_loop().call_later(_BUS_IDLE_S, self._silence)
        for number, ear in self._ears.items():
            if number != speaker:
                for pdu in ear.hear(data):
                    self._answer(line, self.units[number], pdu)

    def _silence(self) -> None:
        for ear in self._ears.values():
            ear.idle()

    def _answer(self, line: Line, unit: Unit, pdu: bytes) -> None:
        unit.asked += 1
        fault = unit.faults.take()
        number = unit.number % 247 + 1 if fault is not None and fault.kind == "foreign" else unit.number
        body = bytes((number,)) + _reply_pdu(unit, pdu, fault)
        frame = body + crc16(body)
        if fault is not None and fault.kind == "damaged":
            frame = frame[:-1] + bytes((frame[-1] ^ 0x10,))

        def send(out: bytes) -> None:
            line.send(out)
            self._spread(line, out, speaker=unit.number)

        _deliver(send, frame, fault)

    def close(self) -> None:
        if self._idle is not None:
            self._idle.cancel()


class TcpUnits:
    """Units behind one Modbus TCP address. Give `receive` and `gone` to a TcpPort as `on_data` and `on_gone`.

    A request to a unit that is not there is answered with exception 0x0B, as a gateway does; a header of another
    protocol ends the connection's usefulness: its bytes are discarded.
    """

    def __init__(self, units: Mapping[int, RegisterMap]) -> None:
        self.units = {number: Unit(number, registers) for number, registers in units.items()}
        self._heard: dict[Line, bytes] = {}

    def add(self, number: int, registers: RegisterMap) -> Unit:
        """Put one more unit behind the address."""
        self.units[number] = unit = Unit(number, registers)
        return unit

    def gone(self, line: Line) -> None:
        self._heard.pop(line, None)

    def receive(self, line: Line, data: bytes) -> None:
        heard = self._heard.get(line, b"") + data
        while len(heard) >= 8:
            transaction, protocol, length, number = struct.unpack(">HHHB", heard[:7])
            if protocol != 0 or not 2 <= length <= 254:
                heard = b""
                break
            if len(heard) < 6 + length:
                break
            pdu, heard = heard[7 : 6 + length], heard[6 + length :]
            self._answer(line, transaction, number, pdu)
        self._heard[line] = heard

    def _answer(self, line: Line, transaction: int, number: int, pdu: bytes) -> None:
        unit = self.units.get(number)
        if unit is None:
            line.send(struct.pack(">HHHBBB", transaction, 0, 3, number, pdu[0] | 0x80, GATEWAY_TARGET_SILENT))
            return
        unit.asked += 1
        fault = unit.faults.take()
        if fault is not None and fault.kind == "foreign":
            transaction ^= 0x5555
        protocol = 0x0100 if fault is not None and fault.kind == "damaged" else 0
        reply = _reply_pdu(unit, pdu, fault)
        frame = struct.pack(">HHHB", transaction, protocol, len(reply) + 1, number) + reply
        _deliver(line.send, frame, fault)
