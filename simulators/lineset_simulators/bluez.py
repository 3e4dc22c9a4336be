"""A simulated Bluetooth service: it owns org.bluez on a message bus and behaves there as bluetoothd does.

Programs that speak to BlueZ run on it unchanged: they scan, connect, read and subscribe, without radio, kernel or
root. What it tells, and in which order, is what was seen of bluetoothd 5.66; times are in real seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine, Mapping
from typing import Any

from dbus_fast import BusType, Message, MessageType, NameFlag, RequestNameReply
from dbus_fast.aio import MessageBus

from lineset_simulators.bluez_device import Device
from lineset_simulators.bluez_objects import (
    ADAPTER,
    BLUEZ,
    CHARACTERISTIC,
    DESCRIPTOR,
    DEVICE,
    MANAGER,
    PROPERTIES,
    BlueZError,
    ObjectTree,
    variant,
)
from lineset_simulators.bluez_peripheral import Peripheral, full_uuid

Reply = tuple[str, list[Any]] | tuple[str, list[Any], list[int]] | None
"""Signature, body and file descriptors of a reply; None: an empty one."""
Handler = Callable[[Message], Coroutine[Any, Any, Reply]]


def to_bus(member: str, interface: str = "org.freedesktop.DBus", signature: str = "", *body: Any) -> Message:
    """A call to the message bus itself."""
    return Message(
        destination="org.freedesktop.DBus",
        path="/org/freedesktop/DBus",
        interface=interface,
        member=member,
        signature=signature,
        body=list(body),
    )


class SimulatedBluez:
    """bluetoothd with one adapter. `start` puts it on the bus, `kill` takes it away as a crash would."""

    def __init__(
        self,
        *,
        adapter: str = "hci0",
        powered: bool = True,
        has_adapter: bool = True,
        forget_s: float = 30.0,
        disconnect_s: float = 2.0,
    ) -> None:
        """`forget_s`: TemporaryTimeout of its main.conf; `disconnect_s`: how long Disconnect takes, about 2 s."""
        self.adapter = f"/org/bluez/{adapter}"
        self.forget_s, self.disconnect_s = forget_s, disconnect_s
        self.calls: list[str] = []  # members called by clients, in order
        self.dropped_adverts = 0  # longer than 31 bytes: a kernel drops them
        self._powered, self._has_adapter = powered, has_adapter
        self._devices: dict[str, Device] = {}  # by path
        self._discoverers: dict[str, Mapping[str, Any]] = {}  # bus name of a client -> its filter
        self._filters: dict[str, Mapping[str, Any]] = {}
        self._failures: dict[str, list[BlueZError]] = {}
        self._tasks: set[asyncio.Task[Any]] = set()
        self._bus: MessageBus | None = None
        self.extra: dict[tuple[str, str], Handler] = {}  # further interfaces, such as one to control it
        self._handlers: dict[tuple[str, str], Handler] = {
            (MANAGER, "GetManagedObjects"): self._managed,
            (PROPERTIES, "Get"): self._get,
            (PROPERTIES, "GetAll"): self._get_all,
            (PROPERTIES, "Set"): self._set,
            (ADAPTER, "SetDiscoveryFilter"): self._set_filter,
            (ADAPTER, "StartDiscovery"): self._start_discovery,
            (ADAPTER, "StopDiscovery"): self._stop_discovery,
            (ADAPTER, "RemoveDevice"): self._remove_device,
            (DEVICE, "Connect"): self._connect,
            (DEVICE, "Disconnect"): self._disconnect,
            (CHARACTERISTIC, "ReadValue"): self._read,
            (CHARACTERISTIC, "WriteValue"): self._write,
            (CHARACTERISTIC, "StartNotify"): self._start_notify,
            (CHARACTERISTIC, "StopNotify"): self._stop_notify,
            (CHARACTERISTIC, "AcquireNotify"): self._acquire_notify,
            (DESCRIPTOR, "ReadValue"): self._read_descriptor,
        }

    # -- life on the bus ----------------------------------------------------------------------------------------

    @property
    def bus(self) -> MessageBus:
        if self._bus is None:
            raise RuntimeError("the simulated Bluetooth service is not running; call start() first")
        return self._bus

    @property
    def running(self) -> bool:
        return self._bus is not None

    async def start(self, address: str | None = None) -> None:
        """Own org.bluez on the bus at `address` (default: the one of DBUS_SYSTEM_BUS_ADDRESS).

        Raises RuntimeError when somebody owns the name already.
        """
        bus = MessageBus(address, BusType.SYSTEM, negotiate_unix_fd=True)
        self._bus = await bus.connect()
        self.tree = ObjectTree(bus)
        bus.add_message_handler(self._message)
        rule = "type='signal',member='NameOwnerChanged',sender='org.freedesktop.DBus'"
        await bus.call(to_bus("AddMatch", "org.freedesktop.DBus", "s", rule))
        self.tree.add("/org/bluez", f"{BLUEZ}.AgentManager1")
        for device in self._devices.values():
            device.attach(self.tree)
            self.spawn(device.advertise())
        # as bluetoothd does: the name first, its objects follow
        if await bus.request_name(BLUEZ, NameFlag.DO_NOT_QUEUE) is not RequestNameReply.PRIMARY_OWNER:
            await self.kill()
            raise RuntimeError(f"{BLUEZ} has an owner already on this bus")
        if self._has_adapter:
            self.plug_adapter()

    async def kill(self) -> None:
        """Leave the bus at once, as a crashed bluetoothd does: nobody is told anything but by the bus."""
        if self._bus is None:
            return
        bus, self._bus = self._bus, None
        tasks = [task for task in self._tasks if task is not asyncio.current_task()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for device in self._devices.values():
            device.detach()
        self._discoverers.clear()
        self._filters.clear()
        bus.disconnect()
        with contextlib.suppress(OSError, EOFError):  # a bus that died before says so here
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def spawn(self, work: Coroutine[Any, Any, Any]) -> asyncio.Task[Any]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def flush(self) -> None:
        """Return when the bus has taken all that was sent; to be awaited now and then in a burst."""
        await self.bus.call(to_bus("Ping", "org.freedesktop.DBus.Peer"))

    # -- what happens in the world ------------------------------------------------------------------------------

    def add(self, peripheral: Peripheral) -> Peripheral:
        """Put a peripheral on the air."""
        path = f"{self.adapter}/dev_{peripheral.address.replace(':', '_')}"
        self._devices[path] = device = Device(self, path, peripheral)
        if self.running:
            device.attach(self.tree)
            self.spawn(device.advertise())
        return peripheral

    def device(self, address: str) -> Device:
        """The device with this address. Raises KeyError."""
        for device in self._devices.values():
            if device.peripheral.address == address:
                return device
        raise KeyError(f"no peripheral {address}; there are {[d.peripheral.address for d in self._devices.values()]}")

    def drop(self, address: str) -> None:
        """The link breaks; the peripheral advertises again."""
        self.device(address).drop()

    def vanish(self, address: str) -> None:
        """The peripheral is switched off or carried away: its link breaks and it advertises no more."""
        device = self.device(address)
        device.reachable(False)
        device.drop()

    def appear(self, address: str) -> None:
        """It is back on the air."""
        self.device(address).reachable(True)

    def forget(self, address: str) -> None:
        """bluetoothd forgets the device: all its objects go."""
        device = self.device(address)
        device.drop()
        self.tree.remove(device.path)

    def notify(self, address: str, uuid: int | str, value: bytes) -> bool:
        """Send a notification of the first characteristic with this UUID; False when nobody is subscribed."""
        return self.device(address).notify(full_uuid(uuid), value)

    def power(self, on: bool) -> None:
        """Switch the adapter's radio on or off."""
        self._powered = on
        if not on:
            for device in self._devices.values():
                device.drop()
            self._discoverers.clear()
            self.tree.change(self.adapter, ADAPTER, Powered=False, Discovering=False)
        else:
            self.tree.change(self.adapter, ADAPTER, Powered=True)

    def plug_adapter(self) -> None:
        """A USB radio is plugged in."""
        self._has_adapter = True
        self.tree.add(
            self.adapter,
            ADAPTER,
            Address="02:00:00:00:00:01",
            AddressType="public",
            Name="simulated",
            Alias="simulated",
            Class=0,
            Powered=self._powered,
            Discoverable=False,
            Pairable=False,
            DiscoverableTimeout=180,
            PairableTimeout=0,
            Discovering=False,
            UUIDs=[],
            Roles=["central"],
        )

    def unplug_adapter(self) -> None:
        """The USB radio is pulled out: its devices' objects go, then its own."""
        self._has_adapter = False
        for device in self._devices.values():
            device.drop()
        self._discoverers.clear()
        self.tree.remove(self.adapter)

    def fail_next(self, member: str, name: str, text: str = "", times: int = 1) -> None:
        """Answer the next `times` calls of `member` with an error: "Failed" is org.bluez.Error.Failed."""
        self._failures.setdefault(member, []).extend(BlueZError(name, text) for _ in range(times))

    @property
    def scanning(self) -> bool:
        return bool(self._discoverers) and self._powered

    def wanted(self, uuids: set[str]) -> bool:
        """Whether a client's discovery filter lets an advert with these service UUIDs through."""
        filters = [set(filter_["UUIDs"].value) for filter_ in self._discoverers.values() if "UUIDs" in filter_]
        return len(filters) < len(self._discoverers) or any(uuids & wanted for wanted in filters)

    # -- calls --------------------------------------------------------------------------------------------------

    def _message(self, message: Message) -> bool | None:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._client_gone(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL or message.interface is None:
            return None
        key = (message.interface, message.member or "")
        handler = self._handlers.get(key) or self.extra.get(key)
        if handler is None:
            return None  # dbus-fast answers Introspect, Peer and unknown methods
        self.spawn(self._answer(handler, message))
        return True

    async def _answer(self, handler: Handler, message: Message) -> None:
        member = message.member or ""
        self.calls.append(member)
        try:
            if queued := self._failures.get(member):
                raise queued.pop(0)
            path, interface = message.path or "", message.interface or ""
            if interface.startswith(BLUEZ) and interface not in self.tree.interfaces(path):
                text = f'Method "{member}" with interface "{interface}" on "{path}" doesn\'t exist'
                raise BlueZError("org.freedesktop.DBus.Error.UnknownObject", text)
            reply = await handler(message)
        except BlueZError as error:
            self.bus.send(Message.new_error(message, error.name, str(error)))
            return
        signature, body, *fds = reply or ("", [])
        await self.bus.send(Message.new_method_return(message, signature, body, fds[0] if fds else []))

    def _client_gone(self, name: str) -> None:
        self._filters.pop(name, None)
        if self._discoverers.pop(name, None) is not None:
            self._discovery_ended()
        for device in self._devices.values():
            device.unsubscribe(name)

    async def _managed(self, _: Message) -> Reply:
        return "a{oa{sa{sv}}}", [self.tree.managed()]

    async def _get(self, message: Message) -> Reply:
        interface, name = message.body
        value = self.tree.get(message.path or "", interface, name)
        if value is None:
            raise BlueZError("org.freedesktop.DBus.Error.InvalidArgs", f"No such property '{name}'")
        return "v", [variant(name, value)]

    async def _get_all(self, message: Message) -> Reply:
        properties = self.tree.interfaces(message.path or "").get(message.body[0], {})
        return "a{sv}", [{name: variant(name, value) for name, value in properties.items()}]

    async def _set(self, message: Message) -> Reply:
        interface, name, value = message.body
        if (interface, name) == (ADAPTER, "Powered"):
            self.power(value.value)
        else:
            self.tree.change(message.path or "", interface, **{name: value.value})
        return None

    # -- Adapter1 -----------------------------------------------------------------------------------------------

    async def _set_filter(self, message: Message) -> Reply:
        self._filters[message.sender or ""] = message.body[0]
        return None

    async def _start_discovery(self, message: Message) -> Reply:
        sender = message.sender or ""
        if not self._powered:
            raise BlueZError("NotReady", "Resource Not Ready")
        if sender in self._discoverers:
            raise BlueZError("InProgress", "Operation already in progress")
        self._discoverers[sender] = self._filters.get(sender, {})
        self.tree.change(self.adapter, ADAPTER, Discovering=True)
        return None

    async def _stop_discovery(self, message: Message) -> Reply:
        if self._discoverers.pop(message.sender or "", None) is None:
            raise BlueZError("Failed", "No discovery started")
        self._discovery_ended()
        return None

    def _discovery_ended(self) -> None:
        if not self._discoverers:
            self.tree.change(self.adapter, ADAPTER, Discovering=False)
            for device in self._devices.values():
                self.tree.change(device.path, DEVICE, invalid=["RSSI"])

    async def _remove_device(self, message: Message) -> Reply:
        device = self._devices.get(message.body[0])
        if device is None or device.path not in self.tree:
            raise BlueZError("DoesNotExist", "Does Not Exist")
        self.forget(device.peripheral.address)
        return None

    # -- Device1 and its attributes -----------------------------------------------------------------------------

    def _device_of(self, message: Message) -> Device:
        path = "/".join((message.path or "").split("/")[:5])
        return self._devices[path]

    async def _connect(self, message: Message) -> Reply:
        await self._device_of(message).connect()
        return None

    async def _disconnect(self, message: Message) -> Reply:
        await self._device_of(message).disconnect(self.disconnect_s)
        return None

    async def _read(self, message: Message) -> Reply:
        return "ay", [self._device_of(message).read(message.path or "")]

    async def _write(self, message: Message) -> Reply:
        self._device_of(message).write(message.path or "", bytes(message.body[0]))
        return None

    async def _start_notify(self, message: Message) -> Reply:
        self._device_of(message).subscribe(message.path or "", message.sender or "")
        return None

    async def _stop_notify(self, message: Message) -> Reply:
        if not self._device_of(message).unsubscribe(message.sender or "", message.path or ""):
            raise BlueZError("Failed", "No notify session started")
        return None

    async def _acquire_notify(self, message: Message) -> Reply:
        theirs = self._device_of(message).acquire(message.path or "")
        # the message must have left before our copy of the descriptor may go
        asyncio.get_running_loop().call_later(1.0, theirs.close)
        return "hq", [0, 517], [theirs.fileno()]

    async def _read_descriptor(self, message: Message) -> Reply:
        return "ay", [self.tree.get(message.path or "", DESCRIPTOR, "Value")]
