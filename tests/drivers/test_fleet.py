"""The fleet: many instruments side by side, none of which can delay or stop another."""

from __future__ import annotations

import asyncio
import os
import random
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec
import pytest
from driver_peers import Inbox, PtyPeer, rtu

from lineset_drivers import fleet as fleet_module
from lineset_drivers import profile
from lineset_drivers.clock import VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import State
from lineset_drivers.instrument import Context, InstrumentSpec, factory_of
from lineset_drivers.protocols import lines
from lineset_drivers.transports.serial import Port, PortWatch
from lineset_drivers.wired import Pause
from lineset_simulators.instruments import PowerMeter, PressureTransducer, StaticPressure, Thermocouple4, Thermocouple8
from lineset_simulators.modbus_server import RtuBus, TcpUnits
from lineset_simulators.pty_port import PtyPort
from lineset_simulators.tcp_port import TcpPort

PSI_PA = 6894.757293168  # NIST SP 811, appendix B.8


class Level:
    """A source of the simulated instruments; the value is SI."""

    def __init__(self, value: float) -> None:
        self.value = value

    def read(self) -> float:
        return self.value


def spec(name: str, of: str, link: str, **more: object) -> InstrumentSpec:
    return InstrumentSpec(name, profile.load(of), link, **more)  # type: ignore[arg-type]


async def test_simulated_instruments_on_all_wired_links(tmp_path: Path) -> None:
    """The maps of the simulators are written by hand from the same manual; neither side reads the other's."""
    bus = RtuBus(
        {
            1: PressureTransducer({"low": Level(118.4 * PSI_PA), "high": Level(340.0 * PSI_PA)}),
            2: Thermocouple4({"t1": Level(-12.3), "t2": Level(45.6)}),
        }
    )
    serial = PtyPort(tmp_path / "bus", bus.receive)
    serial.plug()
    power = TcpUnits({1: PowerMeter({"voltage": Level(241.5), "current": Level(12.25), "power": Level(2700.0)})})
    tcp = TcpPort(power.receive)
    tcp.on_gone = power.gone
    await tcp.plug()
    ports = {"p1": Level(124.54445), "p2": Level(-62.272225), "barometer": Level(98765.0)}
    static = TcpUnits({1: StaticPressure(ports)})
    static_tcp = TcpPort(static.receive)
    static_tcp.on_gone = static.gone
    await static_tcp.plug()
    eight = RtuBus({1: Thermocouple8({"t1": Level(20.25), "t8": Level(-3.5)})})
    rtu_tcp = TcpPort(eight.receive)
    await rtu_tcp.plug()
    inbox = Inbox()
    specs = [
        spec("pressures", "pressure-transducer-2ch", serial.address),
        spec("pipes", "thermocouple-4ch", serial.address),
        spec("power", "power-meter-1ph", tcp.address),
        spec("static", "differential-pressure", static_tcp.address),
        spec("air", "thermocouple-8ch", rtu_tcp.address.replace("tcp:", "rtu+tcp:")),
    ]
    async with Fleet(specs, VisitClock(rate=10.0), inbox) as fleet:
        for s in specs:
            await inbox.reaches(s.id, State.LINKED)
            await inbox.until(lambda s=s: inbox.of(s.id))
        tasks = [t.get_name() for t in asyncio.all_tasks() if t.get_name().startswith("instruments")]
        assert len(tasks) == 4  # one a link
        assert {k: v.state for k, v in fleet.states.items()} == dict.fromkeys((s.id for s in specs), State.LINKED)
    assert not [t for t in asyncio.all_tasks() if t.get_name().startswith("instruments")]
    for port in (tcp, static_tcp, rtu_tcp):
        port.close()
    serial.close()
    for b in (bus, eight):
        b.close()
    last = {s.id: {x.channel: x.value for x in inbox.of(s.id)[-1].samples} for s in specs}
    assert last["pressures"] == {"low": 118.4, "high": 340.0}
    assert last["pipes"] == {"t1": -12.3, "t2": 45.6, "t3": None, "t4": None, "reference": None}
    assert last["power"]["voltage"] == 241.5
    assert last["power"]["apparent_power"] == pytest.approx(241.5 * 12.25, rel=1e-6)
    # the conventional inch of water is 249.0889 Pa (NIST SP 811, B.8)
    assert last["static"] == {"p1": 0.5, "p2": -0.25, "p3": None, "p4": None, "barometer": 987.6}
    assert (last["air"]["t1"], last["air"]["t8"]) == (20.25, -3.5)
    assert inbox.told("pressures")[-1].identity == "4100217"


