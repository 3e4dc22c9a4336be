"""The serial transport on pseudo-terminals: bytes both ways, unplugging, and why a port would not open."""

from __future__ import annotations

import asyncio
import grp
import os
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from driver_peers import PtyPeer

from lineset_drivers.errors import LinkClosed, LinkError
from lineset_drivers.transports.serial import Port, PortSettings, PortWatch, identify, open_serial


class Ear:
    def __init__(self) -> None:
        self.heard = b""
        self.error: LinkClosed | None = None
        self.came = asyncio.Event()

    def data(self, data: bytes) -> None:
        self.heard += data
        self.came.set()

    def ended(self, error: LinkClosed) -> None:
        self.error = error
        self.came.set()


async def until(ear: Ear, heard: bytes) -> None:
    async with asyncio.timeout(60):
        while ear.heard != heard:
            ear.came.clear()
            await ear.came.wait()


async def test_bytes_go_both_ways_and_all_values_pass(tmp_path: Path) -> None:
    every = bytes(range(256))  # a terminal that is not raw would eat or change some of these
    peer, ear = PtyPeer(tmp_path / "port", lambda request: [(0, request[::-1])], request_size=256), Ear()
    peer.plug()
    wire = open_serial(str(peer.link), PortSettings(), ear)
    wire.write(every)
    await until(ear, every[::-1])
    assert peer.heard == [every]
    wire.close()
    wire.close()
    wire.write(b"after")
    peer.unplug()
    assert ear.error is None


async def test_more_than_the_kernel_buffers_is_sent_in_full(tmp_path: Path) -> None:
    size = 200_000
    peer, ear = PtyPeer(tmp_path / "port", lambda request: [(0, b"all")], request_size=size), Ear()
    peer.plug()
    wire = open_serial(str(peer.link), PortSettings(), ear)
    data = os.urandom(size)
    wire.write(data[:1000])
    wire.write(data[1000:])
    await until(ear, b"all")
    assert peer.heard == [data]
    wire.close()
    peer.unplug()


async def test_what_is_unread_can_be_taken(tmp_path: Path) -> None:
    peer, ear = PtyPeer(tmp_path / "port"), Ear()
    peer.plug()
    wire = open_serial(str(peer.link), PortSettings(), ear)
    assert wire.take() == b""
    peer.send(b"late")
    assert wire.take() == b"late"
    wire.close()
    assert wire.take() == b""
    peer.unplug()
    assert ear.heard == b""


async def test_an_unplug_is_told_once(tmp_path: Path) -> None:
    peer, ear = PtyPeer(tmp_path / "port"), Ear()
    peer.plug()
    wire = open_serial(str(peer.link), PortSettings(), ear)
    peer.unplug()
    async with asyncio.timeout(60):
        await ear.came.wait()
    assert ear.error is not None
    assert "the port is gone" in str(ear.error)
    ear.error = None
    wire.write(b"into the void")
    await asyncio.sleep(0)
    assert ear.error is None


async def test_a_write_to_an_unplugged_port_tells_it_too(tmp_path: Path) -> None:
    peer, ear = PtyPeer(tmp_path / "port"), Ear()
    peer.plug()
    wire = open_serial(str(peer.link), PortSettings(), ear)
    asyncio.get_running_loop().remove_reader(wire._fd)  # the write alone must notice
    peer.unplug()
    wire.write(b"x")
    assert ear.error is None  # not from inside the call
    async with asyncio.timeout(60):
        await ear.came.wait()
    assert ear.error is not None


async def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match=r"no such port now\. Plug the adapter in"):
        open_serial(str(tmp_path / "none"), PortSettings(), Ear())


async def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LinkError, match="this is not a serial port"):
        open_serial(str(tmp_path / "file"), PortSettings(), Ear())


HOLDER = """
import serial, sys
port = serial.Serial(sys.argv[1], exclusive=True)
print("open", flush=True)
sys.stdin.read()
"""


