"""The engine: a pure fold over entries.

`push(seq, t, body)` takes one input entry and returns the output bodies that it caused; `take_live()` gives the live
values since last asked; `next_deadline()` says by when a tick is wanted; `snapshot()` and `Engine.restore()` carry
the state over. The same entries give the same outputs in any process: nothing here reads a clock, draws a random
number or depends on the order of a set.

Once a second of visit time (a tick, or the first entry after it) the run state is weighed, readings that went
silent become stale, and all derived values are put on record.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from lineset.contract import entry as e
from lineset.derive.declared import Derived, NotDerivable
from lineset.engine import derivation, settling
from lineset.engine.state import (
    ChannelState,
    EngineState,
    InstrumentEngineState,
    PointState,
    SystemState,
    decode,
    encode,
)
from lineset.equipment.points import PointError, point
from lineset.measure.quality import FASTEST, FLAG_QUALITY, REASON, USABLE, Quality
from lineset.measure.settle import BANDS, detector
from lineset.measure.uncertainty import ChannelScale
from lineset.visit.run import Mode, RunState
from lineset_drivers.quantity import Quantity

NS = 1_000_000_000
TICK_NS = NS

# Conductors that must carry current while the outdoor unit runs: zero there is a clamp that is not on the wire.
CARRIES_WHILE_RUNNING = frozenset(
    {
        "compressor_common_current",
        "compressor_run_current",
        "compressor_start_current",
        "outdoor_fan_current",
        "herm_lead_current",
        "fan_capacitor_lead_current",
    }
)
ZERO_A = 0.12


class LiveValue(NamedTuple):
    """A reading or derived value the moment it is known; SI. It may vanish in a crash: the record is the journal."""

    system: str
    name: str
    derived: bool
    t: int
    value: float | None
    u: float
    quality: str
    settled: bool
    instrument: str
    channel: str


class _Route:
    """A channel's way to its point, looked up once: everything that a sample needs."""

    __slots__ = (
        "carries",
        "channel",
        "dirty",
        "fastest",
        "fine",
        "high",
        "low",
        "place",
        "scale",
        "system",
    )

    def __init__(self, engine: EngineState, channel: ChannelState) -> None:
        record = channel.record
        quantity = Quantity(record.quantity)
        self.channel = channel
        self.scale = ChannelScale(record)
        self.fastest = FASTEST.get(quantity)
        band = BANDS.get(quantity)
        self.fine = band is not None and self.scale.resolution < band.drift / 3.0
        edge = 1e-9
        self.low = None if record.low is None else record.low - abs(record.low) * edge - edge
        self.high = None if record.high is None else record.high + abs(record.high) * edge + edge
        self.system: SystemState | None = engine.systems.get(channel.system) if channel.point else None
        self.place: PointState | None = self.system.points.get(channel.point) if self.system else None
        self.carries = channel.point in CARRIES_WHILE_RUNNING
        self.dirty = derivation.depending_on(channel.point) if channel.point else ()


def _fresh(system: SystemState, t: int, name: str) -> float | None:
    return derivation.fresh(system, name, t)


