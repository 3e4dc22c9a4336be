"""The quality of a channel's readings as it changes: told at its point, and what had settled there taken back."""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.engine import hunting, settling
from lineset.engine.state import ChannelState, EngineState, InstrumentEngineState
from lineset.measure.quality import REASON, USABLE, Quality


def past_due(state: EngineState, channel: ChannelState) -> bool:
    """Whether the channel's calibration was due before today, by the wall clock on record."""
    return state.today > channel.record.calibration.due


def set_quality(
    state: EngineState,
    instrument: InstrumentEngineState,
    channel: ChannelState,
    quality: Quality,
    reason: str,
    *,
    keep: bool = False,
) -> list[e.OutputBody]:
    """The channel's quality is another from now on. With `keep`, what had settled stands."""
    channel.quality = quality
    system = state.systems.get(channel.system)
    if system is None or not channel.point:
        return []
    out: list[e.OutputBody] = []
    place = system.points[channel.point]
    place.quality = quality
    if quality not in USABLE and place.detector is not None:
        if place.detector.settled and not keep:
            out.append(settling.lost(state, system, place, reason))
        place.detector.reset()
        if place.staying is not None:
            place.staying.reset()
    if quality not in USABLE:
        out += hunting.end(state, system, place, reason)
    out.append(
        e.QualityChanged(
            system=channel.system,
            name=channel.point,
            quality=quality,
            reason=reason,
            instrument=instrument.id,
            channel=channel.record.name,
        )
    )
    return out


def find_stale(state: EngineState, instrument: InstrumentEngineState) -> list[e.OutputBody]:
    """Channels that gave nothing new for longer than the instrument's profile allows become stale."""
    oldest = state.t - instrument.stale_after_ns
    channels = instrument.channels.values()
    silent = [c for c in channels if 0 <= c.last_t < oldest and c.quality is not Quality.STALE]
    if not silent:
        return []
    # a meter with a selector gives one function at a time: turning it takes nothing back from what had settled
    turned = any(channel.last_t >= oldest for channel in channels)
    reason = "the instrument gives another function now" if turned else REASON[Quality.STALE]
    out: list[e.OutputBody] = []
    for channel in silent:
        out += set_quality(state, instrument, channel, Quality.STALE, reason, keep=turned)
    return out
