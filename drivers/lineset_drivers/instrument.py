"""What every driver has in common: where its frames go, what it may use, and how its state is told.

A driver turns profiles and a link into Frames. `InstrumentSpec` says which instrument, `Sink` is where frames,
states and losses go, `Context` is what all drivers of a fleet share, `Driver` is what the fleet supervises, and an
`Outlet` stands between one instrument and the sink: it counts what the sink could not take, and tells states only
when they change.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol

import msgspec

from .clock import NS, Clock
from .frame import Frame, InstrumentState, Loss, Sample, State
from .profile import PLUGIN_GROUP, Profile

if TYPE_CHECKING:
    from .transports.serial import PortWatch


class InstrumentSpec(msgspec.Struct, frozen=True):
    """One instrument of a station: `link` is a URL such as "serial:///dev/ttyUSB0" (see `link.parse_link`)."""

    id: str
    profile: Profile
    link: str
    unit: int | None = None  # Modbus unit; None: as the profile says
    serial: str = ""  # the serial number it must tell, where the profile can ask for it
    options: Mapping[str, Any] = {}  # overrides of the profile's [link], a BTHome bind key ("bindkey", hex) ...

    def __repr__(self) -> str:
        # options hold keys, and the profile is long
        return f"InstrumentSpec(id={self.id!r}, profile={self.profile.name!r}, link={self.link!r})"


class Sink(Protocol):
    """The station's inbox as drivers see it. None of these may block or raise."""

    def frame(self, frame: Frame) -> bool:
        """Take a frame; False when the inbox is full (the driver then skips polls, or drops its oldest lines)."""
        ...

    def state(self, state: InstrumentState) -> None:
        """An instrument's state, reason, identity or battery changed."""
        ...

    def loss(self, loss: Loss) -> None:
        """So many polls were skipped, or lines dropped, since the last such call for this instrument."""
        ...


class Context:
    """What the drivers of one fleet share. `random` is seeded (back-off jitter); `ports` lists serial ports.

    `told` is the last state told of each instrument, by whomever.
    """

    def __init__(self, clock: Clock, sink: Sink, *, seed: int = 0, ports: PortWatch | None = None) -> None:
        if ports is None:
            from .transports.serial import PortWatch  # pyserial comes with it, and only a running fleet needs that

            ports = PortWatch()
        self.clock, self.sink, self.ports = clock, sink, ports
        self.random = random.Random(seed)
        self.told: dict[str, InstrumentState] = {}


class Driver(Protocol):
    """One bus, link or radio with its instruments. `run` goes on until cancelled, cleans up, and survives faults of
    link and instrument by itself; what it lets through is a fault of ours, which the fleet logs, tells and restarts."""

    name: str
    instruments: Sequence[InstrumentSpec]

    async def run(self) -> None: ...


DriverFactory = Callable[[Sequence[InstrumentSpec], Context], Driver]
"""What an entry point of the group `lineset.protocols` gives: all instruments on one link in, one driver out."""


BUILT_IN = {
    "modbus": "lineset_drivers.modbus_bus:ModbusBus",
    "scpi": "lineset_drivers.scpi_instrument:ScpiInstrument",
    "lines": "lineset_drivers.line_instrument:LineInstrument",
    "gatt": "lineset_drivers.ble_instrument:build",
    "bthome": "lineset_drivers.ble_instrument:build",
    "entered": "lineset_drivers.entered:Entered",
}
"""Protocol -> where its driver factory is; imported when an instrument needs it."""


def factory_of(protocol: str) -> DriverFactory:
    """The factory of a protocol's drivers, built in or a third party's. Raises LookupError when there is none."""
    if protocol in BUILT_IN:
        module, _, name = BUILT_IN[protocol].partition(":")
        factory: DriverFactory = getattr(import_module(module), name)
        return factory
    from importlib.metadata import entry_points

    for entry in entry_points(group=PLUGIN_GROUP, name=protocol):
        loaded: DriverFactory = entry.load()
        return loaded
    raise LookupError(f"no driver for the protocol {protocol!r}; install the package that provides it")


