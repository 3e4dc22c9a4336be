"""Which channel sits at which point: introduced, placed, moved, taken away. One channel a point, and the reverse."""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.engine import derivation, hunting, roaming, settling
from lineset.engine.state import ChannelState, EngineState, InstrumentEngineState, PointState, SystemState
from lineset.equipment.points import INRUSH, PointError, point
from lineset.measure.bands import staying_kind
from lineset.measure.quality import Quality
from lineset.measure.settle import detector
from lineset.measure.uncertainty import ChannelScale
from lineset_drivers.quantity import Quantity

NS = 1_000_000_000


def refusal(state: EngineState, instrument: str, channel: str, system: str, point_name: str) -> str:
    """Why this placement cannot be, in a sentence; empty when it can."""
    known = state.instruments.get(instrument)
    if known is None:
        names = ", ".join(state.instruments) or "none"
        return f"no instrument is called {instrument!r}; this station has {names}"
    found = known.channels.get(channel)
    if found is None:
        return f"{instrument} has no channel {channel!r}; it has {', '.join(known.channels)}"
    if not point_name:
        return ""
    if system not in state.systems:
        return f"no system is called {system!r} in this visit; it has {', '.join(state.systems) or 'none'}"
    try:
        place = point(point_name)
    except PointError as error:
        return str(error)
    if place.quantity != found.record.quantity:
        return (
            f"{point_name} takes {place.quantity.replace('_', ' ')}, but {instrument}/{channel} measures "
            f"{found.record.quantity.replace('_', ' ')}"
        )
    if place.captures != found.record.captures:
        if place.captures:
            return (
                f"{point_name} takes what an instrument caught while the motor started, but {instrument}/{channel} "
                'reads the present; place a channel whose profile says captures = "inrush", or enter the value by hand '
                "from a meter with an inrush function"
            )
        return (
            f"{instrument}/{channel} holds what was caught while a motor started, which is no reading of {point_name}; "
            f"place it at {' or '.join(sorted(INRUSH))}"
        )
    return ""


def introduce(state: EngineState, body: e.Introduced) -> list[e.OutputBody]:
    """Take an instrument up, or take it up again (after a restart, with another profile): it stays where it sits.

    A channel that is still as it was goes on as if nothing had happened; one that changed begins anew at its point;
    one that is gone leaves it.
    """
    out: list[e.OutputBody] = []
    known = state.instruments.get(body.instrument)
    before = known.channels if known is not None else {}
    channels: dict[str, ChannelState] = {}
    for record in body.channels:
        old = before.get(record.name)
        channels[record.name] = old if old is not None and old.record == record else ChannelState(record=record)
    moved = []
    for name, old in before.items():
        new = channels.get(name)
        if new is old or not old.point:
            continue
        if new is not None and new.record.quantity == old.record.quantity:
            moved.append((new, old.system, old.point))
        out += take_away(state, old)
    state.instruments[body.instrument] = InstrumentEngineState(
        id=body.instrument,
        profile=body.profile,
        origin=body.origin,
        stale_after_ns=round(body.stale_after_s * NS),
        channels=channels,
        state=known.state if known is not None else "seeking",
        spool=known.spool if known is not None else 0,
    )
    roaming.introduce(channels, roams=body.roams)
    for channel, system, point_name in moved:
        _sit(state.systems[system], channel, body.instrument, point_name, state.t)
    return out


def place(state: EngineState, body: e.Placed) -> list[e.OutputBody]:
    """Put a channel at a point, or take it away. An entry that cannot be is passed over."""
    if refusal(state, body.instrument, body.channel, body.system, body.point):
        return []  # the station refuses these before they are written; an old record may still hold one
    channel = state.instruments[body.instrument].channels[body.channel]
    if (channel.system, channel.point) == (body.system, body.point):
        return []
    out: list[e.OutputBody] = []
    if body.supersedes and channel.point:
        out += _never_there(state, channel)
    out += take_away(state, channel)
    if not body.point:
        return out
    system = state.systems[body.system]
    there = system.points.get(body.point)
    if there is not None and there.channel:
        # one channel a point: who was there before is taken away
        out += take_away(state, state.instruments[there.instrument].channels[there.channel])
    _sit(system, channel, body.instrument, body.point, state.t)
    return out


def take_away(state: EngineState, channel: ChannelState) -> list[e.OutputBody]:
    """A channel sits nowhere from now on. What had settled at its point stays known there."""
    if not channel.point:
        return []
    out: list[e.OutputBody] = []
    system = state.systems[channel.system]
    there = system.points[channel.point]
    out += hunting.end(state, system, there, "its probe was moved")
    there.instrument = there.channel = ""
    there.value, there.detector, there.staying = None, None, None
    for named in derivation.fed_by(system, channel.point):
        target = system.derived.get(named.name)
        if target is not None and not named.paired:
            out += settling.end_derived(state, system, target, "a probe that it is computed from was moved")
    if point(channel.point).quantity is Quantity.CURRENT:
        system.run.clamp_moved()
    channel.system = channel.point = ""
    return out


def _sit(system: SystemState, channel: ChannelState, instrument: str, point_name: str, t: int) -> None:
    record = channel.record
    channel.system, channel.point = system.record.id, point_name
    # what is wrong with the channel is told anew of its new point
    channel.quality, channel.watch.held, channel.zero_since = Quality.GOOD, None, -1
    there = system.points.get(point_name)
    if there is None:
        why = system.disturbed_points.get(point_name.partition(".")[0], "")
        there = system.points[point_name] = PointState(name=point_name, disturbed=why)
    there.instrument, there.channel = instrument, record.name
    there.value, there.quality, there.told_coarse = None, Quality.GOOD, False
    there.detector = detector(
        Quantity(record.quantity),
        resolution=ChannelScale(record).resolution,
        response_s=record.response_s,
        point=point_name,
    )
    kind, there.placed = staying_kind(point_name), t
    there.staying = (
        detector(
            Quantity(record.quantity), resolution=there.detector.resolution, response_s=record.response_s, point=kind
        )
        if kind and there.detector is not None
        else None
    )
    there.response_s = record.response_s
    there.smooth, there.lag = None, 0.0
    if point(point_name).quantity is Quantity.CURRENT:
        system.run.clamp_moved()


def _never_there(state: EngineState, channel: ChannelState) -> list[e.OutputBody]:
    """A placement is put right: what settled at the point, and what was made of it, was measured elsewhere."""
    system = state.systems[channel.system]
    targets = [system.points[channel.point]]
    targets += [system.derived[d.name] for d in derivation.fed_by(system, channel.point) if d.name in system.derived]
    out: list[e.OutputBody] = []
    for target in targets:
        if target.held is not None and target.held_epoch >= 0:
            out.append(settling.lost(state, system, target, "its placement was put right: it was measured elsewhere"))
            target.held, target.held_epoch, target.attested = None, -1, False
            if target.detector is not None:
                target.detector.reset()
    return out
