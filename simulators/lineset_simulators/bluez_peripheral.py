"""A simulated Bluetooth LE peripheral as data: what it advertises, and its table of attributes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

BASE = "-0000-1000-8000-00805f9b34fb"
LEGACY_ADVERT_BYTES = 31


def full_uuid(uuid: int | str) -> str:
    """0x2A6E as the 128-bit text that D-Bus carries; a text stays as it is."""
    return f"0000{uuid:04x}{BASE}" if isinstance(uuid, int) else uuid.lower()


@dataclass
class Descriptor:
    """A descriptor with a fixed value."""

    uuid: int | str
    value: bytes = b""


@dataclass
class Characteristic:
    """A characteristic. `value` is asked at each read and each notification.

    `notify_s` is the time between notifications in seconds at a pace of 1; None: only when `SimulatedBluez.notify`
    says so.
    `value` may give None to a notification: nothing is sent that time.
    """

    uuid: int | str
    value: Callable[[], bytes | None]
    flags: Sequence[str] = ("read",)
    descriptors: Sequence[Descriptor] = ()
    notify_s: float | None = None

    @property
    def notifies(self) -> bool:
        return "notify" in self.flags or "indicate" in self.flags


@dataclass
class Service:
    """A primary service."""

    uuid: int | str
    characteristics: Sequence[Characteristic]


@dataclass
class Peripheral:
    """One device on the air. Times are in real seconds; those of measurements go `pace` times as fast.

    `service_data` is asked at each advert: 16-bit UUID -> bytes; None: nothing is advertised this time.
    """

    address: str
    name: str = ""
    services: Sequence[Service] = ()
    advertised: Sequence[int] = ()  # 16-bit service UUIDs in the advert
    service_data: Callable[[], Mapping[int, bytes] | None] = dict
    advert_s: float = 0.25
    rssi: Callable[[], int] = lambda: -60
    connectable: bool = True
    connect_s: float = 0.02
    resolve_s: float = 0.02
    reachable: bool = True  # False: out of range or off
    pace: float = 1.0  # visit seconds for each real one
    keeps_subscriptions: bool = True  # goes on notifying after a reconnect, as seen on real ones
    written: list[tuple[str, bytes]] = field(default_factory=list)  # (UUID, value) of all writes

    @property
    def advert_pause_s(self) -> float:
        """Real seconds between adverts. A beacon's carry measurements and keep pace; others are there to be found."""
        return self.advert_s if self.connectable else self.advert_s / self.pace

    def advert_bytes(self, service_data: Mapping[int, bytes]) -> int:
        """The length of its legacy advert: flags, 16-bit UUIDs, service data. The name is in the scan response."""
        uuids = 2 + 2 * len(self.advertised) if self.advertised else 0
        return 3 + uuids + sum(4 + len(data) for data in service_data.values())
