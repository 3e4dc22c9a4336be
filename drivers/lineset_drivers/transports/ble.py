"""The Bluetooth LE radio: one scanner for all instruments, and links to those that are connected to.

The only file that uses bleak, which is imported when the radio is switched on and not before. Times are in real
seconds. What is looked after here, because the library does not:

- after a broken link `disconnect()` is awaited all the same, or a file descriptor and a bus connection leak;
- the death of the Bluetooth service runs no callback (see bluez_watch), so links are closed when it is seen;
- a scan ends silently when the radio is switched off, so it is begun anew;
- a read of a characteristic that is subscribed to comes back as a notification too, which is swallowed;
- a device that the system still holds connected, say for a program that crashed, does not advertise.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import structlog

from ..errors import LinkClosed, LinkError
from ..protocols.gatt import full_uuid
from .ble_errors import asking_problem, closed, connect_problem, radio_problem
from .bluez_watch import Shake, watch

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

log = structlog.get_logger(__name__)

CONNECT_S = 10.0
ANSWER_S = 5.0
SCAN_RETRY_S = 2.0
SETTLE_S = 0.05  # the library hears of a change on another connection than we do
QUIET_S = 60.0  # nothing heard of anyone for so long: the scan may have died silently
ECHO_S = 0.25
NO_RSSI = -127


class Heard(NamedTuple):
    """One advert, or what the system tells of several alike."""

    address: str
    name: str
    rssi: int | None  # dBm
    services: frozenset[str]  # 128-bit UUIDs
    service_data: Mapping[str, bytes]

    def data(self, uuid: int | str) -> bytes | None:
        """The service data under this UUID."""
        return self.service_data.get(full_uuid(uuid))


class RemoteDescriptor(NamedTuple):
    """A descriptor of an open link."""

    uuid: str
    handle: int


class RemoteCharacteristic(NamedTuple):
    """A characteristic of an open link; its handle is what it is addressed by, as UUIDs may repeat."""

    service: str
    uuid: str
    handle: int
    properties: frozenset[str]
    descriptors: tuple[RemoteDescriptor, ...]

    def descriptor(self, uuid: int | str) -> RemoteDescriptor | None:
        """Its first descriptor with this UUID."""
        return next((d for d in self.descriptors if d.uuid == full_uuid(uuid)), None)


class GattLink:
    """An open link to one instrument. `Radio.connect` makes it; `closed` is set when it ends, with `reason`."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.where = f"ble://{address}"
        self.characteristics: tuple[RemoteCharacteristic, ...] = ()
        self.closed = asyncio.Event()
        self.reason: LinkClosed | None = None
        self._client: BleakClient | None = None
        self._release: asyncio.Task[None] | None = None
        self._reading: dict[int, list[bytes]] = {}  # notifications that came while a read was under way
        self._echo: dict[int, tuple[bytes, float]] = {}
        self._listeners: dict[int, Callable[[bytes], None]] = {}

    def find(self, uuid: int | str, service: int | str = "") -> tuple[RemoteCharacteristic, ...]:
        """All characteristics with this UUID (in this service, if one is given), by rising handle."""
        wanted, within = full_uuid(uuid), full_uuid(service) if service else ""
        found = [c for c in self.characteristics if c.uuid == wanted and within in ("", c.service)]
        return tuple(sorted(found, key=lambda c: c.handle))

    async def read(self, characteristic: RemoteCharacteristic, *, timeout_s: float = ANSWER_S) -> bytes:
        """The value now. Raises LinkClosed, Silence, Refused."""
        handle = characteristic.handle
        held: list[bytes] = []
        self._reading[handle] = held
        value: bytes | None = None
        try:
            value = bytes(await self._ask(lambda client: client.read_gatt_char(handle), characteristic.uuid, timeout_s))
        finally:
            self._reading.pop(handle, None)
            if value in held:
                held.remove(value)
            elif value is not None and handle in self._listeners:
                self._echo[handle] = (value, asyncio.get_running_loop().time() + ECHO_S)
            for waited in held:
                self._notified(handle, waited)
        return value

    async def read_descriptor(self, descriptor: RemoteDescriptor, *, timeout_s: float = ANSWER_S) -> bytes:
        """The value of a descriptor. Raises LinkClosed, Silence, Refused."""
        handle = descriptor.handle
        return bytes(await self._ask(lambda client: client.read_gatt_descriptor(handle), descriptor.uuid, timeout_s))

    async def subscribe(
        self, characteristic: RemoteCharacteristic, listener: Callable[[bytes], None], *, timeout_s: float = ANSWER_S
    ) -> None:
        """Call `listener` with the payload of every notification. Raises LinkClosed, Silence, Refused."""
        handle = characteristic.handle
        self._listeners[handle] = listener

        def notified(_: BleakGATTCharacteristic, value: bytearray) -> None:
            self._notified(handle, bytes(value))

        await self._ask(lambda client: client.start_notify(handle, notified), characteristic.uuid, timeout_s)

    @property
    def ending(self) -> bool:
        """Whether something of it is still to be waited for."""
        return not self.closed.is_set() or (self._release is not None and not self._release.done())

    async def close(self) -> None:
        """End the link; returns when it is down, at the latest after some seconds. May be called twice."""
        self._end(LinkClosed(self.where, "the link was closed", remedy="It is connected to again when it is needed"))
        if self._release is not None:
            await asyncio.wait({self._release})

    # -- inside -------------------------------------------------------------------------------------------------

    def _notified(self, handle: int, value: bytes) -> None:
        if self.closed.is_set():
            return
        if (held := self._reading.get(handle)) is not None:
            held.append(value)
            return
        echo, until = self._echo.pop(handle, (b"", 0.0))
        if until and value == echo and asyncio.get_running_loop().time() < until:
            return
        self._listeners[handle](value)

    async def _ask(self, ask: Callable[[BleakClient], Coroutine[Any, Any, Any]], what: str, timeout_s: float) -> Any:
        """Ask with a time-out; a link that ends meanwhile ends the wait."""
        if self.closed.is_set() or self._client is None:
            raise self._why()
        asked = asyncio.ensure_future(ask(self._client))
        ended = asyncio.ensure_future(self.closed.wait())
        try:
            done, _ = await asyncio.wait({asked, ended}, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
            if asked in done and asked.exception() is None:
                return asked.result()
            if self.closed.is_set():
                raise self._why()
            error = asked.exception() if asked in done else TimeoutError()
            assert error is not None
            problem = asking_problem(error, self.where, what)
            if isinstance(problem, LinkClosed):
                self._end(problem)
            raise problem from error
        finally:
            for task in (asked, ended):
                task.cancel()
            await asyncio.gather(asked, ended, return_exceptions=True)

    def _why(self) -> LinkClosed:
        reason = self.reason or closed(self.where)
        return LinkClosed(reason.where, reason.problem, remedy=reason.remedy)

    async def _open(self, device: BLEDevice, timeout_s: float) -> None:
        from bleak import BleakClient

        client = BleakClient(device, disconnected_callback=lambda _: self._end(closed(self.where)), timeout=timeout_s)
        # no asyncio.timeout around it: the library keeps its own and takes a pending connection back
        await client.connect()
        if self.closed.is_set():  # it broke while its services were listed
            await self._disconnect(client)
            raise self._why()
        self._client = client
        self.characteristics = tuple(
            RemoteCharacteristic(
                full_uuid(service.uuid),
                full_uuid(c.uuid),
                c.handle,
                frozenset(c.properties),
                tuple(RemoteDescriptor(full_uuid(d.uuid), d.handle) for d in c.descriptors),
            )
            for service in client.services
            for c in service.characteristics
        )

    def _end(self, reason: LinkClosed) -> None:
        if self.closed.is_set():
            return
        self.reason = reason
        self.closed.set()
        if self._client is not None:
            client, self._client = self._client, None
            self._release = asyncio.get_running_loop().create_task(self._disconnect(client), name=f"end {self.where}")

    async def _disconnect(self, client: BleakClient) -> None:
        try:
            async with asyncio.timeout(ANSWER_S):
                await client.disconnect()
        except Exception as error:
            # whatever the service answers, the library has let go of its resources by now
            log.debug("disconnecting failed", link=self.where, error=str(error) or type(error).__name__)


class Radio:
    """The radio shared by all instruments. Nothing happens until `run` runs.

    `problem` tells why it does not work; None while it scans, or before it was tried.
    """

    def __init__(self, *, adapter: str = "") -> None:
        """`adapter`: "hci1" where there are several; empty: the system's first that is switched on."""
        self.problem: LinkError | None = None
        self.scanning = False
        self._adapter = {"adapter": adapter} if adapter else {}
        self._devices: dict[str, BLEDevice] = {}
        self._listeners: dict[str, list[Callable[[Heard], None]]] = {}
        self._links: set[GattLink] = set()
        self._changed = asyncio.Event()
        self._shaken = asyncio.Event()
        self._last_heard = 0.0
        self._restarted = False  # the service died once: what the library holds for connected is stale

    # -- for instruments ----------------------------------------------------------------------------------------

    def listen(self, address: str, listener: Callable[[Heard], None]) -> Callable[[], None]:
        """Call `listener`, which must not block, with each advert of `address` ("*": anyone's). The result ends it."""
        listeners = self._listeners.setdefault(address.upper(), [])
        listeners.append(listener)
        return lambda: listeners.remove(listener) if listener in listeners else None

    async def changed(self) -> None:
        """Return when the radio begins or ceases to work."""
        await self._changed.wait()

    async def heard(self, address: str) -> None:
        """Return when `address` is heard, or held connected by the system. Raises LinkError when the radio fails."""
        arrived = asyncio.Event()
        end = self.listen(address, lambda _: arrived.set())
        try:
            while not arrived.is_set():
                if self.problem is not None:
                    raise LinkError(self.problem.where, self.problem.problem, remedy=self.problem.remedy)
                waits = {asyncio.ensure_future(arrived.wait()), asyncio.ensure_future(self._changed.wait())}
                try:
                    await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    for wait in waits:
                        wait.cancel()
                    await asyncio.gather(*waits, return_exceptions=True)
        finally:
            end()

    async def connect(self, address: str, *, timeout_s: float = CONNECT_S) -> GattLink:
        """Connect to an instrument that was heard before. Raises LinkError with what the technician can do."""
        address = address.upper()
        link = GattLink(address)
        if self.problem is not None:
            raise LinkError(self.problem.where, self.problem.problem, remedy=self.problem.remedy)
        device = self._devices.get(address)
        if device is None:
            raise LinkError(link.where, "it has not been heard yet", remedy="Switch it on and bring it nearer")
        try:
            await link._open(device, timeout_s)
        except Exception as error:
            if "not found" in str(error):
                self._devices.pop(address, None)  # the system has forgotten it, so must we
            raise connect_problem(error, link.where) from error
        self._links = {old for old in self._links if old.ending} | {link}
        return link

    # -- running ------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Keep the radio scanning until cancelled; then end all links."""
        async with asyncio.TaskGroup() as group:
            ready = asyncio.Event()
            watching = group.create_task(watch(self._shake, ready), name="watch on the Bluetooth service")
            try:
                await ready.wait()
                while True:
                    self._shaken.clear()
                    try:
                        await self._scan()
                    except LinkError as error:
                        self._tell(error)
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(self._shaken.wait(), SCAN_RETRY_S if self.problem else SETTLE_S)
                        await asyncio.sleep(SETTLE_S)
            finally:
                watching.cancel()
                await self._end_links("the radio was switched off by lineset")

    async def _scan(self) -> None:
        """Scan until the radio is shaken or silent for long. Raises LinkError."""
        from bleak import BleakScanner

        try:
            scanner = BleakScanner(self._detected, bluez=self._adapter)  # type: ignore[arg-type]
            await scanner.start()
        except Exception as error:
            raise radio_problem(error) from error
        try:
            await self._take_up_connected()
            self.scanning = True
            self._tell(None)
            loop = asyncio.get_running_loop()
            self._last_heard = loop.time()
            while not self._shaken.is_set():
                left = self._last_heard + QUIET_S - loop.time()
                if left <= 0:
                    break
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._shaken.wait(), left)
        finally:
            self.scanning = False
            try:
                await scanner.stop()
            except Exception as error:
                log.debug("the scan could not be stopped", error=str(error) or type(error).__name__)

    async def _take_up_connected(self) -> None:
        """Devices that the system holds connected do not advertise: announce them as heard."""
        from bleak import BleakAdapter

        if self._restarted:
            return
        try:
            adapter = await BleakAdapter.get(bluez=self._adapter)  # type: ignore[arg-type]
            devices = await adapter.get_connected_devices()
        except Exception as error:  # not possible on this system, or the radio went: the scan tells
            log.debug("connected devices cannot be listed", error=str(error) or type(error).__name__)
            return
        for device in devices:
            if not any(link.address == device.address.upper() for link in self._links if not link.closed.is_set()):
                self._dispatch(device, Heard(device.address.upper(), device.name or "", None, frozenset(), {}))

    def _detected(self, device: BLEDevice, advert: AdvertisementData) -> None:
        self._last_heard = asyncio.get_running_loop().time()
        rssi = None if advert.rssi == NO_RSSI else advert.rssi
        services = frozenset(uuid.lower() for uuid in advert.service_uuids)
        name = advert.local_name or device.name or ""
        self._dispatch(device, Heard(device.address.upper(), name, rssi, services, advert.service_data))

    def _dispatch(self, device: BLEDevice, heard: Heard) -> None:
        self._devices[heard.address] = device
        for listener in (*self._listeners.get(heard.address, ()), *self._listeners.get("*", ())):
            try:
                listener(heard)
            except Exception:
                log.exception("a listener failed", address=heard.address)

    def _tell(self, problem: LinkError | None) -> None:
        before, self.problem = self.problem, problem
        if str(before) != str(problem) or problem is None:
            log.info("radio", problem=None if problem is None else str(problem))
            self._changed.set()
            self._changed = asyncio.Event()

    def _shake(self, shake: Shake) -> None:
        """Something happened to the radio; called from the watch."""
        log.info("radio shaken", what=shake.value)
        self._restarted |= shake is Shake.SERVICE_GONE
        if shake in (Shake.SERVICE_GONE, Shake.BUS_GONE, Shake.ADAPTER_GONE, Shake.SWITCHED_OFF):
            self._devices.clear()  # what the library remembers of them is stale
            for link in tuple(self._links):
                link._end(closed(link.where, shake.value))
        self._shaken.set()

    async def _end_links(self, why: str) -> None:
        links, self._links = self._links, set()
        for link in links:
            link._end(closed(link.where, why))
        releases = [link._release for link in links if link._release is not None]
        if releases:
            await asyncio.wait(releases)
