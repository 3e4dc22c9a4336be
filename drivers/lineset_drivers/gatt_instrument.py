"""An instrument that is connected to over Bluetooth LE and read through its GATT characteristics."""

from __future__ import annotations

import asyncio
import re
from typing import NamedTuple

import structlog

from .channel import Channel, Characteristic
from .clock import NS
from .errors import DriverError, Garbled, InstrumentError, LinkClosed, LinkError, Refused, Short
from .frame import State
from .gatt_channels import CharacteristicChannels
from .instrument import Context, InstrumentSpec, Outlet
from .link import parse_link
from .protocols import gatt, gatt_descriptors
from .transports.ble import ANSWER_S, GattLink, Radio, RemoteCharacteristic
from .wired import STEADY_S, STREAM_BACKLOG, Pause

log = structlog.get_logger(__name__)

HEARD_S = 15.0  # real; a radio may report a device that does not change only once a scan
BATTERY_S = 600.0  # visit seconds between two looks at the battery
FAILED_POLLS = 2  # in a row, and the link is given up


class Source(NamedTuple):
    """A characteristic of the open link, and the channels that come from it."""

    remote: RemoteCharacteristic
    channels: CharacteristicChannels
    notifies: bool

    @property
    def readable(self) -> bool:
        return "read" in self.remote.properties


