"""The engine: a pure fold over entries.

`push(seq, t, body)` takes one input entry and returns the output bodies that it caused; `take_live()` gives the live
values since last asked; `next_deadline()` says by when a tick is wanted; `snapshot()` and `Engine.restore()` carry
the state over. The same entries give the same outputs in any process: nothing here reads a clock, draws a random
number or depends on the order of a set.

Once a second of visit time (a tick, or the first entry after it) the run state is weighed, readings that went
silent become stale, the derived values of each second are worked out, and all are put on record.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from lineset.contract import entry as e
from lineset.derive.declared import Derived
from lineset.engine import (
    assessing,
    channel_quality,
    comparing,
    cueing,
    derivation,
    deriving,
    describing,
    diagnosing,
    entering,
    hunting,
    placement,
    roaming,
    running,
    settling,
    telling,
    working,
)
from lineset.engine.ahead import ahead_of
from lineset.engine.route import OFF_THE_WIRE_NS, ZERO_A, Route
from lineset.engine.route import LiveValue as LiveValue
from lineset.engine.state import EngineState, SystemState, decode, encode
from lineset.engine.uncertain import Budgets, lagging
from lineset.measure.quality import FLAG_QUALITY, REASON, STOPPED, USABLE, Quality
from lineset.visit.run import Mode, RunState

NS = 1_000_000_000
TICK_NS = NS
_ON = (RunState.RUNNING, RunState.STARTING)
_GOOD = Quality.GOOD  # a member of an enumeration costs a look-up each time that it is named


class Engine:
    """The fold. Make one with a fingerprint, or by `restore`; then push entries in order of `seq`."""

    def __init__(self, fingerprint: str, *, live: bool = True) -> None:
        """Without `live` there are no live values to take: for who only replays."""
        self._state = EngineState(fingerprint=fingerprint)
        self._routes: dict[str, dict[str, Route]] = {}
        self._budgets = Budgets(self._state)
        self._contexts: dict[str, derivation.SystemContext] = {}
        self._live: list[LiveValue] | None = [] if live else None
        self._out: list[e.OutputBody] = []
        self._handlers: dict[type, Callable[..., None]] = {
            e.Opened: self._opened,
            e.Recalled: self._recalled,
            e.Introduced: self._introduced,
            e.Entered: self._entered,
            e.Placed: self._placed,
            e.Phased: self._phased,
            e.Declared: self._declared,
            e.RefrigerantHandled: self._refrigerant,
            e.Marked: self._marked,
            e.Amended: self._amended,
            e.InstrumentChanged: self._instrument_changed,
            e.WallClock: self._wall,
            e.Resumed: self._resumed,
            e.Answered: self._answered,
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
            if not out and not state.comparing:
                return out  # as most frames: nothing below has anything to look at then
        else:
            handler = self._handlers.get(type(body))
            if handler is not None:
                handler(body)
        compared = comparing.look(state, body, self._budgets)
        if compared:
            out += compared
            self._compile_anew()
        out += assessing.assess(state, body, out)
        comparing.told(state, out)
        working.heard(state, out)
        telling.keep(state, body, out)
        out += cueing.cue(state, body, out)
        return out

    def take_live(self) -> list[LiveValue]:
        """The live values since last asked, oldest first."""
        live = self._live or []
        if live:
            self._live = []
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
        engine._budgets = Budgets(engine._state)
        for system in engine._state.systems.values():
            engine._contexts[system.record.id] = derivation.SystemContext(system.record)
        return engine

    def refuse_placement(self, instrument: str, channel: str, system: str, point_name: str) -> str:
        """Why this placement cannot be, in a sentence; empty when it can."""
        return placement.refusal(self._state, instrument, channel, system, point_name)

    # ---------------------------------------------------------------------------------------------------- entries

    def _opened(self, body: e.Opened) -> None:
        state = self._state
        state.opened = True
        state.station, state.visit, state.phase = body.station, body.visit, body.phase
        state.rules = str(body.config.get("rules", {}).get("text", ""))
        state.worklist = str(body.config.get("worklist", {}).get("text", ""))
        state.language = str(body.config.get("language", "en"))
        state.units = "si" if body.config.get("units") == "si" else "customary"
        state.wall_offset_ns = body.wall_ns - state.t
        state.installation = body.installation
        self._look_at_the_date()
        state.deadline = (state.t // TICK_NS + 1) * TICK_NS
        for record in body.systems:
            state.systems[record.id] = SystemState(record=record)
            self._contexts[record.id] = derivation.SystemContext(record)

    def _recalled(self, body: e.Recalled) -> None:
        if body.system in self._state.systems:
            diagnosing.recall(self._state.systems[body.system], body)

    def _introduced(self, body: e.Introduced) -> None:
        self._out += placement.introduce(self._state, body)
        self._compile_anew()

    def _placed(self, body: e.Placed) -> None:
        self._out += placement.place(self._state, body)
        known = self._state.instruments.get(body.instrument)
        if known is not None and body.channel in known.channels:
            self._out += roaming.placed(self._state, body.instrument, known.channels[body.channel], body)
        self._compile_anew()

    def _phased(self, body: e.Phased) -> None:
        self._state.phase = body.phase
        if body.phase == "work":
            self._state.work_since = self._state.t
        assessing.begin_phase(self._state)
        self._out += working.begin_phase(self._state)
        # each phase proves its own, from readings of its own; the earlier phase's stay on record
        for system in self._state.systems.values():
            settling.start_over(self._state, system)
            for place in (*system.points.values(), *system.derived.values()):
                place.held_epoch = -1
                place.attested = False

    def _declared(self, body: e.Declared) -> None:
        assessing.declare(self._state, body)
        self._out += working.declared(self._state, body)
        self._state.at = body.system

    def _refrigerant(self, body: e.RefrigerantHandled) -> None:
        self._out += running.handled(self._state, body)

    def _marked(self, body: e.Marked) -> None:
        self._out += working.mark(self._state, body)
        self._state.at = body.system

    def _amended(self, body: e.Amended) -> None:
        self._out += describing.amend(self._state, body)
        if body.record.id in self._state.systems:
            self._contexts[body.record.id] = derivation.SystemContext(body.record)
            self._compile_anew()

    def _entered(self, body: e.Entered) -> None:
        done = entering.enter(self._state, body, self._budgets)
        if done is None:
            return
        if done.new:
            self._compile_anew()  # another instance of a load may feed on the same line voltage now
        self._out += done.events
        if self._live is not None:
            self._live.append(done.live)
        self._derive(done.system, derivation.fed_by(done.system, body.point))

    def _instrument_changed(self, body: e.InstrumentChanged) -> None:
        known = self._state.instruments.get(body.instrument)
        if known is None:
            return
        known.state = body.state
        if body.state == "lost":
            for channel in known.channels.values():
                if channel.quality is not Quality.STALE:
                    self._out += channel_quality.set_quality(self._state, known, channel, Quality.STALE, body.reason)

    def _wall(self, body: e.WallClock) -> None:
        self._state.wall_offset_ns = body.wall_ns - self._state.t
        self._look_at_the_date()

    def _resumed(self, body: e.Resumed) -> None:
        state = self._state
        state.wall_offset_ns = body.wall_ns - state.t
        self._look_at_the_date()
        for system in state.systems.values():
            self._out += settling.start_over(state, system, "the station was away")
            was, since, epoch = system.run.state, system.run.since, system.run.epoch
            unknown = system.run.unseen(state.t, body.gap_ns)
            if system.run.epoch != epoch:
                self._out += settling.end_attested(state, system, "the station was away")
            if unknown:
                self._out.append(running.run_changed(system, was, since, {}, state.t))

    def _answered(self, body: e.Answered) -> None:
        self._out += roaming.answered(self._state, body)

    def _closed(self, body: e.Closed) -> None:
        self._state.closed = True

    def _compile_anew(self) -> None:
        self._routes.clear()
        self._budgets.clear()

    def _look_at_the_date(self) -> None:
        # kept in the state, and changed with an entry only, so that a restored engine widens the same readings
        today = settling.iso_date(self._state.t + self._state.wall_offset_ns)
        if today != self._state.today:
            self._state.today = today
            self._compile_anew()

    # ----------------------------------------------------------------------------------------------------- frames

    def _route(self, instrument: str) -> dict[str, Route]:
        routes = self._routes.get(instrument)
        if routes is None:
            known = self._state.instruments.get(instrument)
            routes = {}
            for name, channel in known.channels.items() if known is not None else ():
                routes[name] = Route(self._state, channel, self._budgets, instrument)
            self._routes[instrument] = routes
        return routes

    def _framed(self, t: int, body: e.Framed) -> None:
        if body.spool:
            known = self._state.instruments.get(body.instrument)
            if known is not None:
                if body.spool <= known.spool:
                    return  # a relay sent it again: its receipt was lost on the way
                known.spool = body.spool
        routes = self._routes.get(body.instrument) or self._route(body.instrument)
        fed: list[tuple[SystemState, dict[str, Derived]]] = []
        live = self._live
        for sample in body.samples:
            name, value, flag = sample.channel, sample.value, sample.flag
            route = routes.get(name)
            if route is None:
                continue
            channel = route.channel
            channel.last_t = t
            quality = FLAG_QUALITY.get(flag, _GOOD) if flag else _GOOD
            if value is not None and not route.low <= value <= route.high:
                if not math.isfinite(value):
                    value = None  # as it is stored: JSON has no such number
                elif quality is _GOOD:
                    quality = Quality.OVER_RANGE
            if sample.unit and sample.unit != route.unit:
                value = None  # the instrument was switched to another unit than its profile says: never guess
            si = u = 0.0
            if value is None:
                quality = quality if quality is not _GOOD else Quality.INVALID
                channel.value = None
            else:
                si = value * route.factor + route.offset
                u = route.u_flat
                if u < 0.0:
                    u = route.scale.u(value)
                if quality is _GOOD:
                    quality = channel.watch.judge(t, si, route.fastest, route.fine and value != route.rest)
                channel.value = si
            if channel.roam is not None and value is not None and quality is _GOOD:
                self._out += roaming.hear(self._state, body.instrument, channel, t, si)
            place, system = route.place, route.system
            if place is None or system is None:
                if quality is not channel.quality:
                    channel.quality = quality
                continue
            if route.carries:
                if value is None or abs(si) >= ZERO_A:
                    channel.zero_since = -1
                elif channel.zero_since < 0:
                    channel.zero_since = t
                elif quality is _GOOD and t - channel.zero_since >= OFF_THE_WIRE_NS and system.run.state in _ON:
                    quality = Quality.NOT_IN_CONTACT
            if route.due and quality is _GOOD and channel_quality.past_due(self._state, channel):
                quality = Quality.OUT_OF_CALIBRATION
            if quality is not channel.quality:
                known = self._state.instruments[body.instrument]
                self._out += channel_quality.set_quality(self._state, known, channel, quality, REASON[quality])
            since = (t - place.t) * 1e-9
            place.quality, place.t = quality, t
            if quality not in USABLE:
                place.value = None if value is None else si
                place.u = u
                if live is not None:
                    live.append(route.told(t, place.value, u, quality))
                continue
            watch = None if place.disturbed else place.detector
            place.lag = 0.0
            if route.response_s and not (watch is not None and watch.settled):
                place.lag = lagging(place, since, si, route.response_s)
            u = route.u_at_point(u, si, place.lag)
            place.value, place.u, place.fresh = si, u, True
            now = route.dirty
            if watch is not None:
                if watch.push(t, si):
                    self._out.append(settling.changed(self._state, system, place, route.channel, self._budgets))
                    now = {**now, **route.each_second}
                elif watch.coarse and not place.told_coarse:
                    place.told_coarse = True
                    self._out.append(settling.too_coarse(system, place, route.channel))
                if place.staying is not None:
                    change = settling.stay(self._state, system, place, route.channel, si, t, self._budgets)
                    if change is not None:
                        self._out.append(change)
                    watch = place.detector
                    assert watch is not None
                if watch.stuck and value != route.rest and channel.watch.stopped(t):
                    known = self._state.instruments[body.instrument]
                    self._out += channel_quality.set_quality(self._state, known, channel, Quality.FROZEN, STOPPED)
            if live is not None:
                steady = watch is not None and watch.settled
                ahead = None if watch is None or steady else ahead_of(place)
                live.append(route.told(t, si, u, quality, settled=steady, ahead=ahead))
            if now:
                fed.append((system, now))
        for system, names in deriving.fed_together(fed):
            self._derive(system, names)

    def _derive(self, system: SystemState, names: tuple[Derived, ...]) -> None:
        deriving.derive(
            self._state, system, names, self._contexts[system.record.id], self._budgets, self._out, self._live
        )

    # ------------------------------------------------------------------------------------------------------- time

    def _tick(self) -> None:
        state = self._state
        t = state.t
        state.deadline = (t // TICK_NS + 1) * TICK_NS
        self._look_at_the_date()
        for instrument in state.instruments.values():
            if instrument.origin == "entered":
                continue
            self._out += channel_quality.find_stale(state, instrument)
        for system in state.systems.values():
            self._derive(system, deriving.due_each_second(system))
            self._out += deriving.end_unfed(state, system)
            self._out += running.look(state, system, self._contexts[system.record.id].now(system))
            self._out += hunting.look(state, system)
            self._out += working.look(state, system)
            self._out += deriving.on_record(system)

    def run_of(self, system: str) -> tuple[RunState, Mode, float]:
        """Run state, mode, and for how many seconds, of a system."""
        run = self._state.systems[system].run
        return run.state, run.mode, (self._state.t - run.since) * 1e-9
