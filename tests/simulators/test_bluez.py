"""The simulated Bluetooth service against what was seen of bluetoothd 5.66, looked at with a plain D-Bus client."""

from __future__ import annotations

import asyncio
import os
import struct
from collections.abc import AsyncIterator
from typing import Any

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus
from simulated_radio import BEACON, CLAMP, PROBE, SOON, Fixed, bus, needs_bus

from lineset_simulators.ble_instruments import AirBeacon, Battery, ClampMeterBle, air_probe
from lineset_simulators.bluez import SimulatedBluez, to_bus
from lineset_simulators.bluez_control import ControlError, control, offer_control
from lineset_simulators.bus import Bus, NoBusError, private_bus

__all__ = ["bus"]  # a fixture
ADAPTER, DEVICE = "/org/bluez/hci0", f"/org/bluez/hci0/dev_{PROBE.replace(':', '_')}"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"


class Client:
    """A D-Bus client that remembers the signals in order."""

    def __init__(self) -> None:
        self.signals: list[tuple[str, str, Any]] = []
        self._news = asyncio.Event()
        self._bus: MessageBus

    async def open(self) -> Client:
        self._bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
        self._bus.add_message_handler(self._signal)
        for rule in ("type='signal',sender='org.bluez'", "type='signal',member='NameOwnerChanged'"):
            await self._bus.call(to_bus("AddMatch", "org.freedesktop.DBus", "s", rule))
        return self

    def close(self) -> None:
        self._bus.disconnect()

    def _signal(self, message: Message) -> None:
        if message.message_type is MessageType.SIGNAL:
            self.signals.append((message.member or "", message.path or "", message.body))
            self._news.set()

    async def call(self, path: str, interface: str, member: str, signature: str = "", *body: Any) -> Message:
        reply = await self._bus.call(
            Message(
                destination="org.bluez",
                path=path,
                interface=interface,
                member=member,
                signature=signature,
                body=list(body),
            )
        )
        assert reply is not None
        return reply

    async def adapter(self, member: str) -> Message:
        return await self.call(ADAPTER, "org.bluez.Adapter1", member)

    async def until(self, member: str, **changed: Any) -> list[Any]:
        """The first signal called `member` that has these properties changed to these values."""
        async with asyncio.timeout(SOON):
            while True:
                for name, _, body in self.signals:
                    values = {key: v.value for key, v in body[1].items()} if name == "PropertiesChanged" else {}
                    if name == member and changed.items() <= values.items():
                        return list(body)
                self._news.clear()
                await self._news.wait()

    def changes(self) -> list[tuple[str, dict[str, Any]]]:
        """(interface, changed properties) of all PropertiesChanged, in order."""
        return [
            (body[0], {name: value.value for name, value in body[1].items()})
            for member, _, body in self.signals
            if member == "PropertiesChanged"
        ]


@pytest.fixture
async def bluez(bus: Bus) -> AsyncIterator[SimulatedBluez]:
    simulated = SimulatedBluez(disconnect_s=0.02, forget_s=0.1)
    sources = {"temperature": Fixed(21.5), "humidity": Fixed(45.0)}
    peripheral = air_probe(PROBE, sources, interval_s=0.02)
    peripheral.advert_s = 0.02
    simulated.add(peripheral)
    await simulated.start()
    yield simulated
    await simulated.kill()


@pytest.fixture
async def client(bluez: SimulatedBluez) -> AsyncIterator[Client]:
    found = await Client().open()
    yield found
    found.close()


async def connected(client: Client) -> None:
    await client.adapter("StartDiscovery")
    await client.until("InterfacesAdded")
    assert (await client.call(DEVICE, "org.bluez.Device1", "Connect")).message_type is MessageType.METHOD_RETURN
    await client.until("PropertiesChanged", ServicesResolved=True)


