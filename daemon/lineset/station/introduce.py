"""Instruments as the record knows them: profile, channels, accuracy, calibration."""

from __future__ import annotations

import math

from lineset.contract.entry import Calibration, ChannelRecord, InstrumentChanged, Introduced
from lineset.station.instrument_config import InstrumentConfig
from lineset_drivers import profile as profiles
from lineset_drivers.channel import Channel
from lineset_drivers.frame import InstrumentState
from lineset_drivers.instrument import InstrumentSpec

BY_EYE = "by-eye"


def by_eye() -> InstrumentConfig:
    """The instrument that every station has: a person who reads a display."""
    return InstrumentConfig(spec=InstrumentSpec(id=BY_EYE, profile=profiles.load("read-by-eye"), link="entered:"))


def introduced(config: InstrumentConfig) -> Introduced:
    """What goes on record of an instrument before its first frame."""
    profile = config.spec.profile
    return Introduced(
        instrument=config.spec.id,
        profile=profile.name,
        profile_sha256=profile.sha256,
        profile_text=profile.text,
        origin="entered" if profile.protocol == "entered" else "instrument",
        roams=config.roams,
        stale_after_s=profile.stale_after_s,
        channels=tuple(_channel(each, config.calibration.get(each.name)) for each in profile.channels),
    )


def _channel(channel: Channel, calibration: Calibration | None) -> ChannelRecord:
    accuracy = channel.accuracy
    return ChannelRecord(
        name=channel.name,
        quantity=channel.quantity,
        unit=channel.unit,
        reading_pct=accuracy.reading_pct,
        absolute=accuracy.absolute,
        counts=accuracy.counts,
        shared=accuracy.shared,
        resolution=channel.resolution,
        low=channel.low if math.isfinite(channel.low) else None,
        high=channel.high if math.isfinite(channel.high) else None,
        response_s=channel.response_s,
        captures=channel.captures,
        calibration=calibration or Calibration(),
    )


def state_entry(told: InstrumentState) -> InstrumentChanged:
    """An instrument's state as it goes on record."""
    return InstrumentChanged(
        instrument=told.instrument,
        state=told.state,
        reason=told.reason,
        identity=told.identity,
        identity_weak=told.identity_weak,
        link=told.link,
        battery=told.battery,
    )