async def test_a_port_in_use_names_the_program_that_has_it(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    program = await asyncio.create_subprocess_exec(
        sys.executable, "-c", HOLDER, str(peer.link), stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
    )
    assert program.stdout is not None
    assert await program.stdout.readline() == b"open\n"
    with pytest.raises(LinkError) as caught:
        open_serial(str(peer.link), PortSettings(), Ear())
    await program.communicate(b"")
    assert "in use by the program" in str(caught.value)
    assert f"(process {program.pid})" in str(caught.value)
    open_serial(str(peer.link), PortSettings(), Ear()).close()
    peer.unplug()


async def test_two_of_our_own_cannot_share_a_port(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    wire = open_serial(str(peer.link), PortSettings(), Ear())
    with pytest.raises(LinkError, match="in use"):
        open_serial(str(peer.link), PortSettings(), Ear())
    wire.close()
    peer.unplug()


async def test_no_permission_names_the_group(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    device = os.readlink(peer.link)
    user = os.geteuid()
    if user == 0:  # as such a port has it; nobody is told to join root
        os.chown(device, -1, next(each.gr_gid for each in grp.getgrall() if each.gr_name != "root"))
    group = grp.getgrgid(os.stat(device).st_gid).gr_name
    os.chmod(device, 0)
    try:
        if user == 0:
            os.seteuid(65534)  # the superuser may open anything, so the attempt is made as nobody
        with pytest.raises(LinkError) as caught:
            open_serial(device, PortSettings(), Ear())
    finally:
        os.seteuid(user)
        os.chmod(device, 0o620)
        peer.unplug()
    assert f"no permission to open the port. Add the user to the group {group}" in str(caught.value)
    assert f"usermod -aG {group}" in str(caught.value)


async def test_wrong_settings_are_told(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    with pytest.raises(LinkError, match="Correct baud"):
        open_serial(str(peer.link), PortSettings(parity="X"), Ear())
    peer.unplug()


def usb(device: str, serial: str | None, location: str, interface: str = "") -> SimpleNamespace:
    """What the listing gives of a USB adapter (vendor and product are those of the USB tests' own examples)."""
    return SimpleNamespace(
        device=device,
        vid=0x1209,
        pid=0x0001,
        serial_number=serial,
        location=location,
        description="USB serial",
        usb_interface_path=interface or None,
    )


def test_identities_of_adapters() -> None:
    plain = SimpleNamespace(device="/dev/ttyS0", vid=None, description="ttyS0")
    four = [usb(f"/dev/ttyUSB{n}", "Q7", f"1-3:1.{n}", f"/sys/devices/usb1/1-3/1-3:1.{n}") for n in (1, 0)]
    ports = identify([usb("/dev/ttyUSB9", "A1", "1-1"), plain, *four, usb("/dev/ttyACM0", None, "1-2.4")])
    assert ports == [
        Port("/dev/ttyACM0", "USB serial", "1209:0001::0@1-2.4", True),
        Port("/dev/ttyS0", "ttyS0"),
        Port("/dev/ttyUSB0", "USB serial", "1209:0001:Q7:0", False),
        Port("/dev/ttyUSB1", "USB serial", "1209:0001:Q7:1", False),
        Port("/dev/ttyUSB9", "USB serial", "1209:0001:A1:0", False),
    ]


def test_adapters_that_share_a_serial_number_are_weak() -> None:
    ports = identify([usb("/dev/ttyUSB0", "0001", "1-1"), usb("/dev/ttyUSB1", "0001", "1-2")])
    assert [(p.identity, p.weak) for p in ports] == [("1209:0001:0001:0@1-1", True), ("1209:0001:0001:0@1-2", True)]
    watch = PortWatch(lambda: ports)
    found = watch.find("1209:0001:0001:0@1-2")
    assert found is not None
    assert found.device == "/dev/ttyUSB1"
    with pytest.raises(LinkError, match=r"2 adapters fit .* usb://1209:0001:0001:0@1-1"):
        watch.find("1209:0001:0001:0")
    assert PortWatch(lambda: ports[:1]).find("1209:0001:0001:0") == ports[0]
    assert watch.find("1209:0001:B2:0") is None


def test_the_listing_is_read_once_however_many_ask() -> None:
    reads = []
    watch = PortWatch(lambda: reads.append(1) or [], interval_s=60)  # type: ignore[func-returns-value]
    for _ in range(5):
        watch.find("1209:0001:A1:0")
    assert len(reads) == 1
