"""BTHome v2: measurements in Bluetooth LE advertisements, plain and encrypted.

Service data of the 16-bit UUID 0xFCD2: an information byte (bit 0 encrypted, bit 1 a reversed address follows,
bit 2 sent on trigger only, bits 5 to 7 the version), then objects: an id byte and a value, little-endian.
Encrypted packets are AES-CCM with a 16-byte key, a 4-byte integrity code and a 4-byte counter that must rise.

Source: bthome.io/format and bthome.io/encryption; ids and factors as in bthome-ble 3.25.0.
"""

from __future__ import annotations

from typing import NamedTuple

from ..errors import Damaged, Foreign, Garbled, InstrumentError, ProfileError, Short
from .bthome_objects import OBJECTS, Kind, ObjectType

SERVICE_UUID = 0xFCD2
_ENCRYPTED, _ADDRESS, _TRIGGER = 0x01, 0x02, 0x04
_BUTTON = {0: "none", 1: "press", 2: "double_press", 3: "triple_press", 4: "long_press", 5: "long_double_press"}
_BUTTON |= {6: "long_triple_press", 0x80: "hold_press"}
_DIMMER = {0: "none", 1: "rotate_left", 2: "rotate_right"}


class KeyNeeded(InstrumentError):
    """An encrypted packet came and the receiver was given no key."""


class Downgraded(Foreign):
    """A plain packet from a beacon whose packets must be encrypted: anyone could have sent it."""


class Replayed(Foreign):
    """An encrypted packet whose counter does not rise: old, or recorded and sent again by someone."""


class Measurement(NamedTuple):
    """One object of an advert. `instance` counts objects of the same name from 1 in order of arrival."""

    name: str
    instance: int
    value: float | str | None  # None: an event code that is not assigned
    unit: str
    object_id: int
    kind: Kind
    repeated: bool = False  # the advert holds several of this name

    @property
    def label(self) -> str:
        """ "temperature", or "temperature_2" where the advert holds several."""
        return f"{self.name}_{self.instance}" if self.repeated else self.name


class Advert(NamedTuple):
    """A decoded packet. `again` True: the same measurement was received before and nothing is new."""

    address: str
    objects: tuple[Measurement, ...]
    packet_id: int | None
    encrypted: bool
    on_trigger: bool
    counter: int | None
    again: bool
    rest: bytes  # what stands behind an unknown id or was cut off; not decoded
    raw: bytes

    def find(self, name: str, instance: int = 1, kind: Kind = Kind.SENSOR) -> Measurement | None:
        """The `instance`-th object called `name`, or None. `kind` tells battery per cent from battery low."""
        return next((o for o in self.objects if (o.name, o.instance, o.kind) == (name, instance, kind)), None)


class _Heard(NamedTuple):
    packet_id: int | None
    counter: int | None
    raw: bytes


