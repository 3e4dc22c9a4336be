"""From a characteristic's payload, or the objects of an advert, to the samples of a profile's channels. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from .channel import AdvertObject, Channel, Characteristic
from .errors import LinkError, UnitError
from .frame import Flag, Sample
from .protocols import gatt
from .protocols.bthome import Advert
from .protocols.bthome_objects import OBJECTS
from .protocols.gatt_formats import Raw
from .quantity import unit_of

_ADVERT_UNITS = {"m³/h": "m3/h"}
"""Units as BTHome prints them that quantity.py spells otherwise."""


def _wrong(channel: Channel, problem: str, remedy: str) -> LinkError:
    return LinkError(f"channel {channel.name}", problem, remedy=remedy, permanent=True)


class CharacteristicChannels:
    """The channels that are read from one characteristic, made ready to decode its payloads."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        """`channels`: all of one `where.characteristic`. Raises LinkError when a channel's unit cannot hold it."""
        self._channels = [(channel, _Reader(channel)) for channel in channels]
        self._layouts = {
            reader.layout: gatt.Layout.parse(reader.layout) for _, reader in self._channels if reader.layout
        }

    def samples(self, payload: bytes) -> tuple[Sample, ...]:
        """What the payload says; nothing of channels whose `when` does not hold.

        Raises Short or Garbled when the payload is not of the declared form.
        """
        fields = {text: layout.decode(payload) for text, layout in self._layouts.items()}  # once for all channels
        found = [reader.sample(channel, payload, fields) for channel, reader in self._channels]
        return tuple(sample for sample in found if sample is not None)


class _Reader:
    """How one channel's value is taken out of a payload."""

    def __init__(self, channel: Channel) -> None:
        where = channel.where
        assert isinstance(where, Characteristic)  # the profile's reader made it so
        self._uuid = where.characteristic
        self.layout = where.layout
        self._field = where.field
        conditions = (where.when, where.held_when, where.over_range_when, where.invalid_when)
        self._when, self._held, self._over, self._invalid = (
            gatt.Condition.parse(text) if text else None for text in conditions
        )
        if not self.layout:
            standard = gatt.CHARACTERISTICS.get(gatt.short_uuid(self._uuid) or -1)
            if standard is None:
                raise _wrong(
                    channel,
                    f"{self._uuid} is not a standard characteristic",
                    'Declare its layout in the profile, such as layout = "value:sint16" and field = "value"',
                )
            try:
                unit_of(standard.unit, channel.quantity)
            except UnitError as error:
                problem = f"{standard.name} is in {standard.unit}, which is no {channel.quantity.replace('_', ' ')}"
                raise _wrong(channel, problem, "Correct the quantity or the characteristic in the profile") from error

    def sample(self, channel: Channel, payload: bytes, decoded: Mapping[str, Mapping[str, Raw]]) -> Sample | None:
        """`decoded`: the payload by each layout."""
        if not self.layout:
            value = gatt.decode(self._uuid, payload)
            if value.value is None:
                return Sample(channel.name, None, channel.unit, value.flag)
            sample = channel.sample(value.value, value.unit)
            if value.flag is Flag.OK:
                return sample
            return Sample(channel.name, sample.value, channel.unit, value.flag)
        fields = decoded[self.layout]
        if self._when is not None and not self._when.holds(fields):
            return None
        if self._invalid is not None and self._invalid.holds(fields):
            return Sample(channel.name, None, channel.unit, Flag.INVALID)
        if self._over is not None and self._over.holds(fields):
            return Sample(channel.name, None, channel.unit, Flag.OVER_RANGE)
        raw = fields[self._field]
        number, flag = gatt.number_of(raw)
        if number is None:
            return Sample(channel.name, None, channel.unit, flag)
        sample = channel.sample(raw if isinstance(raw, int) else number)
        if self._held is not None and self._held.holds(fields) and not sample.flag:
            return Sample(channel.name, sample.value, channel.unit, Flag.HELD)
        return sample


class AdvertChannels:
    """The channels that are taken from BTHome adverts."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        """Raises LinkError when a channel names an object that does not exist or is of another quantity."""
        self._channels = tuple(channels)
        for channel in channels:
            where = channel.where
            assert isinstance(where, AdvertObject)
            units = {_ADVERT_UNITS.get(o.unit, o.unit) for o in OBJECTS.values() if o.name == where.object}
            if not units:
                raise _wrong(channel, f"BTHome has no object {where.object!r}", "See the table at bthome.io/format")
            if not any(_fits(unit, channel) for unit in units):
                problem = f"the object {where.object!r} is no {channel.quantity.replace('_', ' ')}"
                raise _wrong(channel, problem, "Correct the quantity or the object in the profile")

    def samples(self, advert: Advert) -> tuple[Sample, ...]:
        """The samples of those channels whose object is in the advert."""
        found = []
        for channel in self._channels:
            where = channel.where
            assert isinstance(where, AdvertObject)
            object_ = advert.find(where.object, where.instance)
            if object_ is None or isinstance(object_.value, str) or object_.value is None:
                continue
            unit = _ADVERT_UNITS.get(object_.unit, object_.unit)
            if _fits(unit, channel):
                found.append(channel.sample(object_.value, unit))
        return tuple(found)


def _fits(unit: str, channel: Channel) -> bool:
    try:
        unit_of(unit, channel.quantity)
    except UnitError:
        return False
    return True
