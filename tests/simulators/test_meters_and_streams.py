"""The simulated meters that speak in lines of text, heard over real sockets and pseudo-terminals."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
import serial

from lineset_simulators.line_stream import LineStream
from lineset_simulators.meters import AirProbe, BenchMeter, ClampMeter
from lineset_simulators.pty_port import PtyPort
from lineset_simulators.scpi_server import ScpiServer
from lineset_simulators.tcp_port import TcpPort


class Fixed:
    """A source that can be set."""

    def __init__(self, value: float | None) -> None:
        self.value = value

    def read(self) -> float | None:
        return self.value


@pytest.mark.parametrize(
    ("mode", "value", "line"),
    [
        ("ACA", 12.341, b"$CM,ACA,+012.34,A,----*3D\r\n"),
        ("ACA", 0.0, b"$CM,ACA,+000.00,A,----*39\r\n"),
        ("ACA", 101.0, b"$CM,ACA,OL,A,----*0F\r\n"),
        ("ACV", 240.31, b"$CM,ACV,+0240.3,V,----*3C\r\n"),
        ("CAP", 45.2e-6, b"$CM,CAP,+0045.2,uF,----*59\r\n"),
        ("RES", 1234.0, b"$CM,RES,+01234,Ohm,----*1F\r\n"),
        ("RES", None, b"$CM,RES,OL,Ohm,----*03\r\n"),
    ],
)
def test_lines_of_the_clamp_meter(mode: str, value: float | None, line: bytes) -> None:
    # the checksums were worked out with a shell's arithmetic, not with xor8
    assert ClampMeter(Fixed(value), mode=mode).line() == line


def test_a_held_display_keeps_its_number_and_says_so() -> None:
    source = Fixed(8.0)
    meter = ClampMeter(source)
    meter.hold(True)
    source.value = 3.0
    assert meter.line().startswith(b"$CM,ACA,+008.00,A,H---*")
    meter.hold(False)
    assert meter.line().startswith(b"$CM,ACA,+003.00,A,----*")
    with pytest.raises(ValueError, match="no mode 'WATT'"):
        meter.select("WATT")


def test_line_of_the_air_probe() -> None:
    assert AirProbe(Fixed(23.94), Fixed(51.2)).line() == b"$AP,+23.94,051.2*30\r\n"
    assert AirProbe(Fixed(-3.5), Fixed(None)).line().startswith(b"$AP,-03.50,OL*")


async def test_a_stream_on_a_serial_port_is_read_by_pyserial(tmp_path: Path) -> None:
    source = Fixed(12.34)
    port = PtyPort(tmp_path / "clamp")
    port.plug()
    stream = LineStream(ClampMeter(source), port)
    stream.advance(0.0)  # nobody has it open: lost
    with serial.Serial(str(port.link), 9600, timeout=30, exclusive=True) as reader:
        source.value = 1.0
        for tick in range(5):  # half a second a line: due at 1.0, 1.5, 2.0
            stream.advance(1.0 + 0.25 * tick)
        lines = [reader.readline() for _ in range(3)]
        assert lines == [b"$CM,ACA,+001.00,A,----*38\r\n"] * 3
        stream.faults.inject("damaged")
        stream.advance(5.0)
        assert reader.readline() == b"$CM,ABA,+001.00,A,----*38\r\n"
        reader.timeout = 0.05
        stream.faults.inject("silence")
        stream.advance(6.0)
        assert reader.readline() == b""
    port.close()


async def test_a_stream_over_tcp_reaches_all_who_listen() -> None:
    port = TcpPort()
    await port.plug()
    stream = LineStream(ClampMeter(Fixed(2.0)), port)
    listeners = [await asyncio.open_connection("127.0.0.1", port.number) for _ in range(2)]

    async def talk() -> None:
        visit_s = 0.0
        while True:  # until both have been taken and have got a line
            stream.advance(visit_s)
            visit_s += 1.0
            await asyncio.sleep(0.01)

    talking = asyncio.create_task(talk())
    for reader, _ in listeners:
        assert await asyncio.wait_for(reader.readline(), 30) == b"$CM,ACA,+002.00,A,----*3B\r\n"
    talking.cancel()
    for _, writer in listeners:
        writer.close()
        await writer.wait_closed()
    port.close()


def test_after_a_pause_only_one_line_is_said() -> None:
    said: list[bytes] = []

    class Wire:
        def send(self, data: bytes) -> None:
            said.append(data)

    stream = LineStream(ClampMeter(Fixed(2.0)), Wire())
    stream.advance(0.0)
    stream.advance(600.0)
    stream.advance(600.2)
    stream.advance(600.5)
    assert len(said) == 3


async def _talk(meter: BenchMeter, text: bytes, lines: int) -> tuple[list[bytes], ScpiServer]:
    server = ScpiServer(meter)
    port = TcpPort(server.receive)
    await port.plug()
    reader, writer = await asyncio.open_connection("127.0.0.1", port.number)
    for cut in range(0, len(text), 7):  # commands arrive in pieces
        writer.write(text[cut : cut + 7])
        await writer.drain()
    got = [await asyncio.wait_for(reader.readline(), 30) for _ in range(lines)]
    writer.close()
    await writer.wait_closed()
    port.close()
    return got, server


async def test_the_bench_meter_over_tcp() -> None:
    across: dict[str, float | None] = {"VOLT:AC": 356.2, "CAP": 45e-6, "FREQ": 60.0, "RES": None, "CURR:AC": 1.5}
    meter = BenchMeter(across.get)
    text = (
        b"*IDN?\r\nMEAS:VOLT:AC?\nfetch?\nMeasure:Capacitance?\nCONF?\nDATA:LAST?\nMEAS:RES?\nCONF:FREQ\nREAD?\n"
        b"MEAS:CURR:AC? (@1)\nSYST:ERR?\n*OPC?;*ESR?\n"
    )
    got, _ = await _talk(meter, text, 11)
    assert got == [
        b"INVENTED,BENCH METER,SN0017,1.02\n",
        b"+3.56200000E+02\n",
        b"+3.56200000E+02\n",
        b"+4.50000000E-05\n",
        b'"CAP"\n',
        b"#215+4.50000000E-05\n",
        b"+9.90000000E+37\n",
        b"+6.00000000E+01\n",
        b"+1.50000000E+00\n",
        b'0,"No error"\n',
        b"1;0\n",
    ]


async def test_an_unknown_query_is_met_with_silence_or_with_text() -> None:
    got, _ = await _talk(BenchMeter(lambda _: 1.0), b"MEAS:SMELL?\n*ESR?\nSYST:ERR?\nSYST:ERR?\n", 3)
    assert got == [b"32\n", b'-113,"Undefined header"\n', b'0,"No error"\n']
    got, _ = await _talk(BenchMeter(lambda _: 1.0, error_style="text"), b"MEAS:SMELL?\n*ESR?\n", 2)
    assert got == [b"ERROR -113\n", b"32\n"]


async def test_faults_of_the_bench_meter() -> None:
    server = ScpiServer(BenchMeter(lambda _: 240.0))
    said: list[bytes] = []

    class Wire:
        def send(self, data: bytes) -> None:
            said.append(data)

    for kind in ("silence", "truncated", "short", "exception"):
        server.faults.inject(kind)
    wire = Wire()
    for _ in range(5):
        server.receive(wire, b"MEAS:VOLT:AC?\n")
    assert said == [b"+2.40000", b"+2.40000\n", b"ERROR -200\n", b"+2.40000000E+02\n"]
    with pytest.raises(ValueError, match="no fault 'smoke'"):
        server.faults.inject("smoke")