class Receiver:
    """The listening side. Remembers each address's last packet, so it is stateful; it does no I/O."""

    def __init__(self, bindkey: bytes | str | None = None) -> None:
        """`bindkey`: 16 bytes or 32 hex digits. With one, plain packets are refused.

        Raises ProfileError when the key has another length.
        """
        if isinstance(bindkey, str):
            try:
                bindkey = bytes.fromhex(bindkey)
            except ValueError as error:
                raise ProfileError(
                    "the bind key is not hexadecimal", remedy="Write its 32 digits 0-9 and a-f.", key="bindkey"
                ) from error
        if bindkey is not None and len(bindkey) != 16:
            raise ProfileError(
                f"the bind key has {len(bindkey)} bytes", remedy="It must be 16 bytes, 32 digits.", key="bindkey"
            )
        self._key = bindkey
        self._heard: dict[str, _Heard] = {}

    def forget(self, address: str) -> None:
        """Start anew with `address`: after a change of its battery a beacon may count from zero again."""
        self._heard.pop(address.upper(), None)

    def receive(self, address: str, service_data: bytes) -> Advert:
        """Decode one packet of service data (what follows the UUID) heard from `address` ("AA:BB:...").

        Objects up to an unknown id or a cut value are kept, the bytes from there on are in `rest`. A packet
        id or counter (with the same bytes) heard before gives `again`.

        Raises Short (no information byte, or an encrypted packet too short to hold its counter and code),
        Garbled (another version of the format), KeyNeeded, Damaged (wrong key, or altered on the way),
        Downgraded, Replayed. After an error nothing is remembered of the packet.
        """
        if not service_data:
            raise Short(address, "the BTHome service data is empty")
        info, body = service_data[0], service_data[1:]
        if info >> 5 != 2:
            raise Garbled(address, f"BTHome version {info >> 5} is not known here, only version 2")
        if info & _ADDRESS:
            if len(body) < 6:
                raise Short(address, f"{len(body)} bytes where an address of 6 belongs")
            address, body = ":".join(f"{byte:02X}" for byte in reversed(body[:6])), body[6:]
        address = address.upper()
        last = self._heard.get(address)
        counter: int | None = None
        if info & _ENCRYPTED:
            counter, body = self._decrypt(address, info, body, last, service_data)
        elif self._key is not None:
            raise Downgraded(
                address,
                "it sent a plain packet although its packets must be encrypted",
                remedy="Switch encryption on in the beacon, or take its bind key out of the configuration.",
            )
        objects, rest = _objects(body)
        packet = next((int(o.value) for o in objects if o.object_id == 0x00 and isinstance(o.value, float)), None)
        again = last is not None and (
            (counter is not None and counter == last.counter) or (packet is not None and packet == last.packet_id)
        )
        self._heard[address] = _Heard(packet, counter, service_data)
        return Advert(
            address,
            tuple(o for o in objects if o.object_id != 0x00),
            packet,
            bool(info & _ENCRYPTED),
            bool(info & _TRIGGER),
            counter,
            again,
            rest,
            bytes(service_data),
        )

    def _decrypt(
        self, address: str, info: int, body: bytes, last: _Heard | None, service_data: bytes
    ) -> tuple[int, bytes]:
        if self._key is None:
            raise KeyNeeded(
                address,
                "it sends encrypted packets and no key was given",
                remedy="Enter the beacon's bind key (32 digits) in the configuration.",
            )
        if len(body) < 8:
            raise Short(address, f"{len(body)} bytes cannot hold a counter and an integrity code")
        sealed, count, code = body[:-8], body[-8:-4], body[-4:]
        counter = int.from_bytes(count, "little")
        seen = None if last is None else last.counter
        if last is not None and seen is not None and (counter < seen or (counter == seen and service_data != last.raw)):
            remedy = "If its battery was just changed, restart lineset; if not, somebody sends recorded packets again."
            raise Replayed(address, f"the packet counter went from {seen} to {counter}", remedy=remedy)
        # a late import: cryptography takes longer to load than all the codecs together
        from cryptography.exceptions import InvalidTag
        from cryptography.hazmat.primitives.ciphers.aead import AESCCM

        nonce = bytes.fromhex(address.replace(":", "")) + SERVICE_UUID.to_bytes(2, "little") + bytes([info]) + count
        try:
            return counter, AESCCM(self._key, tag_length=4).decrypt(nonce, sealed + code, None)
        except InvalidTag as error:
            raise Damaged(
                address,
                "the integrity code does not match",
                remedy="Check the bind key; if it is right, the packet was damaged or altered on the way.",
            ) from error


def _objects(payload: bytes) -> tuple[list[Measurement], bytes]:
    found: list[tuple[ObjectType, float | str | None]] = []
    at = 0
    while at < len(payload):
        known = OBJECTS.get(payload[at])
        if known is None or known.size_bytes is None:
            break  # its length is unknown, so is everything behind it
        start, size = at + 1, known.size_bytes
        if known.format in ("text", "raw"):  # a length byte comes first
            if start >= len(payload):
                break
            start, size = start + 1, payload[start]
        if start + size > len(payload):
            break
        found.append((known, _value(known, payload[start : start + size])))
        at = start + size
    names = [(known.kind, known.name) for known, _ in found]
    return [
        Measurement(
            known.name,
            names[: index + 1].count((known.kind, known.name)),
            value,
            known.unit,
            known.object_id,
            known.kind,
            names.count((known.kind, known.name)) > 1,
        )
        for index, (known, value) in enumerate(found)
    ], payload[at:]


def _value(known: ObjectType, data: bytes) -> float | str | None:
    match known.format:
        case "text":
            return data.decode("utf-8", "replace")
        case "raw":
            return data.hex()
        case "button":
            return _BUTTON.get(data[0])
        case "dimmer":
            turn = _DIMMER.get(data[0])
            return None if turn is None else f"{turn} {int.from_bytes(data[1:], 'little', signed=True)}"
        case "version":
            return ".".join(str(byte) for byte in reversed(data))
    number = int.from_bytes(data, "little", signed=known.format == "sint")
    return number * known.multiplier / known.divisor  # one division of integers: correctly rounded
