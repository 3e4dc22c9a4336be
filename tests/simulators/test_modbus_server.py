"""The simulated Modbus instruments, asked with bytes written by hand and by an independent client."""

from __future__ import annotations

import asyncio
import os
import struct
import termios
import time
import tty
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from lineset_simulators.instruments import PowerMeter, PressureTransducer, StaticPressure, Thermocouple4, Thermocouple8
from lineset_simulators.modbus_server import Listener, RtuBus, TcpUnits, crc16
from lineset_simulators.pty_port import PtyPort
from lineset_simulators.tcp_port import TcpPort


class Fixed:
    """A source that never changes."""

    def __init__(self, value: float | None) -> None:
        self.value = value

    def read(self) -> float | None:
        return self.value


LOW = Fixed(118.0 * 6894.757293168)
HIGH = Fixed(310.4 * 6894.757293168)

# Read input registers 0..1 of unit 1, and of unit 2. The CRCs are those that pymodbus works out (an independent
# implementation), not those of the simulators.
ASK_UNIT_1 = bytes.fromhex("01 04 00 00 00 02 71 CB")
ASK_UNIT_2 = bytes.fromhex("02 04 00 00 00 02 71 F8")
UNIT_1_SAYS = bytes.fromhex("01 04 04 04 9C 0C 20 3E 42")  # 118.0 and 310.4 psig: 0x049C, 0x0C20
UNIT_2_SAYS = bytes.fromhex("02 04 04 00 6F 80 00 99 59")  # 11.1 degC: 0x006F; open: 0x8000


class Client:
    """A program that has the serial port open."""

    def __init__(self, path: Path) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.fd, termios.TCSANOW)

    def send(self, data: bytes) -> None:
        os.write(self.fd, data)

    async def read(self, count: int, timeout: float = 30.0) -> bytes:
        """`count` bytes, or fewer when the time is over."""
        got = b""
        loop = asyncio.get_running_loop()
        end = loop.time() + timeout
        while len(got) < count and loop.time() < end:
            ready = asyncio.Event()
            loop.add_reader(self.fd, ready.set)
            try:
                await asyncio.wait_for(ready.wait(), max(end - loop.time(), 0.001))
            except TimeoutError:
                break
            finally:
                loop.remove_reader(self.fd)
            got += os.read(self.fd, count - len(got))
        return got


@contextmanager
def opened(path: Path) -> Iterator[Client]:
    client = Client(path)
    try:
        yield client
    finally:
        os.close(client.fd)


Bus = tuple[PtyPort, RtuBus]


@pytest.fixture
async def bus(tmp_path: Path) -> AsyncIterator[Bus]:
    units = {1: PressureTransducer({"low": LOW, "high": HIGH}), 2: Thermocouple4({"t1": Fixed(11.12)})}
    made = RtuBus(units)
    port = PtyPort(tmp_path / "bus", made.receive)
    port.plug()
    yield port, made
    port.close()
    made.close()


async def test_two_units_on_one_bus_answer_hand_written_requests(bus: Bus) -> None:
    port, made = bus
    with opened(port.link) as client:
        for _ in range(3):
            client.send(ASK_UNIT_1)
            assert await client.read(9) == UNIT_1_SAYS
            client.send(ASK_UNIT_2)
            assert await client.read(9) == UNIT_2_SAYS
    assert [unit.asked for unit in made.units.values()] == [3, 3]


async def test_a_request_that_comes_byte_by_byte_is_understood(bus: Bus) -> None:
    port, _ = bus
    with opened(port.link) as client:
        for byte in ASK_UNIT_1:
            client.send(bytes((byte,)))
            await asyncio.sleep(0)
        assert await client.read(9) == UNIT_1_SAYS


async def test_a_damaged_request_is_not_answered_and_the_next_one_is(bus: Bus) -> None:
    port, made = bus
    with opened(port.link) as client:
        client.send(ASK_UNIT_1[:-1] + b"\x00")
        assert await client.read(1, timeout=0.15) == b""
        client.send(ASK_UNIT_1)
        assert await client.read(9) == UNIT_1_SAYS
    assert made.units[1].asked == 1


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("silence", b""),
        ("damaged", UNIT_1_SAYS[:-1] + bytes((UNIT_1_SAYS[-1] ^ 0x10,))),
        ("short", bytes.fromhex("01 04 02 04 9C BB 99")),
        ("truncated", UNIT_1_SAYS[:4]),
        ("exception", bytes.fromhex("01 84 04 42 C3")),
        ("noise", b"\x00\xff\x55" + UNIT_1_SAYS),
    ],
)
async def test_faults_on_the_bus(bus: Bus, kind: str, says: bytes) -> None:
    port, made = bus
    made.units[1].faults.inject(kind)
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        assert await client.read(len(says)) + await client.read(1, timeout=0.15) == says
        client.send(ASK_UNIT_1)  # the fault was for one reply only
        assert await client.read(9) == UNIT_1_SAYS