async def test_a_port_in_use_is_said_and_taken_when_it_is_free(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port", lambda request: [(0, rtu(1, 3, 2, 0x02, 0x10))])
    peer.plug()
    code = "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print(1, flush=True); sys.stdin.read()"
    inbox = Inbox()
    program = await asyncio.create_subprocess_exec(
        sys.executable, "-c", code, str(peer.link), stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert program.stdout is not None
    await program.stdout.readline()
    async with Fleet([spec("probe", "pressure-transducer-2ch", peer.url)], VisitClock(), inbox):
        told = await inbox.reaches("probe", State.SEEKING, "in use by the program")
        assert "Close that program" in told.reason
        await program.communicate(b"")
        await inbox.reaches("probe", State.SEEKING, "the link is open")
    peer.unplug()


async def test_a_usb_adapter_is_found_wherever_it_is_plugged_in(tmp_path: Path) -> None:
    """The listing is the test's own, because a pseudo-terminal has no USB identity; the rest is real."""

    def script(request: bytes) -> list[tuple[float, bytes]]:
        if request[1] == 4:
            return [(0, rtu(1, 4, 4, 0x04, 0xA0, 0x0D, 0x48))]
        return [(0, rtu(1, 3, 2, 0x02, 0x10) if request[3] == 0 else rtu(1, 3, 4, 0, 0, 0, 9))]

    ports: list[Port] = []
    watch = PortWatch(lambda: list(ports), interval_s=0.05)
    identity = "1209:0001:A1:0"
    first, second = PtyPeer(tmp_path / "one", script), PtyPeer(tmp_path / "two", script)
    inbox = Inbox()
    fleet = Fleet([spec("probe", "pressure-transducer-2ch", f"usb://{identity}")], VisitClock(), inbox, ports=watch)
    async with fleet:
        await inbox.reaches("probe", State.SEEKING, "this adapter is not plugged in")
        first.plug()
        ports.append(Port(str(first.link), "adapter", identity))
        told = await inbox.reaches("probe", State.LINKED)
        assert str(first.link) in told.link
        assert told.identity == "9"
        ports.clear()
        first.unplug()
        await inbox.reaches("probe", State.LOST, "Plug the adapter in again")
        second.plug()
        ports.append(Port(str(second.link), "adapter", identity))
        told = await inbox.reaches("probe", State.LINKED)
        assert str(second.link) in told.link
    second.unplug()


async def test_a_network_instrument_comes_and_goes() -> None:
    units = TcpUnits({1: PowerMeter({"voltage": Level(240.0)})})
    port = TcpPort(units.receive)
    port.on_gone = units.gone
    await port.plug()
    inbox = Inbox()
    async with Fleet([spec("power", "power-meter-1ph", port.address)], VisitClock(), inbox):
        await inbox.reaches("power", State.LINKED)
        port.unplug()
        await inbox.reaches("power", State.LOST, "refuses this port")
        await port.plug()
        await inbox.reaches("power", State.LINKED)
    port.close()


async def test_wrong_specs_are_told_and_the_rest_runs(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    inbox = Inbox()
    specs = [
        spec("no-kind", "bench-meter", "tpc://192.0.2.7:5025"),
        spec("one", "pressure-transducer-2ch", peer.url),
        spec("same-unit", "pressure-transducer-2ch", peer.url),
        spec("shares", "clamp-meter-line", peer.url),
        spec("absent", "clamp-meter-line", f"serial://{tmp_path}/none"),
        spec("eye", "read-by-eye", "entered:"),
    ]
    async with Fleet(specs, VisitClock(), inbox):
        await inbox.reaches("no-kind", State.SEEKING, "Did you mean 'tcp'")
        await inbox.reaches("same-unit", State.SEEKING, "one has the unit number 1 on this link too")
        await inbox.reaches("shares", State.SEEKING, "only Modbus units share one")
        await inbox.reaches("absent", State.SEEKING, "there is no such port now")
        await inbox.reaches("eye", State.LINKED)
        await inbox.until(lambda: peer.heard)
    peer.unplug()
    with pytest.raises(ValueError, match="two instruments are called one"):
        Fleet([specs[1], specs[1]], VisitClock(), inbox)


class Broken:
    """A driver that falls over at once."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        self.name, self.instruments = "broken", specs

    async def run(self) -> None:
        raise ZeroDivisionError("bad arithmetic")


async def test_a_fault_in_one_driver_stops_no_other(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A driver that falls over at once, and one of ours with a fault in a callback."""
    monkeypatch.setattr(fleet_module, "factory_of", lambda name: Broken if name == "scpi" else factory_of(name))
    peer = PtyPeer(tmp_path / "clamp")
    peer.plug()
    other = PtyPeer(tmp_path / "other")
    other.plug()
    inbox = Inbox()
    specs = [
        spec("broken", "bench-meter", "tcp://127.0.0.1:1"),
        spec("faulty", "clamp-meter-line", other.url),
        spec("clamp", "clamp-meter-line", peer.url),
    ]
    fleet = Fleet(specs, VisitClock(), inbox)
    async with fleet:
        await inbox.reaches("broken", State.SEEKING, "a fault in its driver (ZeroDivisionError: bad arithmetic)")
        await inbox.reaches("faulty", State.SEEKING, "the link is open")
        await inbox.reaches("clamp", State.SEEKING, "the link is open")
        good = b"\r\n$CM,ACA,+012.34,A,----*3D\r\n"
        with monkeypatch.context() as patch:
            patch.setattr(lines.Pattern, "parse", lambda self, line: 1 / 0)
            other.send(good)
            await inbox.reaches("faulty", State.SEEKING, "a fault in its driver (ZeroDivisionError")
        peer.send(good)
        await inbox.reaches("clamp", State.LINKED)
        # and it is started again by itself
        await inbox.reaches("faulty", State.SEEKING, "the link is open")
        other.send(good)
        await inbox.reaches("faulty", State.LINKED)
    for p in (peer, other):
        p.unplug()


async def test_an_instrument_read_by_eye_is_always_at_hand() -> None:
    inbox = Inbox()
    async with Fleet([spec("eye", "read-by-eye", "entered:")], VisitClock(), inbox):
        await inbox.reaches("eye", State.LINKED, "read by a person")
    assert not inbox.frames
    assert not inbox.losses


async def test_a_fleet_stops_while_everything_hangs(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    inbox = Inbox()
    specs = [
        spec("silent", "pressure-transducer-2ch", peer.url),
        spec("unreachable", "bench-meter", "tcp://192.0.2.1:5025"),  # RFC 5737: an address that leads nowhere
        spec("absent", "clamp-meter-line", f"serial://{tmp_path}/none"),
    ]
    fleet = Fleet(specs, VisitClock(), inbox)
    await fleet.start()
    await inbox.until(lambda: peer.heard)
    descriptors = len(os.listdir("/proc/self/fd"))
    async with asyncio.timeout(10):
        await fleet.stop()
    assert len(os.listdir("/proc/self/fd")) < descriptors
    assert not [t for t in asyncio.all_tasks() if t.get_name().startswith("instruments")]
    peer.unplug()


def test_pauses_grow_with_jitter_and_are_reproducible() -> None:
    pauses = [Pause(random.Random(7), least_s=1.0, most_s=8.0) for _ in range(2)]
    runs = [[pause.next() for _ in range(6)] for pause in pauses]
    assert runs[0] == runs[1]
    for taken, whole in zip(runs[0], (1, 2, 4, 8, 8, 8), strict=True):
        assert whole / 2 <= taken <= whole
    assert len(set(runs[0])) == 6
    pauses[0].reset()
    assert pauses[0].next() <= 1.0


THIRD_PARTY = """
import asyncio
from lineset_drivers.instrument import Outlet

class Knocks:
    def __init__(self, specs, context):
        self.name, self.instruments = "knocks", specs
        self.outlet = Outlet(specs[0], context)
    async def run(self):
        channel = self.outlet.spec.profile.channels[0]
        while True:
            self.outlet.frame(b"knock", (channel.sample(channel.where["knocks"]),))
            await asyncio.sleep(0.01)
"""
THIRD_PROFILE = """
[profile]
name = "knocker"
protocol = "knocks"
source = "a third party"
[knocks]
door = 7
[[channel]]
name = "temperature"
quantity = "temperature"
unit = "degC"
scale = 0.1
knocks = 234
source = "a third party"
"""


async def test_a_third_party_adds_a_protocol(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As pip would install it: a module, and a dist-info folder that names its entry point."""
    (tmp_path / "knocks_driver.py").write_text(THIRD_PARTY)
    info = tmp_path / "knocks-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: knocks\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[lineset.protocols]\nknocks = knocks_driver:Knocks\n")
    before, problems = profile.read(THIRD_PROFILE, "knocker.toml")
    assert "the protocol 'knocks' is not known" in problems[0].problem
    monkeypatch.syspath_prepend(tmp_path)
    loaded, problems = profile.read(THIRD_PROFILE, "knocker.toml")
    assert not problems
    assert loaded.extra == {"knocks": {"door": 7}}
    inbox = Inbox()
    async with Fleet([InstrumentSpec("door", loaded, "tcp://192.0.2.7:7")], VisitClock(), inbox):
        await inbox.until(lambda: inbox.values("door", "temperature"))
        # one whose package is missing is told, and the other goes on
        gone = msgspec.structs.replace(before, protocol="whistles")
        async with Fleet([InstrumentSpec("hill", gone, "tcp://192.0.2.8:7")], VisitClock(), inbox):
            await inbox.reaches("hill", State.SEEKING, "install the package that provides it")
    assert inbox.values("door", "temperature")[0] == 23.4
