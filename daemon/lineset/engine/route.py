"""A channel's way to its point, looked up once, and the live value that comes out at its end."""

from __future__ import annotations

import math

import msgspec

from lineset.contract.entry import ChannelRecord
from lineset.derive.declared import Derived
from lineset.engine import derivation
from lineset.engine.ahead import Ahead
from lineset.engine.state import ChannelState, EngineState, PointState, SystemState
from lineset.engine.uncertain import Budgets, air
from lineset.measure.bands import band_of
from lineset.measure.quality import FASTEST, STANDS_AT_ZERO, Quality
from lineset_drivers.quantity import POSSIBLE, Quantity, from_si

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
# A system that stops is found stopped within this time; who still reads zero after it while the others say that the
# system runs is off the wire.
OFF_THE_WIRE_NS = 6_000_000_000


class LiveValue(msgspec.Struct, frozen=True, gc=False):
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
    ahead: Ahead | None = None


class Route:
    """Everything that a sample of one channel needs. Made anew when a placement or a profile changes."""

    __slots__ = (
        "_needs_air",
        "carries",
        "channel",
        "dirty",
        "due",
        "each_second",
        "factor",
        "fastest",
        "fine",
        "high",
        "installed",
        "instrument",
        "low",
        "offset",
        "place",
        "placed_var",
        "response_s",
        "rest",
        "scale",
        "system",
        "u_flat",
        "unit",
    )

    def __init__(self, engine: EngineState, channel: ChannelState, budgets: Budgets, instrument: str) -> None:
        record = channel.record
        quantity = Quantity(record.quantity)
        self.channel, self.instrument = channel, instrument
        self.unit = record.unit
        self.scale = budgets.scale(instrument, record.name)
        self.factor, self.offset = self.scale.factor, self.scale.offset
        self.u_flat = self.scale.u(0.0) if self.scale.flat else -1.0  # below 0: it hangs on the reading
        self.due = record.calibration.due
        self.response_s = record.response_s
        self.installed = budgets.installed(channel.point)
        self._needs_air = self.installed.needs_air
        self.placed_var = _squared(self.installed.u(0.0, None)) if self.installed.fixed else -1.0  # below 0: likewise
        self.fastest = FASTEST.get(quantity)
        band = band_of(quantity, channel.point)
        self.fine = band is not None and self.scale.resolution < band.band / 3.0
        self.low, self.high = _limits(record, quantity)
        self.rest = 0.0 if quantity in STANDS_AT_ZERO else None
        self.system: SystemState | None = engine.systems.get(channel.system) if channel.point else None
        self.place: PointState | None = self.system.points.get(channel.point) if self.system else None
        self.carries = channel.point in CARRIES_WHILE_RUNNING
        self.dirty: dict[str, Derived] = {}
        self.each_second: dict[str, Derived] = {}
        if self.system is not None:
            for each in derivation.fed_by(self.system, channel.point):
                if derivation.placed(self.system, each):
                    (self.each_second if each.each_second else self.dirty)[each.name] = each

    def told(
        self, t: int, value: float | None, u: float, quality: Quality, *, settled: bool = False,
        ahead: Ahead | None = None,
    ) -> LiveValue:  # fmt: skip
        """What this channel says now, of the point where it sits."""
        channel = self.channel
        return LiveValue(
            channel.system,
            channel.point,
            False,
            t,
            value,
            u,
            quality,
            settled,
            self.instrument,
            channel.record.name,
            ahead,
        )

    def u_at_point(self, u: float, si: float, lag: float) -> float:
        """Standard uncertainty of a reading with how the probe sits and how far it is behind; SI."""
        placed_var = self.placed_var
        if placed_var < 0.0:
            outdoor = air(self.system) if self._needs_air and self.system is not None else None
            placed = self.installed.u(si, outdoor)
            placed_var = placed * placed
        return math.sqrt(u * u + placed_var + lag * lag)


def _squared(x: float) -> float:
    return x * x  # `** 2` may differ in the last bit


def _limits(record: ChannelRecord, quantity: Quantity) -> tuple[float, float]:
    """Lowest and highest sample that can be a reading, in the record's unit: its range, else what is possible at all.

    A range is widened by the last bit of a float, so that its own ends lie inside.
    """
    edge = 1e-9
    low, high = (from_si(limit, record.unit, quantity) for limit in POSSIBLE[quantity])
    if record.low is not None and math.isfinite(record.low):
        low = max(low, record.low)
    if record.high is not None and math.isfinite(record.high):
        high = min(high, record.high)
    return low - abs(low) * edge - edge, high + abs(high) * edge + edge