async def test_a_late_reply_comes_after_the_reply_to_a_later_question(bus: Bus) -> None:
    port, made = bus
    made.units[1].faults.inject("late", delay_s=0.1)
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        client.send(ASK_UNIT_2)
        assert await client.read(18) == UNIT_2_SAYS + UNIT_1_SAYS


async def test_a_foreign_unit_answers_with_a_good_checksum(bus: Bus) -> None:
    port, made = bus
    made.units[1].faults.inject("foreign")
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        frame = await client.read(9)
    assert frame[0] != 1
    assert crc16(frame[:-2]) == frame[-2:]


async def test_unplugging_hangs_up_and_takes_the_name_away(bus: Bus) -> None:
    port, _ = bus
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        assert await client.read(9) == UNIT_1_SAYS
        port.unplug()
        assert not port.link.is_symlink()
        with pytest.raises(OSError, match="Input/output error"):
            os.write(client.fd, ASK_UNIT_1)
    port.plug()
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        assert await client.read(9) == UNIT_1_SAYS


async def test_bytes_sent_while_nobody_has_the_port_open_vanish(bus: Bus) -> None:
    port, _ = bus
    port.send(b"nobody hears this")
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        assert await client.read(9) == UNIT_1_SAYS


async def test_an_echoing_adapter_hands_the_request_back(bus: Bus) -> None:
    port, made = bus
    made.echo = True
    with opened(port.link) as client:
        client.send(ASK_UNIT_1)
        assert await client.read(17) == ASK_UNIT_1 + UNIT_1_SAYS


def test_a_unit_finds_its_request_behind_noise_and_the_replies_of_others() -> None:
    ear = Listener(1)
    assert ear.hear(ASK_UNIT_2 + UNIT_2_SAYS) == []
    assert ear.hear(b"\x00\xff\x55" + UNIT_2_SAYS) == []
    assert ear.hear(ASK_UNIT_1) == [ASK_UNIT_1[1:-2]]


def test_crc_of_the_specification() -> None:
    # MODBUS over Serial Line V1.02, section 6.2.2 (from memory): the CRC of 02 07 is 0x1241, sent low byte first
    assert crc16(bytes((0x02, 0x07))) == bytes((0x41, 0x12))


async def test_an_independent_client_reads_the_bus(bus: Bus) -> None:
    port, _ = bus
    client = AsyncModbusSerialClient(str(port.link), baudrate=9600, timeout=10, retries=0)
    assert await client.connect()
    try:
        low = await client.read_input_registers(0, count=2, device_id=1)
        assert low.registers == [1180, 3104]
        pipes = await client.read_input_registers(0, count=5, device_id=2)
        assert pipes.registers == [111, 0x8000, 0x8000, 0x8000, 0x8000]
        refused = await client.read_input_registers(77, count=1, device_id=1)
        assert refused.isError()
        assert refused.exception_code == 2
    finally:
        client.close()


Serve = Callable[[TcpUnits | RtuBus], Awaitable[TcpPort]]


@pytest.fixture
async def serve() -> AsyncIterator[Serve]:
    ports: list[TcpPort] = []

    async def start(handler: TcpUnits | RtuBus) -> TcpPort:
        port = TcpPort(handler.receive)
        if isinstance(handler, TcpUnits):
            port.on_gone = handler.gone
        await port.plug()
        ports.append(port)
        return port

    yield start
    for port in ports:
        port.close()


async def _exchange(port: TcpPort, request: bytes, count: int) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port.number)
    try:
        writer.write(request)
        return await asyncio.wait_for(reader.readexactly(count), 30)
    finally:
        writer.close()
        await writer.wait_closed()


async def test_modbus_tcp_with_bytes_written_by_hand(serve: Serve) -> None:
    meter = PowerMeter(
        {"voltage": Fixed(240.0), "current": Fixed(12.5), "power": Fixed(2700.0), "energy": Fixed(3600.0 * 70_000)}
    )
    port = await serve(TcpUnits({1: meter}))
    # voltage and current: 240.0 is 0x43700000, 12.5 is 0x41480000 (IEEE 754)
    reply = await _exchange(port, bytes.fromhex("12 34 00 00 00 06 01 04 00 00 00 04"), 17)
    assert reply == bytes.fromhex("12 34 00 00 00 0B 01 04 08 43 70 00 00 41 48 00 00")
    # power factor 2700 / 3000 = 0.9 and 70000 Wh = 0x00011170; frequency is not connected: not-a-number
    reply = await _exchange(port, bytes.fromhex("12 35 00 00 00 06 01 04 00 08 00 06"), 21)
    assert struct.unpack(">f", reply[9:13])[0] != struct.unpack(">f", reply[9:13])[0]
    assert struct.unpack(">f", reply[13:17])[0] == pytest.approx(0.9)
    assert reply[17:] == bytes.fromhex("00 01 11 70")
    # unit 9 is not there
    reply = await _exchange(port, bytes.fromhex("00 01 00 00 00 06 09 04 00 00 00 01"), 9)
    assert reply == bytes.fromhex("00 01 00 00 00 03 09 84 0B")


