"""The objects of one D-Bus service: a tree of paths, interfaces and properties that tells its changes by itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

BLUEZ = "org.bluez"
ADAPTER, DEVICE, BATTERY = f"{BLUEZ}.Adapter1", f"{BLUEZ}.Device1", f"{BLUEZ}.Battery1"
SERVICE, CHARACTERISTIC, DESCRIPTOR = (f"{BLUEZ}.Gatt{part}1" for part in ("Service", "Characteristic", "Descriptor"))
MANAGER, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
INTROSPECTABLE = "org.freedesktop.DBus.Introspectable"

_SIGNATURES = {  # signature -> properties of that type, for all interfaces
    "s": "Address AddressType Name Alias UUID Modalias",
    "b": "Powered Discoverable Pairable Discovering Paired Bonded Trusted Blocked LegacyPairing Connected "
    "ServicesResolved Primary Notifying NotifyAcquired",
    "u": "Class PairableTimeout DiscoverableTimeout",
    "o": "Adapter Device Service Characteristic",
    "as": "UUIDs Roles Flags",
    "ao": "Includes",
    "ay": "Value",
    "n": "RSSI",
    "q": "MTU",
    "y": "Percentage",
    "a{sv}": "ServiceData",
}
_SIGNATURE = {name: signature for signature, names in _SIGNATURES.items() for name in names.split()}


class BlueZError(Exception):
    """An error reply. `name` without a dot is one of BlueZ's own: "Failed" is org.bluez.Error.Failed."""

    def __init__(self, name: str, text: str = "") -> None:
        super().__init__(text)
        self.name = name if "." in name else f"{BLUEZ}.Error.{name}"


def variant(name: str, value: Any) -> Variant:
    """The value of the property `name` with its D-Bus type."""
    signature = _SIGNATURE[name]
    if signature == "a{sv}":
        value = {key: Variant("ay", bytes(data)) for key, data in value.items()}
    return Variant(signature, value)


def _variants(properties: Mapping[str, Any]) -> dict[str, Variant]:
    return {name: variant(name, value) for name, value in properties.items()}


class ObjectTree:
    """path -> interface -> property -> plain value. Every change is signalled as ObjectManager and Properties do."""

    def __init__(self, bus: MessageBus) -> None:
        self._bus = bus
        self._objects: dict[str, dict[str, dict[str, Any]]] = {}

    def __contains__(self, path: str) -> bool:
        return path in self._objects

    def interfaces(self, path: str) -> Mapping[str, Mapping[str, Any]]:
        return self._objects.get(path, {})

    def below(self, path: str) -> list[str]:
        """The paths under `path`, parents first."""
        return sorted(p for p in self._objects if p.startswith(path + "/"))

    def get(self, path: str, interface: str, name: str) -> Any:
        """A property's plain value; None when object, interface or property are not there."""
        return self._objects.get(path, {}).get(interface, {}).get(name)

    def managed(self) -> dict[str, dict[str, dict[str, Variant]]]:
        """The body of the reply to GetManagedObjects."""
        return {
            path: {interface: _variants(properties) for interface, properties in interfaces.items()}
            for path, interfaces in self._objects.items()
        }

    def add(self, path: str, interface: str, **properties: Any) -> None:
        """A new interface, on a new object or on one that is there."""
        standard: dict[str, dict[str, Variant]] = {}
        if path not in self._objects:
            standard = {INTROSPECTABLE: {}, PROPERTIES: {}}
        self._objects.setdefault(path, {})[interface] = properties
        added = {interface: _variants(properties)} | standard
        self.signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, added])

    def remove(self, path: str, interface: str | None = None) -> None:
        """One interface, or the whole object with all that is under it (children first)."""
        if interface is not None:
            if self._objects.get(path, {}).pop(interface, None) is not None:
                self.signal("/", MANAGER, "InterfacesRemoved", "oas", [path, [interface]])
            return
        for gone in (*reversed(self.below(path)), path):
            interfaces = self._objects.pop(gone, None)
            if interfaces is not None:
                names = [*interfaces, INTROSPECTABLE, PROPERTIES]
                self.signal("/", MANAGER, "InterfacesRemoved", "oas", [gone, names])

    def change(self, path: str, interface: str, *, invalid: Iterable[str] = (), **properties: Any) -> None:
        """Set properties and tell all of them in one signal; `invalid` ones are taken away."""
        current = self._objects.get(path, {}).get(interface)
        if current is None:
            return
        current.update(properties)
        gone = [name for name in invalid if current.pop(name, None) is not None]
        if properties or gone:
            body = [interface, _variants(properties), gone]
            self.signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        """Send a signal; nothing happens once the bus is gone."""
        if self._bus.connected:
            sent = self._bus.send(
                Message(
                    message_type=MessageType.SIGNAL,
                    path=path,
                    interface=interface,
                    member=member,
                    signature=signature,
                    body=body,
                )
            )
            sent.add_done_callback(lambda future: future.cancelled() or future.exception())
