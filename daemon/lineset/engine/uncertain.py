"""What the uncertainty of each reading of a visit is made of, compiled once per placement.

A sample needs one number, and gets it in a microsecond. What the number is made of is asked for when
something settles, and for derived values whose inputs share a source. Nothing here is remembered in the engine's
state but what stands there already; all of it can be thrown away at any moment.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from lineset.contract.entry import ChannelRecord
from lineset.derive.declared import Derived
from lineset.engine.state import EngineState, PointState, SystemState
from lineset.measure.installation import OUTDOOR, Installed, installed
from lineset.measure.quality import USABLE, Quality
from lineset.measure.settle import Fit
from lineset.measure.source import Parts, source
from lineset.measure.uncertainty import ChannelScale, overdue
from lineset.visit.comparison import Correction


class Budgets:
    """The compiled models of readings, by channel and point, over the engine's state."""

    __slots__ = ("_installed", "_scales", "_sharing", "_state")

    def __init__(self, state: EngineState) -> None:
        self._state = state
        self._scales: dict[tuple[str, str], ChannelScale] = {}
        self._installed: dict[str, Installed] = {}
        self._sharing: dict[tuple[str, str], bool] = {}

    def clear(self) -> None:
        """Forget what was compiled: a placement, a calibration's age or an instrument changed."""
        self._scales.clear()
        self._sharing.clear()

    def scale(self, instrument: str, channel: str) -> ChannelScale:
        """The way of a channel to SI, with the maker's limits widened when its calibration is overdue."""
        key = (instrument, channel)
        found = self._scales.get(key)
        if found is None:
            state = self._state.instruments[instrument].channels[channel]
            late = overdue(state.record.calibration, self._state.today)
            kept = state.correction.kept if state.correction is not None else 1.0
            record = corrected(state.record, state.correction)
            found = self._scales[key] = ChannelScale(record, instrument, late, kept)
        return found

    def installed(self, point: str) -> Installed:
        """The installation effects at a point."""
        found = self._installed.get(point)
        if found is None:
            found = self._installed[point] = installed(point, self._state.installation)
        return found

    def parts(self, system: SystemState, place: PointState, value: float) -> dict[str, float]:
        """The parts of a live reading of `value` (SI) at a place where a channel sits."""
        found = self.scale(place.instrument, place.channel).parts(value, place.name)
        return found | self.installed(place.name).parts(value, air(system))

    def entered(self, system: SystemState, point: str, value: float, stated: float, digit: float) -> dict[str, float]:
        """The parts of a value that a person read: what was stated of the meter, its last digit, and its place."""
        found = {source("stated", point): stated} if stated else {}
        if digit:
            found[source("resolution", point)] = digit
        return found | self.installed(point).parts(value, air(system))

    def of_inputs(self, system: SystemState, inputs: Sequence[tuple[PointState, float, float, bool]]) -> list[Parts]:
        """The parts of each input (place, value, u, held) of a derived value."""
        found: list[Parts] = []
        for place, value, u, held in inputs:
            if held or (place.quality is Quality.ENTERED and place.held == value):
                found.append(place.held_parts)
            elif place.channel:
                parts = self.parts(system, place, value)
                if place.lag:
                    parts[source("lag", place.name)] = place.lag
                found.append(parts)
            else:
                found.append({source("stated", place.name): u})
        return found

    def sharing(self, system: SystemState, named: Derived, places: Sequence[PointState]) -> bool:
        """Whether live readings at these places have a source in common. Looked up once per placement."""
        key = (system.record.id, named.name)
        found = self._sharing.get(key)
        if found is None:
            shares = [
                name
                for place in places
                if place.channel
                for name in self.scale(place.instrument, place.channel).shares()
            ]
            found = self._sharing[key] = len(set(shares)) < len(shares)
        return found


def corrected(record: ChannelRecord, found: Correction | None) -> ChannelRecord:
    """A channel's record with what a comparison found taken off through its calibration."""
    if found is None:
        return record
    before = record.calibration
    calibration = replace(before, offset=before.offset - found.offset, u=found.u)
    if found.reference:
        calibration = replace(calibration, reference=found.reference, reference_u=found.reference_u)
    return replace(record, calibration=calibration)


def air(system: SystemState) -> float | None:
    """The outdoor air temperature as it stands, for what pipe clamps pick up from it."""
    place = system.points.get(OUTDOOR)
    return place.value if place is not None and place.quality in USABLE else None


def with_window(parts: Mapping[str, float], name: str, fit: Fit, response_s: float) -> dict[str, float]:
    """The parts of a window's mean: those of its readings, how well the mean is known, and how far the probe lags."""
    found = {key: effect for key, effect in parts.items() if not key.startswith("lag ")}
    found[source("repeatability", name)] = fit.u_mean
    behind = fit.slope * response_s
    if behind:
        found[source("lag", name)] = behind
    return found


def lagging(place: PointState, since_s: float, value: float, response_s: float) -> float:
    """How far a probe of this time constant is behind, from its own track: value less its exponential mean [SI].

    A first-order probe in a ramp reads late by slope x time constant, which is what a mean of the same time constant
    is behind the reading. `since_s` is the time since the sample before.
    """
    if place.smooth is None:
        place.smooth = value
        return 0.0
    if since_s > 0.0:
        place.smooth += (value - place.smooth) * since_s / (since_s + response_s)
    return value - place.smooth