async def test_two_requests_in_one_segment_and_one_request_in_two(serve: Serve) -> None:
    port = await serve(TcpUnits({1: StaticPressure({"p1": Fixed(-0.250 * 249.0889)})}))
    ask = bytes.fromhex("00 07 00 00 00 06 01 04 00 10 00 01")
    says = bytes.fromhex("00 07 00 00 00 05 01 04 02 FF 06")  # -250 thousandths of an inch of water: 0xFF06
    assert await _exchange(port, ask + ask, 22) == says + says
    reader, writer = await asyncio.open_connection("127.0.0.1", port.number)
    writer.write(ask[:5])
    await writer.drain()
    writer.write(ask[5:])
    assert await asyncio.wait_for(reader.readexactly(11), 30) == says
    writer.close()
    await writer.wait_closed()


async def test_an_independent_client_reads_floats_with_the_low_word_first(serve: Serve) -> None:
    module = Thermocouple8({"t1": Fixed(24.0), "t8": Fixed(-3.25)})
    port = await serve(TcpUnits({1: module}))
    client = AsyncModbusTcpClient("127.0.0.1", port=port.number, timeout=10, retries=0)
    assert await client.connect()
    try:
        answer = await client.read_holding_registers(100, count=16, device_id=1)
        floats = client.convert_from_registers(answer.registers, client.DATATYPE.FLOAT32, word_order="little")
        assert isinstance(floats, list)
        assert floats[0] == 24.0
        assert floats[7] == -3.25
        assert floats[1] != floats[1]
        name = await client.read_holding_registers(0, count=8, device_id=1)
        assert client.convert_from_registers(name.registers, client.DATATYPE.STRING) == "TC8 INVENTED"
    finally:
        client.close()


async def test_faults_on_modbus_tcp(serve: Serve) -> None:
    units = TcpUnits({1: StaticPressure({"p1": Fixed(0.0)})})
    port = await serve(units)
    ask = bytes.fromhex("00 07 00 00 00 06 01 04 00 10 00 01")
    faults = units.units[1].faults
    faults.inject("foreign")
    assert (await _exchange(port, ask, 11))[:2] != ask[:2]
    faults.inject("damaged")
    assert (await _exchange(port, ask, 11))[2:4] == b"\x01\x00"
    faults.inject("exception", code=6)
    assert await _exchange(port, ask, 9) == bytes.fromhex("00 07 00 00 00 03 01 84 06")
    faults.inject("late", delay_s=0.1)
    began = time.monotonic()
    assert await _exchange(port, ask, 11) == bytes.fromhex("00 07 00 00 00 05 01 04 02 00 00")
    assert time.monotonic() - began >= 0.1


async def test_rtu_over_tcp(serve: Serve) -> None:
    made = RtuBus({1: PressureTransducer({"low": LOW, "high": HIGH})})
    port = await serve(made)
    assert await _exchange(port, ASK_UNIT_1, 9) == UNIT_1_SAYS
    made.close()


async def test_an_unplugged_network_cable_resets_and_refuses(serve: Serve) -> None:
    port = await serve(TcpUnits({1: StaticPressure({})}))
    reader, writer = await asyncio.open_connection("127.0.0.1", port.number)
    # an exchange first: the connection is then known to have been taken
    writer.write(bytes.fromhex("00 07 00 00 00 06 01 04 00 10 00 01"))
    assert (await reader.readexactly(11))[-2:] == b"\x80\x00"  # nothing connected
    port.unplug()
    with pytest.raises((ConnectionResetError, asyncio.IncompleteReadError)):
        await reader.readexactly(1)
    writer.close()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", port.number)
    number = port.number
    await port.plug()
    assert port.number == number


@pytest.mark.parametrize(
    ("psig", "code"),
    [(-5.0, 0xFFCE), (0.04, 0), (499.94, 4999), (501.0, 0x7FFE), (None, 0x7FFF)],
)
def test_codes_of_the_low_side_port(psig: float | None, code: int) -> None:
    source = Fixed(None if psig is None else psig * 6894.757293168)
    transducer = PressureTransducer({"low": source, "high": HIGH})
    assert transducer.read(4, 0, 1) == [code]
    assert transducer.read(4, 2, 1) == [1 if psig is None else 0]