@needs_bus
class TestAsBluetoothd:
    async def test_a_device_appears_when_heard_and_tells_its_strength_at_each_report(self, client: Client) -> None:
        assert not [signal for signal in client.signals if signal[0] == "InterfacesAdded"]
        await client.adapter("StartDiscovery")
        path, interfaces = await client.until("InterfacesAdded")
        assert path == DEVICE
        assert interfaces["org.bluez.Device1"]["Address"].value == PROBE
        await client.until("PropertiesChanged", RSSI=-60)
        await client.adapter("StopDiscovery")
        assert any(body[2] == ["RSSI"] for member, _, body in client.signals if member == "PropertiesChanged")

    async def test_parents_come_first_and_then_the_services_are_resolved(self, client: Client) -> None:
        await connected(client)
        added = [body[0] for member, _, body in client.signals if member == "InterfacesAdded"]
        assert added[0] == DEVICE
        for path in set(added) - {DEVICE}:
            assert path.rsplit("/", 1)[0] in added[: added.index(path)]
        assert client.changes()[-1][1].keys() == {"UUIDs", "ServicesResolved"}
        uuids = {v.value for _, _, body in client.signals for v in _uuids(body)}
        assert "00001801-0000-1000-8000-00805f9b34fb" in uuids
        assert "00002902-0000-1000-8000-00805f9b34fb" in uuids
        assert "00001800-0000-1000-8000-00805f9b34fb" not in uuids

    async def test_the_signals_of_a_drop(self, bluez: SimulatedBluez, client: Client) -> None:
        await connected(client)
        temperature = _characteristic(client, 0x2A6E)
        assert (await client.call(temperature, CHARACTERISTIC, "AcquireNotify", "a{sv}", {})).signature == "hq"
        await client.until("PropertiesChanged", NotifyAcquired=True)
        objects = len([s for s in client.signals if s[0] == "InterfacesAdded"])
        client.signals.clear()
        bluez.drop(PROBE)
        await client.until("InterfacesRemoved")
        told = [
            (member, body[0] if member == "PropertiesChanged" else body)
            for member, _, body in client.signals
            if "RSSI" not in str(body)
        ]
        assert told == [
            ("PropertiesChanged", CHARACTERISTIC),
            ("PropertiesChanged", "org.bluez.Device1"),
            ("InterfacesRemoved", [DEVICE, ["org.bluez.Battery1"]]),
        ]
        assert client.changes()[-1][1] == {"ServicesResolved": False, "Connected": False}
        # on the next link the attributes are still there, only the states change
        client.signals.clear()
        await client.call(DEVICE, "org.bluez.Device1", "Connect")
        await client.until("PropertiesChanged", ServicesResolved=True)
        assert objects > 10
        assert [body[1].keys() for member, _, body in client.signals if member == "InterfacesAdded"] == [
            {"org.bluez.Battery1"}
        ]

    async def test_an_unbonded_device_is_forgotten_some_time_after_its_link(
        self, bluez: SimulatedBluez, client: Client
    ) -> None:
        await connected(client)
        client.signals.clear()
        bluez.vanish(PROBE)
        async with asyncio.timeout(SOON):
            while DEVICE in bluez.tree:
                await asyncio.sleep(0.02)
        reply = await client.call(DEVICE, "org.bluez.Device1", "Connect")
        assert reply.error_name == "org.freedesktop.DBus.Error.UnknownObject"

    async def test_a_read_is_signalled_too(self, client: Client) -> None:
        await connected(client)
        humidity = _characteristic(client, 0x2A6F)
        client.signals.clear()
        reply = await client.call(humidity, CHARACTERISTIC, "ReadValue", "a{sv}", {})
        assert reply.body == [struct.pack("<H", 4500)]
        await client.until("PropertiesChanged", Value=struct.pack("<H", 4500))

    async def test_connecting_to_one_that_is_not_heard_waits_until_it_is_given_up(
        self, bluez: SimulatedBluez, client: Client
    ) -> None:
        await client.adapter("StartDiscovery")
        await client.until("InterfacesAdded")
        bluez.vanish(PROBE)
        waiting = asyncio.create_task(client.call(DEVICE, "org.bluez.Device1", "Connect"))
        done, _ = await asyncio.wait({waiting}, timeout=0.1)
        assert not done
        again = await client.call(DEVICE, "org.bluez.Device1", "Connect")
        assert again.error_name == "org.bluez.Error.InProgress"
        await client.call(DEVICE, "org.bluez.Device1", "Disconnect")
        assert (await asyncio.wait_for(waiting, SOON)).error_name == "org.bluez.Error.Failed"

    async def test_a_peripheral_remembers_its_subscribers_over_a_drop(
        self, bluez: SimulatedBluez, client: Client
    ) -> None:
        await connected(client)
        temperature = _characteristic(client, 0x2A6E)
        await client.call(temperature, CHARACTERISTIC, "StartNotify")
        await client.until("PropertiesChanged", Value=struct.pack("<h", 2150))
        bluez.drop(PROBE)
        await client.until("PropertiesChanged", Connected=False)
        client.signals.clear()
        await client.call(DEVICE, "org.bluez.Device1", "Connect")
        await client.until("PropertiesChanged", Value=struct.pack("<h", 2150))

    async def test_off_it_refuses_to_scan(self, bluez: SimulatedBluez, client: Client) -> None:
        set_off = ("ssv", "org.bluez.Adapter1", "Powered", Variant("b", False))
        await client.call(ADAPTER, "org.freedesktop.DBus.Properties", "Set", *set_off)
        assert (await client.adapter("StartDiscovery")).error_name == "org.bluez.Error.NotReady"
        await client.until("PropertiesChanged", Powered=False)


@needs_bus
class TestControl:
    async def test_from_another_connection(self, bluez: SimulatedBluez, client: Client) -> None:
        offer_control(bluez)
        await connected(client)
        client.signals.clear()
        await control("Drop", PROBE)
        await client.until("PropertiesChanged", Connected=False)
        await control("FailNext", "StartDiscovery", "Failed", "invented", 1)
        assert (await client.adapter("StartDiscovery")).body == ["invented"]
        with pytest.raises(ControlError, match="no peripheral"):
            await control("Drop", "00:00:00:00:00:00")
        await control("Power", False)
        await client.until("PropertiesChanged", Powered=False)
        await control("Kill")
        async with asyncio.timeout(SOON):
            while not [body for member, _, body in client.signals if member == "NameOwnerChanged" and not body[2]]:
                await asyncio.sleep(0.01)
        with pytest.raises(ControlError, match="ServiceUnknown"):
            await control("Drop", PROBE)


