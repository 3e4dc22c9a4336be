"""The radio on a simulated Bluetooth service: the library's real backend runs, only the service is ours."""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from simulated_radio import BEACON, PROBE, SOON, bus, needs_bus

from lineset_drivers.errors import LinkClosed, LinkError, Refused, Silence
from lineset_drivers.protocols.gatt import full_uuid
from lineset_drivers.transports.ble import GattLink, Heard, Radio
from lineset_drivers.transports.ble_survey import survey
from lineset_simulators.bluez import SimulatedBluez
from lineset_simulators.bluez_peripheral import Characteristic, Descriptor, Peripheral, Service
from lineset_simulators.bus import Bus, private_bus

__all__ = ["bus"]  # a fixture
pytestmark = needs_bus


def script(address: str = PROBE) -> Peripheral:
    """A peripheral that is nothing but bytes written by hand; it knows no profile."""
    return Peripheral(
        address,
        "Script",
        [
            Service(0x1801, [Characteristic(0x2A05, lambda: b"", ("indicate",))]),
            Service(
                0x181A,
                [
                    Characteristic(0x2A6E, lambda: b"\xca\x09", ("read", "notify"), [Descriptor(0x2901, b"supply")]),
                    Characteristic(0x2A6E, lambda: b"\x9c\xff", ("read", "notify"), [Descriptor(0x2901, b"return")]),
                    Characteristic(0x2A6F, lambda: b"\x10\x27", ("notify",)),
                ],
            ),
        ],
        advertised=(0x181A,),
        advert_s=0.02,
    )


@pytest.fixture
async def bluez(bus: Bus) -> AsyncIterator[SimulatedBluez]:
    simulated = SimulatedBluez(disconnect_s=0.05, forget_s=30)
    await simulated.start()
    yield simulated
    await simulated.kill()


@contextlib.asynccontextmanager
async def running(radio: Radio) -> AsyncIterator[Radio]:
    task = asyncio.create_task(radio.run())
    try:
        yield radio
    finally:
        task.cancel()
        await asyncio.wait({task})


async def problem_of(radio: Radio, text: str) -> LinkError:
    async with asyncio.timeout(SOON):
        while radio.problem is None or text not in radio.problem.problem:
            await radio.changed()
    return radio.problem


async def works(radio: Radio) -> None:
    async with asyncio.timeout(SOON):
        while radio.problem is not None or not radio.scanning:
            await radio.changed()


async def linked(radio: Radio, address: str = PROBE) -> GattLink:
    async with asyncio.timeout(SOON):
        await radio.heard(address)
        return await radio.connect(address)


async def ended(link: GattLink) -> LinkClosed:
    async with asyncio.timeout(SOON):
        await link.closed.wait()
    assert link.reason is not None
    return link.reason


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


