"""Controls of the simulated Bluetooth service for other processes, as a D-Bus interface beside org.bluez.

On the same bus, name org.bluez, path /simulator, interface lineset.Simulator1:

    Drop(s address)  Vanish(s address)  Appear(s address)  Forget(s address)    one peripheral
    Power(b on)  FailNext(s member, s error, s text, u times)  Kill()           the radio and its service
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dbus_fast import BusType, Message, MessageType
from dbus_fast.aio import MessageBus

from lineset_simulators.bluez import Reply, SimulatedBluez
from lineset_simulators.bluez_objects import BLUEZ, BlueZError

INTERFACE, PATH = "lineset.Simulator1", "/simulator"
SIGNATURES = {"Drop": "s", "Vanish": "s", "Appear": "s", "Forget": "s", "Power": "b", "FailNext": "sssu", "Kill": ""}


class ControlError(Exception):
    """The simulated service refused a control, or is not there."""


def offer_control(bluez: SimulatedBluez) -> None:
    """Let other processes control `bluez`; call it before or after its start."""

    def handle(action: Callable[..., None]) -> Callable[[Message], Any]:
        async def handler(message: Message) -> Reply:
            try:
                action(*message.body)
            except (KeyError, TypeError) as error:
                raise BlueZError(f"{INTERFACE}.Refused", str(error)) from error
            return None

        return handler

    async def kill(_: Message) -> Reply:
        bluez.spawn(bluez.kill())  # after the reply has left
        return None

    actions: dict[str, Callable[..., None]] = {
        "Drop": bluez.drop,
        "Vanish": bluez.vanish,
        "Appear": bluez.appear,
        "Forget": bluez.forget,
        "Power": bluez.power,
        "FailNext": bluez.fail_next,
    }
    for member, action in actions.items():
        bluez.extra[INTERFACE, member] = handle(action)
    bluez.extra[INTERFACE, "Kill"] = kill


async def control(member: str, *arguments: Any, address: str | None = None) -> None:
    """Use a control of the simulated service on the bus at `address` (default: DBUS_SYSTEM_BUS_ADDRESS).

    Raises ControlError when it refuses or is not there.
    """
    bus = await MessageBus(address, BusType.SYSTEM).connect()
    try:
        reply = await bus.call(
            Message(
                destination=BLUEZ,
                path=PATH,
                interface=INTERFACE,
                member=member,
                signature=SIGNATURES[member],
                body=list(arguments),
            )
        )
        if reply is not None and reply.message_type is MessageType.ERROR:
            raise ControlError(f"{member}{arguments}: {reply.error_name}: {' '.join(map(str, reply.body))}")
    finally:
        bus.disconnect()
