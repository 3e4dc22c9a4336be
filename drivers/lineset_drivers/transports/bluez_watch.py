"""Watches what the Bluetooth library does not tell on Linux: that the service died or came back, and its adapters.

When bluetoothd dies no callback runs and open links look alive; when a radio is switched off and on a scan ends for
good without a word. The message bus knows both.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from enum import StrEnum
from typing import TYPE_CHECKING

import structlog

if TYPE_CHECKING:
    from dbus_fast import Message

log = structlog.get_logger(__name__)

_SERVICE, _ADAPTER = "org.bluez", "org.bluez.Adapter1"
_RULES = (
    f"type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged',arg0='{_SERVICE}'",
    f"type='signal',member='PropertiesChanged',path_namespace='/org/bluez',arg0='{_ADAPTER}'",
    "type='signal',interface='org.freedesktop.DBus.ObjectManager',member='InterfacesAdded',arg0path='/org/bluez/'",
    "type='signal',interface='org.freedesktop.DBus.ObjectManager',member='InterfacesRemoved',arg0path='/org/bluez/'",
)
RETRY_S = 2.0


class Shake(StrEnum):
    """What happened to the radio."""

    SERVICE_GONE = "the Bluetooth service stopped"
    SERVICE_BACK = "the Bluetooth service started"
    BUS_GONE = "the message bus broke down"
    SWITCHED_OFF = "the Bluetooth radio was switched off"
    SWITCHED_ON = "the Bluetooth radio was switched on"
    ADAPTER_GONE = "the Bluetooth radio was pulled out"
    ADAPTER_BACK = "a Bluetooth radio was plugged in"


async def watch(tell: Callable[[Shake], None], ready: asyncio.Event) -> None:
    """Call `tell` for everything that happens to the radio, until cancelled. Elsewhere than on Linux: never.

    `ready` is set once it watches, or cannot.
    """
    if sys.platform != "linux":
        ready.set()
        await asyncio.get_running_loop().create_future()
    while True:
        try:
            await _watch_once(tell, ready)
        except Exception as error:
            # no bus, or no permission: the scanner fails for the same reason and says so in better words
            log.debug("no watch on the Bluetooth service", error=str(error) or type(error).__name__)
        ready.set()
        await asyncio.sleep(RETRY_S)


async def _watch_once(tell: Callable[[Shake], None], ready: asyncio.Event) -> None:
    from dbus_fast import BusType, Message
    from dbus_fast.aio import MessageBus

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
        bus.add_message_handler(lambda message: _understand(message, tell))
        for rule in _RULES:
            await bus.call(
                Message(
                    destination="org.freedesktop.DBus",
                    path="/org/freedesktop/DBus",
                    interface="org.freedesktop.DBus",
                    member="AddMatch",
                    signature="s",
                    body=[rule],
                )
            )
        ready.set()
        try:
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        finally:
            if not bus.connected:
                tell(Shake.BUS_GONE)
    finally:
        bus.disconnect()


def _understand(message: Message, tell: Callable[[Shake], None]) -> None:
    body = message.body
    match message.member:
        case "NameOwnerChanged" if body[0] == _SERVICE:
            if body[1]:
                tell(Shake.SERVICE_GONE)
            if body[2]:
                tell(Shake.SERVICE_BACK)
        case "PropertiesChanged" if body[0] == _ADAPTER and "Powered" in body[1]:
            tell(Shake.SWITCHED_ON if body[1]["Powered"].value else Shake.SWITCHED_OFF)
        case "InterfacesAdded" if _ADAPTER in body[1]:
            tell(Shake.ADAPTER_BACK)
        case "InterfacesRemoved" if _ADAPTER in body[1]:
            tell(Shake.ADAPTER_GONE)