class Outlet:
    """One instrument's way to the sink. `backlog` is how many frames of a stream may wait; a poll keeps one."""

    def __init__(self, spec: InstrumentSpec, context: Context, *, where: str = "", backlog: int = 1) -> None:
        self.spec, self.where = spec, where or spec.link
        self._clock, self._sink, self._told = context.clock, context.sink, context.told
        self._waiting: deque[Frame] = deque()
        self._room = backlog
        self._lost: dict[str, int] = {}
        self._state = State.SEEKING
        self.identity, self.identity_weak = "", False
        self.battery: float | None = None
        self.last_t: int | None = None  # when the last frame came, visit ns
        self.linked_reason = "giving samples"

    # -- frames -----------------------------------------------------------------------------------------------

    def frame(self, raw: bytes, samples: tuple[Sample, ...]) -> Frame:
        """A frame of this instrument, stamped now, on its way to the sink. Linked from here on."""
        frame = Frame(self.spec.id, self._clock.now(), raw, samples)
        self.last_t = frame.t
        if self._state is not State.LINKED:
            self.tell(State.LINKED, self.linked_reason)
        if self._waiting or not self._sink.frame(frame):
            self._waiting.append(frame)
            self.flush()
            while len(self._waiting) > self._room:
                self._waiting.popleft()
                self.count("stream_dropped", 1)
        elif self._lost:
            self._tell_losses()
        return frame

    def flush(self) -> bool:
        """Offer again what waits; True when nothing waits any more."""
        while self._waiting:
            if not self._sink.frame(self._waiting[0]):
                return False
            self._waiting.popleft()
        if self._lost:
            self._tell_losses()
        return True

    @property
    def blocked(self) -> bool:
        """True while the sink takes nothing: a poll would only add to it."""
        return bool(self._waiting) and not self.flush()

    def count(self, kind: str, count: int) -> None:
        """Count a loss; told with the next frame that the sink takes, or at `close`."""
        self._lost[kind] = self._lost.get(kind, 0) + count

    def _tell_losses(self) -> None:
        for kind, count in self._lost.items():
            self._sink.loss(Loss(self.spec.id, self._clock.now(), kind, count))
        self._lost.clear()

    def close(self) -> None:
        """Tell the losses, and count what still waits as lost too."""
        if not self.flush():
            self.count("stream_dropped", len(self._waiting))
            self._waiting.clear()
        self._tell_losses()

    # -- state ------------------------------------------------------------------------------------------------

    @property
    def state(self) -> State:
        return self._state

    def tell(self, state: State, reason: str) -> None:
        """Publish the state with its reason; the same one again is not repeated."""
        self._state = state
        new = InstrumentState(
            instrument=self.spec.id,
            t=self._clock.now(),
            state=state,
            reason=reason,
            profile=self.spec.profile.name,
            identity=self.identity,
            identity_weak=self.identity_weak,
            link=self.where,
            battery=self.battery,
        )
        told = self._told.get(self.spec.id)
        if told is not None and msgspec.structs.replace(told, t=new.t) == new:
            return
        self._told[self.spec.id] = new
        self._sink.state(new)

    def missed(self, reason: str) -> None:
        """It is not there (any more): lost if it was linked before, else still being sought."""
        gone = self._state in (State.LINKED, State.STALE, State.LOST)
        self.tell(State.LOST if gone else State.SEEKING, reason)

    def stale_at(self) -> int | None:
        """The visit time at which this instrument goes stale unless something new comes; None before the first.

        Never sooner than its I/O can have failed and been tried once more: time-outs are real seconds, and at a
        fast clock `stale_after_s` may be shorter than one of them.
        """
        if self.last_t is None:
            return None
        link = self.spec.profile.link
        least_real_s = 2.5 * float(self.spec.options.get("timeout_s", link.timeout_s)) + 0.25
        return self.last_t + int(max(self.spec.profile.stale_after_s, least_real_s * self._clock.rate) * NS)
