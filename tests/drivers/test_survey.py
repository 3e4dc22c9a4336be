"""Looking around: ports are listed, and what answers on them is told by profile."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from driver_peers import PtyPeer, rtu

from lineset_drivers import profile
from lineset_drivers.errors import LinkError
from lineset_drivers.survey import survey
from lineset_drivers.transports.serial import Port, PortWatch
from lineset_simulators.meters import BenchMeter
from lineset_simulators.scpi_server import ScpiServer
from lineset_simulators.tcp_port import TcpPort

WIRED = [
    profile.load(name)
    for name in (
        "pressure-transducer-2ch",
        "thermocouple-4ch",
        "differential-pressure",
        "clamp-meter-line",
        "bench-meter",
    )
]


async def test_what_answers_on_a_bus_a_stream_and_a_silent_port(tmp_path: Path) -> None:
    def bus(request: bytes) -> list[tuple[float, bytes]]:
        if request[0] == 1:
            return [(0, rtu(1, 3, 2, 0x02, 0x10) if request[3] == 0 else rtu(1, 3, 4, 0, 0, 0, 9))]
        return [(0, rtu(2, 3, 2, 0x99, 0x99))] if request[0] == 2 else []

    peers = [PtyPeer(tmp_path / "bus", bus), PtyPeer(tmp_path / "stream"), PtyPeer(tmp_path / "silent")]
    for peer in peers:
        peer.plug()
    identity = "1209:0001:A1:0"
    watch = PortWatch(lambda: [Port(str(peers[0].link), "adapter", identity), Port(str(tmp_path / "none"), "gone")])

    async def speak() -> None:
        while True:
            peers[1].send(b"$CM,ACA,+012.34,A,----*3D\r\n")
            await asyncio.sleep(0.02)

    speaking = asyncio.create_task(speak())
    found = await survey(WIRED, links=[peers[1].url, peers[2].url], ports=watch, listen_s=0.15)
    speaking.cancel()
    by_device = {Path(place.device).name: place for place in found}
    on_bus = by_device["bus"]
    assert on_bus.link == f"usb://{identity}"
    assert [(a.profile, a.unit, a.serial) for a in on_bus.answers] == [("pressure-transducer-2ch", 1, "9")]
    assert "unit 2 answers, but no profile fits: it says '39321'" in on_bus.note
    assert [a.profile for a in by_device["stream"].answers] == ["clamp-meter-line"]
    assert by_device["silent"].answers == ()
    assert by_device["silent"].note == ""
    assert "no such port" in by_device["none"].problem
    for peer in peers:
        peer.unplug()


async def test_a_network_meter_tells_who_it_is() -> None:
    served = ScpiServer(BenchMeter(lambda function: 240.0))
    port = TcpPort(served.receive)
    port.on_gone = served.gone
    await port.plug()
    watch = PortWatch(list)
    (found,) = await survey(WIRED, links=[port.address], ports=watch, listen_s=0.05)
    assert [(a.profile, a.serial) for a in found.answers] == [("bench-meter", "SN0017")]
    port.close()
    (found,) = await survey(WIRED, links=[port.address], ports=watch, listen_s=0.05)
    assert "refuses this port" in found.problem


async def test_listing_asks_nothing(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    (found,) = await survey(WIRED, ports=PortWatch(lambda: [Port(str(peer.link), "adapter")]), ask=False)
    assert found.link == peer.url
    assert not peer.heard
    peer.unplug()
    with pytest.raises(LinkError, match="only serial ports"):
        await survey(WIRED, links=["ble://AA:BB:CC:DD:EE:FF"], ports=PortWatch(list))
