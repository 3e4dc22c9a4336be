"""One device as the simulated Bluetooth service knows it: adverts, its link, its attributes, notifications."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import Protocol

from lineset_simulators.bluez_objects import (
    BATTERY,
    CHARACTERISTIC,
    DESCRIPTOR,
    DEVICE,
    SERVICE,
    BlueZError,
    ObjectTree,
)
from lineset_simulators.bluez_peripheral import LEGACY_ADVERT_BYTES, Characteristic, Peripheral, full_uuid


class Air(Protocol):
    """What a device needs to know of the service that it belongs to."""

    adapter: str
    forget_s: float
    dropped_adverts: int

    @property
    def scanning(self) -> bool: ...

    def wanted(self, uuids: set[str]) -> bool: ...


class _Attribute:
    """A characteristic on the bus, and who wants its notifications."""

    def __init__(self, path: str, characteristic: Characteristic) -> None:
        self.path, self.characteristic = path, characteristic
        self.subscribers: set[str] = set()  # bus names that called StartNotify
        self.socket: socket.socket | None = None  # our end of AcquireNotify
        self.remembered = False  # the peripheral itself was told to notify, and has not been told to stop
        self.timer: asyncio.TimerHandle | None = None


class Device:
    """A peripheral and the objects under its path."""

    def __init__(self, air: Air, path: str, peripheral: Peripheral) -> None:
        self.path, self.peripheral = path, peripheral
        self._air = air
        self._tree: ObjectTree | None = None
        self._attributes: dict[str, _Attribute] = {}
        self._changed = asyncio.Event()  # reachable again, or a Connect given up
        self._connecting = False
        self._forgetting: asyncio.TimerHandle | None = None

    @property
    def tree(self) -> ObjectTree:
        if self._tree is None:
            raise RuntimeError(f"{self.peripheral.address} is not on a bus")
        return self._tree

    def attach(self, tree: ObjectTree) -> None:
        self._tree = tree

    def detach(self) -> None:
        """The service is gone: forget the objects without a word to anyone."""
        for attribute in self._attributes.values():
            _stop(attribute)
        self._attributes.clear()
        self._connecting = False
        if self._forgetting is not None:
            self._forgetting.cancel()
        self._tree = None

    @property
    def connected(self) -> bool:
        return self._tree is not None and bool(self._tree.get(self.path, DEVICE, "Connected"))

    # -- adverts ------------------------------------------------------------------------------------------------

    async def advertise(self) -> None:
        while True:
            peripheral = self.peripheral
            if self._air.scanning and peripheral.reachable and not self.connected:
                self._report()
            await asyncio.sleep(peripheral.advert_pause_s)

    def _report(self) -> None:
        peripheral = self.peripheral
        sent = peripheral.service_data()
        if sent is None:
            return
        if peripheral.advert_bytes(sent) > LEGACY_ADVERT_BYTES:
            self._air.dropped_adverts += 1
            return
        data = {full_uuid(uuid): value for uuid, value in sent.items()}
        if not self._air.wanted({full_uuid(uuid) for uuid in peripheral.advertised}):
            return
        if self.path in self.tree:
            # RSSI is told for each report, the data when they are others
            fresh = {"ServiceData": data} if data and data != self.tree.get(self.path, DEVICE, "ServiceData") else {}
            self.tree.change(self.path, DEVICE, RSSI=peripheral.rssi(), **fresh)
            return
        self.tree.add(
            self.path,
            DEVICE,
            Address=peripheral.address,
            AddressType="random",
            Alias=peripheral.name or peripheral.address.replace(":", "-"),
            Paired=False,
            Bonded=False,
            Trusted=False,
            Blocked=False,
            LegacyPairing=False,
            Connected=False,
            ServicesResolved=False,
            UUIDs=[full_uuid(uuid) for uuid in peripheral.advertised],
            Adapter=self._air.adapter,
            RSSI=peripheral.rssi(),
            **({"Name": peripheral.name} if peripheral.name else {}),
            **({"ServiceData": data} if data else {}),
        )

    def reachable(self, yes: bool) -> None:
        self.peripheral.reachable = yes
        self._changed.set()

    # -- the link -----------------------------------------------------------------------------------------------

    async def connect(self) -> None:
        """As Device1.Connect: waits for as long as the device isn't heard; `disconnect` ends the wait."""
        if self.connected:
            return
        if self._connecting:
            raise BlueZError("InProgress", "Operation already in progress")
        self._connecting = True
        try:
            while not (self.peripheral.reachable and self.peripheral.connectable):
                self._changed.clear()
                await self._changed.wait()
                if not self._connecting:
                    raise BlueZError("Failed", "Operation already in progress")
            await asyncio.sleep(self.peripheral.connect_s)
        finally:
            self._connecting = False
        if self.path not in self.tree:
            raise BlueZError("Failed", "le-connection-abort-by-local")
        self.tree.change(self.path, DEVICE, Connected=True)
        asyncio.get_running_loop().call_later(self.peripheral.resolve_s, self._resolve)

    async def disconnect(self, seconds: float) -> None:
        """As Device1.Disconnect, which takes its time."""
        if self._connecting:
            self._connecting = False
            self._changed.set()
            return
        if not self.connected:
            raise BlueZError("NotConnected", "Not Connected")
        await asyncio.sleep(seconds)
        self.drop()

    def drop(self) -> None:
        """The link is gone. The objects of its attributes stay, until the device is forgotten."""
        if not self.connected:
            return
        for attribute in self._attributes.values():
            if attribute.socket is not None:
                self.tree.change(attribute.path, CHARACTERISTIC, NotifyAcquired=False)
            _stop(attribute)
        self.tree.change(self.path, DEVICE, ServicesResolved=False, Connected=False)
        self.tree.remove(self.path, BATTERY)
        if self._forgetting is not None:
            self._forgetting.cancel()
        self._forgetting = asyncio.get_running_loop().call_later(self._air.forget_s, self._forget)

    def _forget(self) -> None:
        heard = self._air.scanning and self.peripheral.reachable
        if self._tree is not None and not self.connected and not heard:
            self._tree.remove(self.path)

    def _resolve(self) -> None:
        if not self.connected:
            return
        if not self.tree.below(self.path):
            self._attributes.clear()
            self._export()
        for attribute in self._attributes.values():
            if attribute.characteristic.uuid == 0x2A19:  # the battery plugin's own view of the service
                level = attribute.characteristic.value()
                if level:
                    self.tree.add(self.path, BATTERY, Percentage=level[0])
            if attribute.remembered and self.peripheral.keeps_subscriptions:
                self._schedule(attribute)
        uuids = [full_uuid(service.uuid) for service in self.peripheral.services]
        self.tree.change(self.path, DEVICE, UUIDs=uuids, ServicesResolved=True)

    def _export(self) -> None:
        handle = 0x0010
        for service in self.peripheral.services:
            path = f"{self.path}/service{handle:04x}"
            uuid = full_uuid(service.uuid)
            self.tree.add(path, SERVICE, UUID=uuid, Device=self.path, Primary=True, Includes=[])
            handle += 1
            for characteristic in service.characteristics:
                handle = self._export_characteristic(path, handle, characteristic)

    def _export_characteristic(self, service: str, handle: int, characteristic: Characteristic) -> int:
        path = f"{service}/char{handle:04x}"
        states = {"Notifying": False, "NotifyAcquired": False} if characteristic.notifies else {}
        self.tree.add(
            path,
            CHARACTERISTIC,
            UUID=full_uuid(characteristic.uuid),
            Service=service,
            Value=b"",
            Flags=list(characteristic.flags),
            MTU=517,
            **states,
        )
        self._attributes[path] = _Attribute(path, characteristic)
        handle += 2
        described = [(full_uuid(d.uuid), d.value) for d in characteristic.descriptors]
        if characteristic.notifies:
            described.append((full_uuid(0x2902), b"\0\0"))
        for uuid, value in described:
            self.tree.add(f"{path}/desc{handle:04x}", DESCRIPTOR, UUID=uuid, Characteristic=path, Value=value)
            handle += 1
        return handle

    # -- attributes ---------------------------------------------------------------------------------------------

    def _attribute(self, path: str, flag: str = "") -> _Attribute:
        attribute = self._attributes.get(path)
        if attribute is None or not self.connected:
            raise BlueZError("Failed", "Not connected")
        if flag and flag not in attribute.characteristic.flags:
            raise BlueZError("NotPermitted", f"{flag.capitalize()} not permitted")
        return attribute

    def read(self, path: str) -> bytes:
        """As ReadValue: the value is also signalled, which a subscriber sees as one more notification."""
        value = self._attribute(path, "read").characteristic.value() or b""
        self.tree.change(path, CHARACTERISTIC, Value=value)
        return value

    def write(self, path: str, value: bytes) -> None:
        attribute = self._attribute(path, "write")
        self.peripheral.written.append((full_uuid(attribute.characteristic.uuid), value))

    def subscribe(self, path: str, sender: str) -> None:
        """As StartNotify."""
        attribute = self._attribute(path)
        if not attribute.characteristic.notifies:
            raise BlueZError("NotSupported", "Operation is not supported")
        if attribute.socket is not None:
            raise BlueZError("NotPermitted", "Notify acquired")
        if sender in attribute.subscribers:
            raise BlueZError("InProgress", "Operation already in progress")
        attribute.subscribers.add(sender)
        attribute.remembered = True
        self.tree.change(path, CHARACTERISTIC, Notifying=True)
        self._schedule(attribute)

    def unsubscribe(self, sender: str, path: str | None = None) -> bool:
        """As StopNotify, of one characteristic or of all; False when `sender` had not subscribed."""
        known = False
        for attribute in list(self._attributes.values()):
            if sender in attribute.subscribers and path in (None, attribute.path):
                known = True
                attribute.subscribers.discard(sender)
                if not attribute.subscribers and self.connected:
                    attribute.remembered = False
                    _stop(attribute)
                    self.tree.change(attribute.path, CHARACTERISTIC, Notifying=False)
        return known

    def acquire(self, path: str) -> socket.socket:
        """As AcquireNotify: the other end of a socket that carries the notifications."""
        attribute = self._attribute(path)
        if not attribute.characteristic.notifies:
            raise BlueZError("NotSupported", "Operation is not supported")
        if attribute.socket is not None or attribute.subscribers:
            raise BlueZError("NotPermitted", "Notify acquired")
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        theirs.setblocking(False)
        attribute.socket = ours
        attribute.remembered = True
        asyncio.get_running_loop().add_reader(ours, self._released, attribute)
        self.tree.change(path, CHARACTERISTIC, NotifyAcquired=True)
        self._schedule(attribute)
        return theirs

    def _released(self, attribute: _Attribute) -> None:
        """The client closed its end."""
        attribute.remembered = False
        _stop(attribute)
        self.tree.change(attribute.path, CHARACTERISTIC, NotifyAcquired=False)

    def notify(self, uuid: str, value: bytes) -> bool:
        for attribute in self._attributes.values():
            if full_uuid(attribute.characteristic.uuid) == uuid:
                return self._send(attribute, value)
        return False

    def _send(self, attribute: _Attribute, value: bytes) -> bool:
        if attribute.socket is not None:
            with contextlib.suppress(BlockingIOError):  # a full socket loses the packet, as a radio link does
                attribute.socket.send(value)
                return True
            return False
        if self.connected and (attribute.subscribers or attribute.remembered):
            self.tree.change(attribute.path, CHARACTERISTIC, Value=value)
            return True
        return False

    def _schedule(self, attribute: _Attribute) -> None:
        if attribute.characteristic.notify_s is None or attribute.timer is not None:
            return
        attribute.timer = asyncio.get_running_loop().call_later(
            attribute.characteristic.notify_s / self.peripheral.pace, self._tick, attribute
        )

    def _tick(self, attribute: _Attribute) -> None:
        attribute.timer = None
        value = attribute.characteristic.value()
        if value is None or self._send(attribute, value):
            self._schedule(attribute)


def _stop(attribute: _Attribute) -> None:
    """End its notifications; StartNotify sessions stay, as they do in bluetoothd over a drop."""
    if attribute.timer is not None:
        attribute.timer.cancel()
        attribute.timer = None
    if attribute.socket is not None:
        asyncio.get_running_loop().remove_reader(attribute.socket)
        attribute.socket.close()
        attribute.socket = None