class Engine:
    """The fold. Make one with a fingerprint, or by `restore`; then push entries in order of `seq`."""

    def __init__(self, fingerprint: str) -> None:
        self._state = EngineState(fingerprint=fingerprint)
        self._routes: dict[str, dict[str, _Route]] = {}
        self._contexts: dict[str, derivation.SystemContext] = {}
        self._live: list[LiveValue] = []
        self._out: list[e.OutputBody] = []
        self._handlers: dict[type, Callable[..., None]] = {
            e.Opened: self._opened,
            e.Introduced: self._introduced,
            e.Entered: self._entered,
            e.Placed: self._placed,
            e.Phased: self._phased,
            e.InstrumentChanged: self._instrument_changed,
            e.WallClock: self._wall,
            e.Resumed: self._resumed,
            e.Closed: self._closed,
        }

    # ------------------------------------------------------------------------------------------------- the outside

    @property
    def state(self) -> EngineState:
        """The state, to be read and never written from outside."""
        return self._state

    def push(self, seq: int, t: int, body: e.InputBody) -> list[e.OutputBody]:
        """Take one input entry; return the outputs that it caused, in order."""
        state = self._state
        out = self._out = []
        state.seq = seq
        # stamps may arrive a little out of order from several instruments; the fold's own time never goes back
        if t > state.t:
            state.t = t
        if state.opened and t >= state.deadline:
            self._tick()
        if type(body) is e.Framed:
            self._framed(t, body)
        else:
            handler = self._handlers.get(type(body))
            if handler is not None:
                handler(body)
        return out

    def take_live(self) -> list[LiveValue]:
        """The live values since last asked, oldest first."""
        live, self._live = self._live, []
        return live

    def next_deadline(self) -> int | None:
        """Visit time in ns by which a tick is wanted if nothing else comes; None before the first entry."""
        return self._state.deadline if self._state.opened and not self._state.closed else None

    def snapshot(self) -> bytes:
        """The whole state, encoded. A disposable cache: replay gives the same."""
        return encode(self._state)

    @classmethod
    def restore(cls, snapshot: bytes) -> Engine:
        """An engine that goes on where `snapshot()` was taken."""
        engine = cls("")
        engine._state = decode(snapshot)
        for system in engine._state.systems.values():
            engine._contexts[system.record.id] = derivation.SystemContext(system.record)
        return engine

    def refuse_placement(self, instrument: str, channel: str, system: str, point_name: str) -> str:
        """Why this placement cannot be, in a sentence; empty when it can."""
        known = self._state.instruments.get(instrument)
        if known is None:
            names = ", ".join(self._state.instruments) or "none"
            return f"no instrument is called {instrument!r}; this station has {names}"
        found = known.channels.get(channel)
        if found is None:
            return f"{instrument} has no channel {channel!r}; it has {', '.join(known.channels)}"
        if not point_name:
            return ""
        if system not in self._state.systems:
            return f"no system is called {system!r} in this visit; it has {', '.join(self._state.systems) or 'none'}"
        try:
            place = point(point_name)
        except PointError as error:
            return str(error)
        if place.quantity != found.record.quantity:
            return (
                f"{point_name} takes {place.quantity.replace('_', ' ')}, but {instrument}/{channel} measures "
                f"{found.record.quantity.replace('_', ' ')}"
            )
        return ""

    # ---------------------------------------------------------------------------------------------------- entries

    def _opened(self, body: e.Opened) -> None:
        state = self._state
        state.opened = True
        state.station, state.visit, state.phase = body.station, body.visit, body.phase
        state.wall_offset_ns = body.wall_ns - state.t
        state.deadline = (state.t // TICK_NS + 1) * TICK_NS
        for record in body.systems:
            state.systems[record.id] = SystemState(record=record)
            self._contexts[record.id] = derivation.SystemContext(record)

    def _introduced(self, body: e.Introduced) -> None:
        self._state.instruments[body.instrument] = InstrumentEngineState(
            id=body.instrument,
            profile=body.profile,
            origin=body.origin,
            stale_after_ns=round(body.stale_after_s * NS),
            channels={record.name: ChannelState(record=record) for record in body.channels},
        )
        self._routes.pop(body.instrument, None)

    def _placed(self, body: e.Placed) -> None:
        if self.refuse_placement(body.instrument, body.channel, body.system, body.point):
            return  # the station refuses these before they are written; an old record may still hold one
        channel = self._state.instruments[body.instrument].channels[body.channel]
        if (channel.system, channel.point) == (body.system, body.point):
            return
        self._take_away(channel)
        if not body.point:
            return
        system = self._state.systems[body.system]
        place = system.points.get(body.point)
        if place is not None and place.channel:
            # one channel a point: who was there before is taken away
            there = self._state.instruments[place.instrument].channels[place.channel]
            self._take_away(there)
        channel.system, channel.point = body.system, body.point
        if place is None:
            place = system.points[body.point] = PointState(name=body.point)
        place.instrument, place.channel = body.instrument, body.channel
        place.value, place.quality, place.told_coarse = None, Quality.GOOD, False
        scale = ChannelScale(channel.record)
        place.detector = detector(
            Quantity(channel.record.quantity), resolution=scale.resolution, response_s=channel.record.response_s
        )
        place.response_s = channel.record.response_s
        channel.watch.held = None
        if point(body.point).quantity is Quantity.CURRENT:
            system.run.clamp_moved()
        self._routes.clear()

    def _take_away(self, channel: ChannelState) -> None:
        if not channel.point:
            return
        system = self._state.systems[channel.system]
        place = system.points[channel.point]
        place.instrument = place.channel = ""
        place.value, place.detector = None, None
        for named in derivation.depending_on(channel.point):
            target = system.derived.get(named.name)
            if target is not None and not named.paired:
                self._end_derived(system, target, "a probe that it is computed from was moved")
        if point(channel.point).quantity is Quantity.CURRENT:
            system.run.clamp_moved()
        channel.system = channel.point = ""
        self._routes.clear()

    def _phased(self, body: e.Phased) -> None:
        self._state.phase = body.phase
        # each phase proves its own, from readings of its own; the earlier phase's stay on record
        for system in self._state.systems.values():
            settling.start_over(self._state, system)
            for place in (*system.points.values(), *system.derived.values()):
                place.held_epoch = -1

    def _entered(self, body: e.Entered) -> None:
        system = self._state.systems.get(body.system)
        if system is None:
            return
        place = system.points.get(body.point)
        if place is None:
            place = system.points[body.point] = PointState(name=body.point)
        u = settling.entered_u(body.half_width, body.resolution)
        t = self._state.t
        if not place.channel or place.value is None or place.quality not in USABLE:
            place.value, place.u, place.t, place.quality = body.value, u, t, Quality.ENTERED
        self._out.append(settling.attested(self._state, system, place, body, u))
        self._live.append(
            LiveValue(body.system, body.point, False, t, body.value, u, Quality.ENTERED, True, body.instrument, "")
        )
        self._derive(system, derivation.depending_on(body.point))

    def _instrument_changed(self, body: e.InstrumentChanged) -> None:
        known = self._state.instruments.get(body.instrument)
        if known is None:
            return
        known.state = body.state
        if body.state == "lost":
            for channel in known.channels.values():
                if channel.quality is not Quality.STALE:
                    self._set_quality(known, channel, Quality.STALE, body.reason)

    def _wall(self, body: e.WallClock) -> None:
        self._state.wall_offset_ns = body.wall_ns - self._state.t

    def _resumed(self, body: e.Resumed) -> None:
        self._state.wall_offset_ns = body.wall_ns - self._state.t
        for system in self._state.systems.values():
            self._out += settling.start_over(self._state, system, "the station was away")

    def _closed(self, body: e.Closed) -> None:
        self._state.closed = True

    # ----------------------------------------------------------------------------------------------------- frames

    def _route(self, instrument: str) -> dict[str, _Route]:
        routes = self._routes.get(instrument)
        if routes is None:
            known = self._state.instruments.get(instrument)
            routes = (
                {}
                if known is None
                else {name: _Route(self._state, channel) for name, channel in known.channels.items()}
            )
            self._routes[instrument] = routes
        return routes

    def _framed(self, t: int, body: e.Framed) -> None:
        routes = self._routes.get(body.instrument) or self._route(body.instrument)
        dirty: dict[str, tuple[SystemState, dict[Derived, None]]] = {}
        for sample in body.samples:
            name, value, flag = sample.channel, sample.value, sample.flag
            route = routes.get(name)
            if route is None:
                continue
            channel = route.channel
            channel.last_t = t
            quality = FLAG_QUALITY.get(flag, Quality.GOOD) if flag else Quality.GOOD
            si = u = 0.0
            if value is None:
                quality = quality if quality is not Quality.GOOD else Quality.INVALID
                channel.value = None
            else:
                if quality is Quality.GOOD and (
                    (route.low is not None and value < route.low) or (route.high is not None and value > route.high)
                ):
                    quality = Quality.OVER_RANGE
                si = route.scale.si(value)
                u = route.scale.u(value)
                if quality is Quality.GOOD:
                    quality = channel.watch.judge(t, si, route.fastest, route.fine)
                channel.value = si
            place, system = route.place, route.system
            if place is None or system is None:
                if quality is not channel.quality:
                    channel.quality = quality
                continue
            if (
                quality is Quality.GOOD
                and route.carries
                and abs(si) < ZERO_A
                and system.run.state in (RunState.RUNNING, RunState.STARTING)
            ):
                quality = Quality.NOT_IN_CONTACT
            if quality is Quality.GOOD and channel.record.calibration.due and self._past_due(channel):
                quality = Quality.OUT_OF_CALIBRATION
            if quality is not channel.quality:
                self._set_quality(self._state.instruments[body.instrument], channel, quality, REASON[quality])
            place.quality, place.t = quality, t
            if quality not in USABLE:
                place.value = None if value is None else si
                place.u = u
                self._live.append(
                    LiveValue(
                        system.record.id, place.name, False, t, place.value, u, quality, False, body.instrument, name
                    )
                )
                continue
            place.value, place.u = si, u
            watch = place.detector
            if watch is not None:
                if watch.push(t, si):
                    self._out.append(settling.changed(self._state, system, place, route.channel))
                elif watch.coarse and not place.told_coarse:
                    place.told_coarse = True
                    self._out.append(settling.too_coarse(system, place, route.channel))
            self._live.append(
                LiveValue(
                    system.record.id,
                    place.name,
                    False,
                    t,
                    si,
                    u,
                    quality,
                    watch is not None and watch.settled,
                    body.instrument,
                    name,
                )
            )
            if route.dirty:
                marked = dirty.get(system.record.id)
                if marked is None:
                    marked = dirty[system.record.id] = (system, {})
                marked[1].update(dict.fromkeys(route.dirty))
        for system, names in dirty.values():
            self._derive(system, tuple(names))

    def _past_due(self, channel: ChannelState) -> bool:
        wall_ns = self._state.t + self._state.wall_offset_ns
        return settling.iso_date(wall_ns) > channel.record.calibration.due

    def _set_quality(
        self,
        instrument: InstrumentEngineState,
        channel: ChannelState,
        quality: Quality,
        reason: str,
        *,
        keep: bool = False,
    ) -> None:
        channel.quality = quality
        system = self._state.systems.get(channel.system)
        if system is None or not channel.point:
            return
        place = system.points[channel.point]
        place.quality = quality
        if quality not in USABLE and place.detector is not None:
            if place.detector.settled and not keep:
                self._out.append(settling.lost(self._state, system, place, reason))
            place.detector.reset()
        self._out.append(
            e.QualityChanged(
                system=channel.system,
                name=channel.point,
                quality=quality,
                reason=reason,
                instrument=instrument.id,
                channel=channel.record.name,
            )
        )

    # ---------------------------------------------------------------------------------------------------- derived

    def _derive(self, system: SystemState, names: tuple[Derived, ...]) -> None:
        context = self._contexts[system.record.id]
        t = self._state.t
        for named in names:
            inputs = derivation.gather(system, named, t)
            if inputs is None:
                continue
            target = system.derived.get(named.name)
            if target is None:
                target = system.derived[named.name] = PointState(name=named.name)
                target.origin = "derived"
            try:
                value, u = derivation.compute(context, system, named, inputs)
            except NotDerivable as error:
                self._refuse_derived(system, target, str(error))
                continue
            target.value, target.u, target.t = value, u, inputs.newest
            if target.quality is not Quality.GOOD:
                target.quality = Quality.GOOD
                self._tell_quality(system, target, REASON[Quality.GOOD])
            change = settling.derived_step(self._state, system, named, target, inputs)
            if change is not None:
                self._out.append(change)
            self._live.append(
                LiveValue(
                    system.record.id,
                    named.name,
                    True,
                    target.t,
                    value,
                    u,
                    Quality.GOOD,
                    settling.derived_settled(target, inputs),
                    "",
                    "",
                )
            )

    def _refuse_derived(self, system: SystemState, target: PointState, reason: str) -> None:
        self._end_derived(system, target, reason)
        if target.quality is not Quality.INVALID:
            target.quality = Quality.INVALID
            self._tell_quality(system, target, reason)

    def _end_derived(self, system: SystemState, target: PointState, reason: str) -> None:
        watch = target.detector
        if watch is not None:
            if watch.settled:
                self._out.append(settling.lost(self._state, system, target, reason))
            watch.reset()
        target.value = None

    def _tell_quality(self, system: SystemState, target: PointState, reason: str) -> None:
        self._out.append(
            e.QualityChanged(system=system.record.id, name=target.name, quality=target.quality, reason=reason)
        )

    # ------------------------------------------------------------------------------------------------------- time

    def _tick(self) -> None:
        state = self._state
        t = state.t
        state.deadline = (t // TICK_NS + 1) * TICK_NS
        for instrument in state.instruments.values():
            if instrument.origin == "entered":
                continue
            self._find_stale(instrument, t)
        for system in state.systems.values():
            for target in system.derived.values():
                if target.value is not None and t - target.t > derivation.SKEW_NS:
                    self._end_derived(system, target, "its inputs are no longer measured")
            previous_since = system.run.since
            changed = system.run.look(t, partial(_fresh, system, t))
            if changed is not None:
                was, _mode, evidence = changed
                if RunState.STOPPED in (was, system.run.state):
                    self._out += settling.start_over(state, system, f"the system is {system.run.state} now")
                self._out.append(
                    e.RunChanged(
                        system=system.record.id,
                        state=system.run.state,
                        mode=system.run.mode,
                        evidence=evidence,
                        previous=was,
                        previous_s=settling.sig9((t - previous_since) * 1e-9),
                    )
                )
            values = {
                name: (settling.sig9(target.value), settling.sig9(target.u))
                for name, target in system.derived.items()
                if target.value is not None and target.quality is Quality.GOOD
            }
            if values:
                self._out.append(e.Derived(system=system.record.id, values=values))

    def _find_stale(self, instrument: InstrumentEngineState, t: int) -> None:
        oldest = t - instrument.stale_after_ns
        channels = instrument.channels.values()
        silent = [c for c in channels if 0 <= c.last_t < oldest and c.quality is not Quality.STALE]
        if not silent:
            return
        # a meter with a selector gives one function at a time: turning it takes nothing back from what had settled
        turned = any(channel.last_t >= oldest for channel in channels)
        for channel in silent:
            reason = "the instrument gives another function now" if turned else REASON[Quality.STALE]
            self._set_quality(instrument, channel, Quality.STALE, reason, keep=turned)

    def run_of(self, system: str) -> tuple[RunState, Mode, float]:
        """Run state, mode, and for how many seconds, of a system."""
        run = self._state.systems[system].run
        return run.state, run.mode, (self._state.t - run.since) * 1e-9