class TestBus:
    @needs_bus
    def test_it_is_exported_within_and_gone_after(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/invented")
        with private_bus() as found:
            assert os.environ["DBUS_SYSTEM_BUS_ADDRESS"] == found.address
            path = found.address.removeprefix("unix:path=")
            assert os.path.exists(path)
        assert os.environ["DBUS_SYSTEM_BUS_ADDRESS"] == "unix:path=/invented"
        assert not os.path.exists(path)

    def test_without_the_program_it_says_so(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("PATH", "")
        with pytest.raises(NoBusError, match="not installed"), private_bus():
            pass


class TestInstruments:
    """What they put on the air, by hand from their maps."""

    def test_air_probe(self) -> None:
        sensing = air_probe(PROBE, {"temperature": Fixed(-5.5), "humidity": Fixed(None)}).services[1].characteristics
        assert sensing[0].value() == bytes.fromhex("dafd")  # -550 as sint16
        assert sensing[1].value() == bytes.fromhex("ffff")
        assert len(sensing) == 2
        sources = {"temperature": Fixed(12.34), "humidity": Fixed(83.5), "barometer": Fixed(99_063.2)}
        values = {c.uuid: c.value() for s in air_probe(PROBE, sources, serial="1").services for c in s.characteristics}
        # GATT Specification Supplement: 0x2A6E sint16 0.01 degC, 0x2A6F uint16 0.01 %, 0x2A6D uint32 0.1 Pa
        assert values[0x2A6E] == bytes.fromhex("d204")
        assert values[0x2A6F] == bytes.fromhex("9e20")
        assert values[0x2A6D] == bytes.fromhex("a81d0f00")
        assert values[0x2A25] == b"1"

    def test_clamp_meter(self) -> None:
        source = Fixed(12.34)
        meter = ClampMeterBle(source, battery=Battery(5))
        assert meter.payload() == bytes.fromhex("0104d20400fe")  # 1234 x 10^-2, battery low
        meter.hold(True)
        source.value = 99.0
        assert meter.payload() == bytes.fromhex("0105d20400fe")
        meter.select("RES")
        source.value = 50_000_000.0
        # 24 bits hold 8388605 at most: 5000000 x 10^1
        assert meter.payload() == bytes.fromhex("0404404b4c01")
        source.value = None
        assert meter.payload() == bytes.fromhex("0406ffff7f00")
        meter.select("ACV")
        source.value = -0.5
        # IEEE 11073-20601: -5 with an exponent of -1
        assert meter.payload() == bytes.fromhex("0204fbffffff")
        with pytest.raises(ValueError, match="no mode"):
            meter.select("HZ")

    def test_beacon(self) -> None:
        beacon = AirBeacon(Fixed(25.06), Fixed(50.55), battery=Battery(97), repeats=2, counter=8)
        first = beacon.service_data(BEACON)[0xFCD2]
        # bthome.io/format: 25.06 degC is ca09, 50.55 % is bf13
        assert first == bytes.fromhex("40 0009 0161 02ca09 03bf13")
        assert beacon.service_data(BEACON)[0xFCD2] == first
        assert beacon.service_data(BEACON)[0xFCD2] == bytes.fromhex("40 000a 0161 02ca09 03bf13")
        assert beacon.peripheral(BEACON).advert_bytes({0xFCD2: first}) <= 31
        broken = AirBeacon(Fixed(None), Fixed(50.55), battery=Battery(97), counter=8)
        assert broken.service_data(BEACON)[0xFCD2] == bytes.fromhex("40 0009 0161 03bf13")

    def test_encrypted_beacon_can_be_read_with_its_key_and_fits_an_advert(self) -> None:
        key = bytes(range(16))
        beacon = AirBeacon(Fixed(25.06), Fixed(50.55), key=key, counter=0x01020303)
        packet = beacon.service_data(CLAMP)[0xFCD2]
        assert beacon.peripheral(CLAMP).advert_bytes({0xFCD2: packet}) <= 31
        assert packet[0] == 0x41
        assert packet[-8:-4] == bytes.fromhex("04030201")
        nonce = bytes.fromhex("c0de00000002") + bytes.fromhex("d2fc41") + packet[-8:-4]
        plain = AESCCM(key, tag_length=4).decrypt(nonce, packet[1:-8] + packet[-4:], None)
        assert plain == bytes.fromhex("0004 015a 02ca09 03bf13")


def _uuids(body: list[Any]) -> list[Any]:
    if len(body) < 2 or not isinstance(body[1], dict):
        return []
    return [p["UUID"] for p in body[1].values() if isinstance(p, dict) and "UUID" in p]


def _characteristic(client: Client, uuid: int) -> str:
    for member, _, body in client.signals:
        found = body[1].get(CHARACTERISTIC) if member == "InterfacesAdded" else None
        if found and found["UUID"].value.startswith(f"0000{uuid:04x}-"):
            return str(body[0])
    raise AssertionError(f"no characteristic {uuid:04x}")