class GattInstrument:
    """One instrument: waits until it is heard, connects, subscribes, reads what is silent, and begins again."""

    def __init__(self, spec: InstrumentSpec, context: Context, radio: Radio) -> None:
        """Raises LinkError (permanent) when link or profile cannot be used."""
        address = parse_link(spec.link)
        if address.scheme != "ble":
            remedy = "Write the address like ble://AA:BB:CC:DD:EE:FF"
            raise LinkError(spec.link, "this profile is for a Bluetooth instrument", remedy=remedy, permanent=True)
        self.spec, self.address = spec, address.place
        self.outlet = Outlet(spec, context, where=address.key, backlog=STREAM_BACKLOG)
        self._clock, self._radio = context.clock, radio
        self._pause = Pause(context.random)
        profile = spec.profile
        self._period = int((profile.poll_s or max(profile.stale_after_s / 3, 1.0)) * NS)
        self._groups: dict[Characteristic, list[Channel]] = {}
        for channel in profile.channels:
            assert isinstance(channel.where, Characteristic)
            self._groups.setdefault(_place(channel.where), []).append(channel)
        self._channels = {place: CharacteristicChannels(group) for place, group in self._groups.items()}
        self._due: dict[int, int] = {}  # handle -> visit time at which it is read if it stays silent
        self._trouble = ""

    def silent_reason(self) -> str:
        """Why nothing new comes."""
        return self._trouble or "it is connected and sends nothing; check that it is measuring"

    async def run(self) -> None:
        """Keep it connected and read until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            began = loop.time()
            try:
                await self._seek()
                link = await self._radio.connect(self.address)
                began = loop.time()
                try:
                    await self._serve(link)
                finally:
                    await link.close()
            except DriverError as error:
                if loop.time() - began > STEADY_S and isinstance(error, LinkClosed):
                    self._pause.reset()
                log.info("link ended", instrument=self.spec.id, problem=str(error))
                self.outlet.missed(told(error))
            await self._wait(self._pause.next())

    async def _wait(self, pause_s: float) -> None:
        """Sleep; while the radio does not work, until it does."""
        if self._radio.problem is None:
            await asyncio.sleep(pause_s)
        else:
            await self._radio.changed()

    async def _seek(self) -> None:
        if self._radio.problem is None:
            self.outlet.missed("waiting until it is heard; switch it on and bring it near")
        try:
            async with asyncio.timeout(HEARD_S):
                await self._radio.heard(self.address)
        except TimeoutError:
            return  # it may be there all the same: connecting tells

    # -- connected ----------------------------------------------------------------------------------------------

    async def _serve(self, link: GattLink) -> None:
        """Read until the link ends, which is raised: LinkClosed; or InstrumentError when it is not what is meant."""
        self.outlet.missed("connected; looking at what it offers")
        self._trouble = ""
        await self._identify(link)
        sources = [await self._find(link, place) for place in self._groups]
        battery = await self._battery(link) if self.spec.profile.settings.battery else None
        for source in sources:
            # the first value at once: an instrument that only sends changes may be silent for long
            if source.readable:
                await self._read(link, source)
            if source.notifies:
                await link.subscribe(source.remote, lambda payload, source=source: self._received(source, payload))  # type: ignore[misc]
            self._due[source.remote.handle] = self._clock.now() + self._period
        self._pause.reset()
        failures = 0
        battery_due = self._clock.now() + int(BATTERY_S * NS)
        while True:
            readable = [source for source in sources if source.readable]
            dues = [self._due[source.remote.handle] for source in readable]
            await self._until(link, min([*dues, battery_due]))
            if battery is not None and battery_due <= self._clock.now():
                battery_due += int(BATTERY_S * NS)
                self._charge(await link.read(battery))
            for source in readable:
                if self._due[source.remote.handle] > self._clock.now():
                    continue
                try:
                    await self._read(link, source)
                    failures = 0
                except InstrumentError as error:
                    failures += 1
                    self._trouble = told(error)
                    self._due[source.remote.handle] = self._clock.now() + self._period
                    if failures >= FAILED_POLLS and not isinstance(error, Refused):
                        raise

    async def _until(self, link: GattLink, t: int) -> None:
        """Sleep until the visit time `t`. Raises LinkClosed when the link ends before."""
        ended = asyncio.ensure_future(link.closed.wait())
        slept = asyncio.ensure_future(self._clock.sleep_until(t))
        try:
            await asyncio.wait({ended, slept}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in (ended, slept):
                wait.cancel()
            await asyncio.gather(ended, slept, return_exceptions=True)
        if link.closed.is_set():
            assert link.reason is not None
            raise link.reason

    async def _read(self, link: GattLink, source: Source) -> None:
        self._due[source.remote.handle] = self._clock.now() + self._period
        if self.outlet.blocked:
            self.outlet.count("poll_skipped", 1)
            return
        timeout_s = max(float(self.spec.options.get("timeout_s", ANSWER_S)), 0.1)
        self._received(source, await link.read(source.remote, timeout_s=timeout_s))

    def _received(self, source: Source, payload: bytes) -> None:
        self._due[source.remote.handle] = self._clock.now() + self._period
        try:
            samples = source.channels.samples(payload)
        except (Short, Garbled) as error:
            self._trouble = f"what it sends does not fit the profile: {error.problem}"
            log.warning("payload refused", instrument=self.spec.id, payload=payload.hex(), error=str(error))
            return
        if samples:
            self._trouble = ""
            self.outlet.frame(payload, samples)
        elif self.outlet.state is not State.LINKED:
            self._trouble = "it is connected, and switched to something that is not in its profile"
            self.outlet.missed(self._trouble)

    # -- what it is and what it offers --------------------------------------------------------------------------

    async def _identify(self, link: GattLink) -> None:
        """Read who it is. Raises InstrumentError when it is another one than configured."""
        texts: dict[str, str] = {}
        for uuid, name in gatt.DEVICE_INFORMATION.items():
            for remote in link.find(uuid, gatt.DEVICE_INFORMATION_SERVICE)[:1]:
                try:
                    texts[name] = (await link.read(remote)).decode("utf-8", "replace").strip("\0 ")
                except Refused as error:
                    log.debug("device information refused", instrument=self.spec.id, what=name, error=str(error))
        serial = texts.get("serial number", "")
        self.outlet.identity = serial or self.address
        identity = self.spec.profile.identity
        if identity is not None and identity.match and not re.fullmatch(identity.match, texts.get("model", "")):
            raise InstrumentError(
                link.where,
                f"another kind of instrument answers: its model is {texts.get('model', '')!r}, not {identity.match!r}",
                remedy="Check the address and the profile",
            )
        if self.spec.serial and serial and serial != self.spec.serial:
            raise InstrumentError(
                link.where,
                f"another one answers: its serial number is {serial}, and {self.spec.serial} is configured",
                remedy="Check the address",
            )

    async def _find(self, link: GattLink, place: Characteristic) -> Source:
        """The characteristic that is meant. Raises InstrumentError when it is not there."""
        candidates = link.find(place.characteristic, place.service)
        wanted = place.description.casefold()
        if wanted:
            names = [await self._names(link, remote) for remote in candidates]
            candidates = tuple(remote for remote, found in zip(candidates, names, strict=True) if wanted in found)
        if place.instance >= len(candidates):
            what = f"no {place.description or 'characteristic'} {place.characteristic}"
            if place.instance:
                what = f"only {len(candidates)} of the characteristics {place.characteristic}"
            raise InstrumentError(link.where, f"it has {what}", remedy="Check that the profile is the right one")
        remote = candidates[place.instance]
        notifies = place.mode == "notify" and bool({"notify", "indicate"} & remote.properties)
        return Source(remote, self._channels[place], notifies)

    @staticmethod
    async def _names(link: GattLink, remote: RemoteCharacteristic) -> set[str]:
        """What a characteristic calls itself: its description, its place, its application; in lower case."""
        found: set[str] = set()
        for descriptor in remote.descriptors:
            try:
                match gatt.short_uuid(descriptor.uuid):
                    case gatt_descriptors.USER_DESCRIPTION:
                        payload = await link.read_descriptor(descriptor)
                        found.add(gatt_descriptors.decode_user_description(payload))
                    case gatt_descriptors.PRESENTATION_FORMAT:
                        payload = await link.read_descriptor(descriptor)
                        found.add(gatt_descriptors.decode_presentation_format(payload).place)
                    case gatt_descriptors.ES_MEASUREMENT:
                        payload = await link.read_descriptor(descriptor)
                        found.add(gatt_descriptors.decode_es_measurement(payload).application)
            except InstrumentError as error:
                log.debug("descriptor not understood", link=link.where, uuid=descriptor.uuid, error=str(error))
        return {name.casefold() for name in found}

    async def _battery(self, link: GattLink) -> RemoteCharacteristic | None:
        """Read the battery and follow it; None when it can only be followed, or not at all."""
        for remote in link.find(gatt.BATTERY_LEVEL, gatt.BATTERY_SERVICE)[:1]:
            if "notify" in remote.properties:
                try:
                    await link.subscribe(remote, self._charge)
                except Refused as error:  # systems that look after the battery themselves do not give it away
                    log.debug("battery not followed", instrument=self.spec.id, error=str(error))
            if "read" in remote.properties:
                self._charge(await link.read(remote))
                return remote
        return None

    def _charge(self, payload: bytes) -> None:
        try:
            level = gatt.decode(gatt.BATTERY_LEVEL, payload).value
        except InstrumentError as error:
            log.debug("battery level refused", instrument=self.spec.id, error=str(error))
            return
        if level is not None and level != self.outlet.battery:
            self.outlet.battery = level
            if self.outlet.state is State.LINKED:
                self.outlet.tell(State.LINKED, self.outlet.linked_reason)


def told(error: DriverError) -> str:
    """An error as the reason of a state: what happened and what to do, without the place, which is known."""
    problem, remedy = getattr(error, "problem", str(error)), getattr(error, "remedy", "")
    return f"{problem}. {remedy}" if remedy else str(problem)


def _place(where: Characteristic) -> Characteristic:
    """Equal for all channels of one characteristic of the instrument."""
    return Characteristic(where.characteristic, where.service, where.instance, where.description, where.mode)