class TestScan:
    async def test_adverts_go_to_the_listeners_of_their_address(self, bluez: SimulatedBluez) -> None:
        packets = iter([b"\x40\x01\x10", b"\x40\x01\x11", b"\x40\x01\x12"])
        last = b""

        def data() -> dict[int, bytes]:
            nonlocal last
            last = next(packets, last)
            return {0xFCD2: last}

        bluez.add(Peripheral(BEACON, service_data=data, advert_s=0.02, connectable=False))
        bluez.add(script())
        heard: list[Heard] = []
        radio = Radio()
        arrived = asyncio.Event()

        def listener(advert: Heard) -> None:
            heard.append(advert)
            if advert.data(0xFCD2) == b"\x40\x01\x12":
                arrived.set()

        end = radio.listen(BEACON.lower(), listener)
        async with running(radio):
            await asyncio.wait_for(arrived.wait(), SOON)
            end()
            count = len(heard)
            await asyncio.wait_for(radio.heard(BEACON), SOON)
            assert len(heard) == count, "an ended listener hears nothing"
        assert {advert.address for advert in heard} == {BEACON}
        assert heard[0].rssi == -60
        assert heard[0].data("0xFCD2") == b"\x40\x01\x10"

    async def test_an_advert_too_long_for_the_air_is_never_heard(self, bluez: SimulatedBluez) -> None:
        bluez.add(Peripheral(BEACON, service_data=lambda: {0xFCD2: bytes(25)}, advert_s=0.01))
        bluez.add(script())
        async with running(Radio()) as radio:
            await asyncio.wait_for(radio.heard(PROBE), SOON)
            await asyncio.wait_for(radio.heard(PROBE), SOON)
            with pytest.raises(LinkError, match="not been heard"):
                await radio.connect(BEACON)
        assert bluez.dropped_adverts > 0

    async def test_a_listener_that_fails_does_not_disturb_the_others(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        radio = Radio()

        def broken(_: Heard) -> None:
            raise ZeroDivisionError

        radio.listen(PROBE, broken)
        async with running(radio):
            await asyncio.wait_for(radio.heard(PROBE), SOON)
            await asyncio.wait_for(radio.heard(PROBE), SOON)


class TestSurvey:
    async def test_all_that_is_heard_the_strongest_first(self, bluez: SimulatedBluez) -> None:
        far = script()
        far.rssi = lambda: -88
        bluez.add(far)
        bluez.add(Peripheral(BEACON, service_data=lambda: {0xFCD2: b"\x40\x01\x10"}, advert_s=0.02))
        near, probe = await survey(1.0)
        assert (near.address, near.rssi, near.data(0xFCD2)) == (BEACON, -60, b"\x40\x01\x10")
        assert (probe.address, probe.name, probe.rssi) == (PROBE, "Script", -88)
        assert full_uuid(0x181A) in probe.services

    async def test_a_radio_that_does_not_work_is_told_at_once(self, bus: Bus) -> None:
        with pytest.raises(LinkError, match="service is not running"):
            await asyncio.wait_for(survey(60), SOON)


class TestLink:
    async def test_attributes_are_listed_with_handles_and_descriptors(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            first, second = link.find(0x2A6E, 0x181A)
            assert first.handle < second.handle
            assert not link.find(0x2A6E, 0x180F)
            described = second.descriptor(0x2901)
            assert described is not None
            assert await link.read_descriptor(described) == b"return"
            # the same UUID twice: told apart by handle
            assert await link.read(first) == b"\xca\x09"
            assert await link.read(second) == b"\x9c\xff"
            await link.close()
            with pytest.raises(LinkClosed):
                await link.read(first)

    async def test_notifications_arrive_whole_and_in_order(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            got: list[bytes] = []
            done = asyncio.Event()

            def listener(payload: bytes) -> None:
                got.append(payload)
                if len(got) == 300:
                    done.set()

            await link.subscribe(link.find(0x2A6F)[0], listener)
            for number in range(300):
                assert bluez.notify(PROBE, 0x2A6F, struct.pack("<H", number))
                if number % 100 == 99:
                    await bluez.flush()
            await asyncio.wait_for(done.wait(), SOON)
            assert got == [struct.pack("<H", number) for number in range(300)]

    async def test_a_read_does_not_come_back_as_a_notification(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            got: list[bytes] = []
            more = asyncio.Event()

            def listener(payload: bytes) -> None:
                got.append(payload)
                more.set()

            temperature = link.find(0x2A6E)[0]
            await link.subscribe(temperature, listener)
            assert await link.read(temperature) == b"\xca\x09"
            assert bluez.notify(PROBE, 0x2A6E, b"\x01\x02")
            await asyncio.wait_for(more.wait(), SOON)
            assert got == [b"\x01\x02"]

    async def test_refusals_and_silence_are_told_apart(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            temperature, humidity = link.find(0x2A6E)[0], link.find(0x2A6F)[0]
            with pytest.raises(Refused) as refused:
                await link.read(humidity)  # it only notifies
            assert refused.value.code == 0x02  # Core Specification, ATT error "Read Not Permitted"
            bluez.fail_next("ReadValue", "NotAuthorized")
            with pytest.raises(Refused, match="Pair it"):
                await link.read(temperature)
            bluez.fail_next("ReadValue", "Failed", "Operation failed with ATT error: 0x80")
            with pytest.raises(Refused) as application:
                await link.read(temperature)
            assert application.value.code == 0x80
            bluez.fail_next("ReadValue", "InProgress", times=100)
            with pytest.raises(Silence):
                await link.read(temperature, timeout_s=0.1)
            assert not link.closed.is_set()

    async def test_a_drop_is_told_and_a_new_link_works(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            got: list[bytes] = []
            await link.subscribe(link.find(0x2A6E)[0], got.append)
            bluez.drop(PROBE)
            reason = await ended(link)
            assert "link broke" in reason.problem
            assert reason.remedy
            again = await linked(radio)
            # the peripheral remembers the subscription, nobody has asked for it on this link
            bluez.notify(PROBE, 0x2A6E, b"\x00\x01")
            assert await again.read(again.find(0x2A6E)[0]) == b"\xca\x09"
            assert got == []

    async def test_drops_leak_nothing(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            await (await linked(radio)).close()
            before = open_files()
            for _ in range(8):
                link = await linked(radio)
                bluez.drop(PROBE)
                await ended(link)
                await link.close()
            assert open_files() <= before

    async def test_a_drop_during_a_read_ends_the_read(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            bluez.fail_next("ReadValue", "InProgress", times=1000)
            reading = asyncio.create_task(link.read(link.find(0x2A6E)[0]))
            await asyncio.sleep(0)
            bluez.drop(PROBE)
            with pytest.raises(LinkClosed):
                await asyncio.wait_for(reading, SOON)

    async def test_one_that_does_not_answer_says_so_and_works_later(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            await asyncio.wait_for(radio.heard(PROBE), SOON)
            bluez.vanish(PROBE)
            with pytest.raises(LinkError, match="does not answer") as caught:
                await radio.connect(PROBE, timeout_s=0.1)
            assert "telephone" in caught.value.remedy
            bluez.appear(PROBE)
            link = await linked(radio)
            assert await link.read(link.find(0x2A6E)[0]) == b"\xca\x09"

    async def test_one_that_the_system_forgot_is_taken_up_when_heard(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            await asyncio.wait_for(radio.heard(PROBE), SOON)
            bluez.vanish(PROBE)
            bluez.forget(PROBE)
            with pytest.raises(LinkError, match="not been heard"):
                await radio.connect(PROBE)
            bluez.appear(PROBE)
            await (await linked(radio)).close()

    async def test_a_device_left_connected_by_a_crashed_program_is_taken_up(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            await asyncio.wait_for(radio.heard(PROBE), SOON)
        await bluez.device(PROBE).connect()  # as if for another program; from now on it does not advertise
        async with running(Radio()) as radio:
            link = await linked(radio)
            assert await link.read(link.find(0x2A6E)[0]) == b"\xca\x09"
        assert "Connect" not in bluez.calls


class TestRadioProblems:
    """Each has a sentence of its own, because the technician acts differently on them."""

    async def test_no_service(self, bus: Bus) -> None:
        async with running(Radio()) as radio:
            problem = await problem_of(radio, "service is not running")
            assert "start bluetooth" in problem.remedy
            with pytest.raises(LinkError, match="service is not running"):
                await radio.heard(PROBE)
            with pytest.raises(LinkError, match="service is not running"):
                await radio.connect(PROBE)

    async def test_no_message_bus(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nothing")
        async with running(Radio()) as radio:
            await problem_of(radio, "service is not running")

    async def test_no_radio_and_then_one(self, bus: Bus) -> None:
        bluez = SimulatedBluez(has_adapter=False, disconnect_s=0.05)
        await bluez.start()
        bluez.add(script())
        async with running(Radio()) as radio:
            assert "Plug in" in (await problem_of(radio, "no Bluetooth radio")).remedy
            bluez.plug_adapter()
            await works(radio)
            await (await linked(radio)).close()
        await bluez.kill()

    async def test_switched_off_and_on(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            bluez.power(False)
            assert await ended(link)
            assert "Switch Bluetooth on" in (await problem_of(radio, "switched off")).remedy
            bluez.power(True)
            await works(radio)
            await (await linked(radio)).close()

    async def test_pulled_out(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            bluez.unplug_adapter()
            await ended(link)
            await problem_of(radio, "no Bluetooth radio")

    async def test_no_permission(self) -> None:
        with private_bus(deny="org.bluez"):
            bluez = SimulatedBluez(disconnect_s=0.05)
            await bluez.start()
            async with running(Radio()) as radio:
                assert "group 'bluetooth'" in (await problem_of(radio, "may not use")).remedy
            await bluez.kill()

    async def test_a_named_adapter_that_is_not_there(self, bluez: SimulatedBluez) -> None:
        async with running(Radio(adapter="hci7")) as radio:
            await problem_of(radio, "hci7")

    async def test_the_service_dies_and_comes_back(self, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            await link.subscribe(link.find(0x2A6E)[0], lambda _: None)
            await bluez.kill()
            assert "service stopped" in (await ended(link)).problem
            with pytest.raises(LinkClosed):
                await link.read(link.find(0x2A6E)[0])
            await problem_of(radio, "service is not running")
            await bluez.start()
            await works(radio)
            again = await linked(radio)
            assert await again.read(again.find(0x2A6E)[0]) == b"\xca\x09"

    async def test_the_message_bus_dies(self, bus: Bus, bluez: SimulatedBluez) -> None:
        bluez.add(script())
        async with running(Radio()) as radio:
            link = await linked(radio)
            bus.stop()
            await ended(link)
            await problem_of(radio, "service is not running")


async def test_nothing_is_left_behind(bus: Bus) -> None:
    before = os.environ["DBUS_SYSTEM_BUS_ADDRESS"], {task.get_name() for task in asyncio.all_tasks()}
    bluez = SimulatedBluez(disconnect_s=0.05)
    await bluez.start()
    bluez.add(script())
    async with running(Radio()) as radio:
        await linked(radio)
    assert bluez.calls.count("Disconnect") == 1, "an open link is taken down when the radio ends"
    await bluez.kill()
    left = {task.get_name() for task in asyncio.all_tasks()} - before[1]
    assert not {name for name in left if "BLE" in name or "Bluetooth" in name or "ble:" in name}


def test_nothing_heavy_is_imported_before_the_radio_is_switched_on() -> None:
    code = (
        "import sys; import lineset_drivers.ble_instrument, lineset_drivers.transports.ble_survey\n"
        "print(*sorted({'bleak', 'dbus_fast', 'cryptography', 'serial'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.split() == []
