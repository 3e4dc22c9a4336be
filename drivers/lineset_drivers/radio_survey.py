"""Listening around on the Bluetooth LE radio: who advertises, and which profiles fit. Nobody is connected to.

A GATT profile fits by its `name_match`, or by a service that its channels stand in; a BTHome profile by what its
adverts hold. An advert is a hint and no proof: the driver looks closer when it connects.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import msgspec

from .channel import Characteristic
from .errors import DriverError, LinkError
from .gatt_channels import AdvertChannels
from .profile import Profile
from .protocols.bthome import SERVICE_UUID, Receiver
from .protocols.gatt import full_uuid
from .transports.ble import Heard, Radio

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice

_ENCRYPTED = 0x01  # BTHome device information, bit 0 (bthome.io/format)


class HeardInstrument(msgspec.Struct, frozen=True):
    """One device that was heard. `profiles` are those that fit, the likeliest first; `told` is what it advertises."""

    address: str
    name: str = ""
    rssi: int | None = None  # dBm
    profiles: tuple[str, ...] = ()
    encrypted: bool = False  # a bind key is needed
    told: str = ""

    @property
    def link(self) -> str:
        """What to write into the configuration."""
        return f"ble://{self.address}"


class RadioSurvey(msgspec.Struct, frozen=True):
    """What was heard, the strongest first; or why nothing could be."""

    heard: tuple[HeardInstrument, ...] = ()
    problem: LinkError | None = None


class _Everyone(Radio):
    """The radio with one listener for all addresses."""

    def __init__(self, hear: Callable[[Heard], None], adapter: str) -> None:
        super().__init__(adapter=adapter)
        self._hear = hear

    def _dispatch(self, device: BLEDevice, heard: Heard) -> None:
        super()._dispatch(device, heard)
        self._hear(heard)


def fit(heard: Heard, profiles: Sequence[Profile]) -> HeardInstrument:
    """What an advert tells of its sender."""
    found: list[str] = []
    by_name: list[str] = []
    told, encrypted = "", False
    data = heard.data(SERVICE_UUID)
    for profile in profiles:
        pattern = profile.settings.name_match
        named = bool(pattern) and re.search(pattern, heard.name) is not None
        if pattern and not named:
            continue
        if profile.protocol == "gatt":
            places = [channel.where for channel in profile.channels]
            services = {full_uuid(w.service) for w in places if isinstance(w, Characteristic) and w.service}
            if named or services & heard.services:
                (by_name if named else found).append(profile.name)
        elif profile.protocol == "bthome" and data is not None:
            encrypted = bool(data[:1]) and bool(data[0] & _ENCRYPTED)
            if encrypted != profile.settings.encrypted:
                continue
            said = "" if encrypted else _said(heard.address, data, profile)
            if encrypted or said:
                told = told or said
                (by_name if named else found).append(profile.name)
    return HeardInstrument(heard.address, heard.name, heard.rssi, (*by_name, *found), encrypted, told)


def _said(address: str, data: bytes, profile: Profile) -> str:
    """The values of an advert in words; empty when it holds none of the profile's channels."""
    try:
        samples = AdvertChannels(profile.channels).samples(Receiver().receive(address, data))
    except DriverError:
        return ""  # of another version, or damaged on the way: this profile does not fit it
    return ", ".join(f"{s.channel} {s.value:g} {s.unit}" for s in samples if s.value is not None)


async def survey_radio(
    profiles: Sequence[Profile],
    listen_s: float,
    *,
    adapter: str = "",
    tell: Callable[[HeardInstrument], None] | None = None,
) -> RadioSurvey:
    """Listen for `listen_s` real seconds; `tell` is called when a device is heard first, or fits more than before.

    A radio that cannot be used is told as `problem` and not raised; then it returns at once.
    """
    last: dict[str, HeardInstrument] = {}

    def hear(heard: Heard) -> None:
        new, old = fit(heard, profiles), last.get(heard.address)
        if old is not None:
            # adverts alternate: what one left out another said
            new = msgspec.structs.replace(
                new,
                name=new.name or old.name,
                rssi=old.rssi if new.rssi is None else new.rssi,
                profiles=new.profiles or old.profiles,
                encrypted=new.encrypted or old.encrypted,
                told=new.told or old.told,
            )
        last[heard.address] = new
        if tell is not None and (old is None or len(new.profiles) > len(old.profiles)):
            tell(new)

    radio = _Everyone(hear, adapter)
    task = asyncio.create_task(radio.run(), name="Bluetooth survey")
    problem: LinkError | None = None
    try:
        async with asyncio.timeout(listen_s):
            while not task.done():
                changed = asyncio.create_task(radio.changed())
                await asyncio.wait({task, changed}, return_when=asyncio.FIRST_COMPLETED)
                changed.cancel()
                problem = radio.problem
                if problem is not None:
                    break
    except TimeoutError:
        pass
    finally:
        task.cancel()
        ended = await asyncio.gather(task, return_exceptions=True)
    if problem is None and isinstance(ended[0], Exception):
        problem = LinkError("Bluetooth", f"the radio could not be listened to ({ended[0]})", remedy="Try again")
    strongest = sorted(last.values(), key=lambda each: (not each.profiles, -(each.rssi or -200), each.address))
    return RadioSurvey(tuple(strongest), problem)
