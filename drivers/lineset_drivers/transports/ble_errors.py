"""What went wrong with Bluetooth, as a sentence for the technician: no radio, switched off, no permission, no service.

Libraries are imported late: this is only needed once something has failed.
"""

from __future__ import annotations

from ..errors import DriverError, InstrumentError, LinkClosed, LinkError, Refused, Silence

RADIO = "Bluetooth"
_NO_SERVICE = ("ServiceUnknown", "NameHasNoOwner", "Spawn.", "Disconnected", "NoServer", "FileNotFound")

NO_RADIO = LinkError(
    RADIO,
    "this computer has no Bluetooth radio",
    remedy="Plug in a Bluetooth adapter, or switch the built-in one on in the computer's set-up",
)
NO_LOW_ENERGY = LinkError(
    RADIO,
    "the Bluetooth radio is too old for Low Energy instruments",
    remedy="Plug in an adapter for Bluetooth 4.0 or later",
)
SWITCHED_OFF = LinkError(
    RADIO,
    "the Bluetooth radio is switched off",
    remedy="Switch Bluetooth on, and flight mode off",
)
NO_PERMISSION = LinkError(
    RADIO,
    "this user may not use Bluetooth",
    remedy="Allow it in the system's privacy settings; on Linux ask for membership in the group 'bluetooth'",
)
NO_SERVICE = LinkError(
    RADIO,
    "the computer's Bluetooth service is not running",
    remedy="Start it (on Linux: sudo systemctl start bluetooth), or install it (Debian: the package bluez)",
)


def radio_problem(error: BaseException) -> LinkError:
    """Why the radio cannot be used."""
    from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason, BleakDBusError, BleakError

    if isinstance(error, LinkError):
        return error
    if isinstance(error, BleakBluetoothNotAvailableError):
        reasons = BleakBluetoothNotAvailableReason
        known = {
            reasons.NO_BLUETOOTH: NO_RADIO,
            reasons.NO_BLE_CENTRAL_ROLE: NO_LOW_ENERGY,
            reasons.POWERED_OFF: SWITCHED_OFF,
            reasons.DENIED_BY_USER: NO_PERMISSION,
            reasons.DENIED_BY_SYSTEM: NO_PERMISSION,
            reasons.DENIED_BY_UNKNOWN: NO_PERMISSION,
        }
        if error.reason in known:
            return _fresh(known[error.reason])
    if isinstance(error, BleakDBusError):
        name = error.dbus_error
        if name.endswith(".NotReady"):
            return _fresh(SWITCHED_OFF)
        if any(part in name for part in ("AccessDenied", "AuthFailed", "NotAuthorized")):
            return _fresh(NO_PERMISSION)
        if any(part in name for part in _NO_SERVICE):
            return _fresh(NO_SERVICE)
    if isinstance(error, PermissionError):
        return _fresh(NO_PERMISSION)
    if isinstance(error, BleakError) and "adapter" in str(error) and "not found" in str(error):
        return LinkError(RADIO, str(error), remedy="Plug it in, or correct the adapter's name in the configuration")
    # without a message bus there is no service either
    if isinstance(error, (OSError, EOFError)) or type(error).__name__ in ("InvalidAddressError", "AuthError"):
        return _fresh(NO_SERVICE)
    return LinkError(
        RADIO,
        f"the radio does not work ({_text(error)})",
        remedy="Switch Bluetooth off and on, or restart the computer",
    )


def connect_problem(error: BaseException, where: str) -> DriverError:
    """Why an instrument that was heard, or is known, cannot be connected to."""
    from bleak.exc import BleakDBusError, BleakDeviceNotFoundError, BleakError

    if isinstance(error, DriverError):
        return error
    if isinstance(error, TimeoutError):
        return LinkError(
            where,
            "it does not answer",
            remedy="Bring it nearer, switch it on, and see that no telephone is connected to it",
        )
    if isinstance(error, BleakDeviceNotFoundError) or (isinstance(error, BleakError) and "not found" in str(error)):
        return LinkError(
            where,
            "it has not been heard for a while",
            remedy="Switch it on and keep it near; it is taken up when heard",
        )
    of_the_instrument = isinstance(error, BleakError)
    if isinstance(error, BleakDBusError):
        name = error.dbus_error
        of_the_instrument = name.startswith("org.bluez.Error.") and not name.endswith(".NotReady")
    if not of_the_instrument:
        return radio_problem(error)
    return LinkError(
        where,
        f"connecting to it failed ({_text(error)})",
        remedy="It is tried again; bring it nearer if this goes on",
    )


def asking_problem(error: BaseException, where: str, what: str) -> DriverError:
    """Why a read or a subscription failed on an open link."""
    from bleak.exc import BleakDBusError, BleakGATTProtocolError

    if isinstance(error, InstrumentError):
        return error
    if isinstance(error, TimeoutError):
        return Silence(where, f"it does not answer a question for {what}", remedy="Bring it nearer")
    if isinstance(error, BleakGATTProtocolError):
        code = int(error.code)
        remedy = "Pair it with this computer first" if code in (0x05, 0x08, 0x0C, 0x0F) else "Check the profile"
        return Refused(where, f"it refuses {what} ({error.args[1]})", code=code, remedy=remedy)
    if isinstance(error, BleakDBusError):
        refused = any(part in error.dbus_error for part in ("NotSupported", "NotPermitted", ".Failed"))
        if refused and "Not connected" not in str(error):
            return Refused(where, f"it refuses {what} ({_text(error)})", remedy="Check the profile")
    return closed(where)


def closed(where: str, problem: str = "the radio link broke") -> LinkClosed:
    """The error of a link that ended."""
    return LinkClosed(where, problem, remedy="Bring it nearer, and see that it is switched on; it is sought again")


def _fresh(known: LinkError) -> LinkError:
    """A copy to raise, so that tracebacks do not pile up in a constant."""
    return LinkError(known.where, known.problem, remedy=known.remedy)


def _text(error: BaseException) -> str:
    return str(error) or type(error).__name__
