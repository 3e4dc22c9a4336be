"""The drivers of the Bluetooth LE radio: all its instruments share one scanner, and none can delay another."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

import structlog

from .clock import NS
from .errors import DriverError, LinkError
from .frame import State
from .gatt_channels import AdvertChannels
from .gatt_instrument import GattInstrument, told
from .instrument import Context, InstrumentSpec, Outlet
from .link import parse_link
from .protocols.bthome import SERVICE_UUID, Receiver
from .protocols.bthome_objects import Kind
from .transports.ble import Heard, Radio
from .wired import Pause

log = structlog.get_logger(__name__)

GONE = 3  # times the stale limit: an advertiser that is silent for longer is called lost
WAITING = "waiting for its adverts; switch it on and bring it near"


class BthomeInstrument:
    """One instrument that tells its readings in BTHome adverts; it is never connected to."""

    def __init__(self, spec: InstrumentSpec, context: Context, radio: Radio) -> None:
        """Raises LinkError (permanent) or ProfileError when link, key or profile cannot be used."""
        address = parse_link(spec.link)
        if address.scheme != "ble":
            remedy = "Write the address like ble://AA:BB:CC:DD:EE:FF"
            raise LinkError(spec.link, "this profile is for a Bluetooth instrument", remedy=remedy, permanent=True)
        key = spec.options.get("bindkey")
        if spec.profile.settings.encrypted and not key:
            remedy = "Enter its bind key (32 digits) as bindkey in the configuration"
            raise LinkError(
                spec.link, "its adverts are encrypted and no key is configured", remedy=remedy, permanent=True
            )
        self.spec, self.address = spec, address.place
        self.outlet = Outlet(spec, context, where=address.key)
        self.outlet.identity = self.address
        self._radio = radio
        self._receiver = Receiver(key)
        self._channels = AdvertChannels(spec.profile.channels)
        self._trouble = ""

    def silent_reason(self) -> str:
        """Why nothing new comes."""
        return self._trouble or "it is not heard; check its battery and bring it near"

    async def run(self) -> None:
        """Listen until cancelled."""
        end = self._radio.listen(self.address, self._heard)
        try:
            while True:
                if (problem := self._radio.problem) is not None:
                    self.outlet.missed(told(problem))
                elif self.outlet.state is not State.LINKED:
                    self.outlet.missed(WAITING)
                await self._radio.changed()
        finally:
            end()

    def _heard(self, heard: Heard) -> None:
        data = heard.data(SERVICE_UUID)
        if data is None:
            return
        try:
            advert = self._receiver.receive(self.address, data)
        except DriverError as error:
            trouble = told(error)
            if trouble != self._trouble:
                log.warning("advert refused", instrument=self.spec.id, error=str(error), data=data.hex())
            self._trouble = trouble
            if self.outlet.state is not State.LINKED:
                self.outlet.missed(trouble)
            return
        if advert.again:
            return
        self._trouble = "" if not advert.rest else "part of what it sends is not known to this version"
        battery = advert.find("battery", kind=Kind.SENSOR)
        if battery is not None and isinstance(battery.value, float) and self.spec.profile.settings.battery:
            self.outlet.battery = battery.value
        samples = self._channels.samples(advert)
        if samples:
            self.outlet.frame(data, samples)
            self.outlet.tell(State.LINKED, self.outlet.linked_reason)  # the battery may have changed
        elif self.outlet.state is not State.LINKED:
            self.outlet.missed("it is heard, and tells nothing that its profile asks for. Check the profile")


Instrument = GattInstrument | BthomeInstrument


class BleDriver:
    """The radio with all its instruments; what the fleet runs."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        self.name = "ble"
        self.instruments = specs
        self._context = context
        adapters = {str(spec.options["adapter"]) for spec in specs if spec.options.get("adapter")}
        self.radio = Radio(adapter=min(adapters, default=""))
        self._running: list[Instrument] = []
        taken: dict[str, str] = {}
        for spec in specs:
            try:
                self._running.append(self._instrument(spec, taken))
            except DriverError as error:
                Outlet(spec, context).missed(told(error))

    def _instrument(self, spec: InstrumentSpec, taken: dict[str, str]) -> Instrument:
        if spec.profile.protocol == "bthome":
            return BthomeInstrument(spec, self._context, self.radio)
        instrument = GattInstrument(spec, self._context, self.radio)
        other = taken.setdefault(instrument.address, spec.id)
        if other != spec.id:
            remedy = "Give each instrument its own address, or join their channels in one profile"
            raise LinkError(spec.link, f"{other} is connected to at this address", remedy=remedy, permanent=True)
        return instrument

    async def run(self) -> None:
        """Scan and serve all instruments until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self.radio.run(), name="Bluetooth radio")
                for instrument in self._running:
                    group.create_task(self._supervise(instrument), name=f"instrument {instrument.spec.id}")
                    group.create_task(self._watch_stale(instrument), name=f"stale watch {instrument.spec.id}")
        finally:
            for instrument in self._running:
                instrument.outlet.close()

    async def _supervise(self, instrument: Instrument) -> None:
        """A fault of ours in one instrument's driver must not touch the others."""
        pause = Pause(self._context.random, least_s=1.0, most_s=60.0)
        while True:
            try:
                await instrument.run()
            except Exception as error:
                log.exception("driver failed", instrument=instrument.spec.id)
                instrument.outlet.missed(
                    f"a fault in its driver ({type(error).__name__}: {error}). It is started again by itself; "
                    "if this stays so, report it with the log"
                )
            await asyncio.sleep(pause.next())

    async def _watch_stale(self, instrument: Instrument) -> None:
        """Tell when nothing new has come for longer than the profile allows."""
        outlet, clock = instrument.outlet, self._context.clock
        adverts = isinstance(instrument, BthomeInstrument)
        while True:
            now = clock.now()
            at, last = outlet.stale_at(), outlet.last_t
            wake = now + int(NS * clock.rate)
            if at is not None and last is not None:
                if outlet.state is State.LINKED and at <= now:
                    outlet.tell(State.STALE, _silent(now - last, instrument.silent_reason))
                elif outlet.state is State.STALE and adverts and now - last > GONE * (at - last):
                    outlet.missed(_silent(now - last, instrument.silent_reason))
                elif outlet.state is State.LINKED:
                    wake = at
            # at least every real second: after a suspend the loop's own clock lags behind
            await clock.sleep_until(max(min(wake, now + int(NS * clock.rate)), now + int(0.05 * NS * clock.rate)))


def _silent(silent_ns: int, reason: Callable[[], str]) -> str:
    return f"nothing new for {silent_ns / NS:.0f} s: {reason()}"


def build(specs: Sequence[InstrumentSpec], context: Context) -> BleDriver:
    """The driver of all instruments on the radio, GATT and BTHome alike. Wrong ones are told through their state."""
    return BleDriver(specs, context)
