"""Our Modbus drivers against pymodbus as an independent server: TCP, RTU on a serial port, RTU over TCP."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from driver_peers import Inbox, NullModem
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from lineset_drivers.clock import VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import State
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.profile import Profile, read

TEXT = """
[profile]
name = "stranger"
protocol = "modbus"
source = "registers served by pymodbus"
poll_s = 0.05
[modbus]
max_gap = 10
[identity]
function = "holding"
address = 60
type = "ascii"
count = 4
match = "STRANGER"
"""
# name, quantity, unit, address, type of ours, type of theirs, number
CHANNELS = [
    ("a", "temperature", "degC", 0, "int16", DataType.INT16, -123),
    ("b", "current", "A", 1, "uint16", DataType.UINT16, 65535),
    ("c", "voltage", "V", 2, "float32", DataType.FLOAT32, 240.5),
    ("d", "energy", "Wh", 4, "uint32", DataType.UINT32, 4_000_000_001),
    ("e", "power", "W", 6, "int32", DataType.INT32, -2_000_000_000),
    ("f", "power", "W", 8, "float64", DataType.FLOAT64, 1234.56789),
    ("g", "energy", "J", 12, "uint64", DataType.UINT64, 2**53),
    ("h", "energy", "J", 16, "int64", DataType.INT64, -(2**52)),
]


def profile() -> Profile:
    text = TEXT
    for name, quantity, unit, address, kind, _, _ in CHANNELS:
        text += f'[[channel]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\nfunction = "holding"\n'
        text += f'address = {address}\ntype = "{kind}"\nsource = "pymodbus"\n'
    loaded, problems = read(text, "stranger.toml")
    assert not problems
    return loaded


def device(unit: int = 1) -> SimDevice:
    data = [SimData(address, values=number, datatype=theirs) for _, _, _, address, _, theirs, number in CHANNELS]
    return SimDevice(unit, [*data, SimData(60, values="STRANGER", datatype=DataType.STRING)])


@asynccontextmanager
async def serving(kind: str, folder: Path) -> AsyncIterator[str]:
    """A pymodbus server of the kind, and the link to it."""
    modem: NullModem | None = None
    if kind == "serial":
        modem = NullModem(folder / "near", folder / "far")
        modem.plug()
        server: ModbusSerialServer | ModbusTcpServer = ModbusSerialServer(device(), port=str(modem.far), baudrate=9600)
    else:
        framer = FramerType.RTU if kind == "rtu+tcp" else FramerType.SOCKET
        server = ModbusTcpServer(device(), framer=framer, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    if modem is not None:
        yield f"serial://{modem.near}"
    else:
        number = server.transport.sockets[0].getsockname()[1]
        yield f"{kind}://127.0.0.1:{number}"
    await server.shutdown()
    if modem is not None:
        modem.unplug()


@pytest.mark.parametrize("kind", ["tcp", "rtu+tcp", "serial"])
async def test_every_type_of_number_comes_through(kind: str, tmp_path: Path) -> None:
    inbox = Inbox()
    async with serving(kind, tmp_path) as link:
        async with Fleet([InstrumentSpec("meter", profile(), link)], VisitClock(), inbox):
            await inbox.until(lambda: len(inbox.frames) >= 3)
        await asyncio.sleep(0)
    for frame in inbox.frames[:3]:
        assert {s.channel: s.value for s in frame.samples} == {c[0]: c[6] for c in CHANNELS}
    assert [s.state for s in inbox.told("meter")] == [State.SEEKING, State.LINKED]


async def test_a_unit_that_the_server_does_not_have_is_told(tmp_path: Path) -> None:
    inbox = Inbox()
    async with serving("tcp", tmp_path) as link:
        specs = [InstrumentSpec("meter", profile(), link), InstrumentSpec("other", profile(), link, unit=9)]
        async with Fleet(specs, VisitClock(), inbox):
            await inbox.reaches("meter", State.LINKED)
            # pymodbus answers for a unit that it does not have with exception 4
            told = await inbox.reaches("other", State.SEEKING, "exception 4, SERVER DEVICE FAILURE")
    assert told.link.endswith("unit 9")
    assert not inbox.of("other")
