"""Whether a washed outdoor coil is dry, seen from the condenser's own reading while the system runs.

Water on the fins takes heat away as it evaporates, so the air leaves a wet coil cooler (and the liquid line stays
cooler) than it leaves a dry one; as the coil dries the rise over the outdoor air climbs, and stays. Shown dry is: after
five minutes of the run the rise has climbed by a kelvin or more from its lowest, and has settled. A coil that never
shows the climb is not called dry: soaked fins hold one temperature for a while, too. Then a person looks, and says so.
Thresholds are judgement (common practice, no source).
"""

from __future__ import annotations

from lineset.engine.state import DryingState, EngineState, PointState, SystemState
from lineset.measure.quality import USABLE, Quality
from lineset.measure.settle import detector
from lineset.visit.run import RunState
from lineset_drivers.quantity import Quantity

NS = 1_000_000_000
FIRST_NS = 300 * NS  # of a run say more of its start than of the water
CLIMB_K = 1.0
_SMOOTHING = 0.05  # about 20 s at one look a second
_LEAVING = ("condenser_leaving_temperature", "liquid_line_temperature")


def shows_dry(state: EngineState, system: SystemState) -> bool:
    """Look once (a second): whether the reading shows by now that the coil is dry."""
    if system.run.state is not RunState.RUNNING:
        system.drying = None
        return False
    if state.t - system.run.since < FIRST_NS:
        return False
    outdoor = _live(system.points.get("outdoor_air_temperature"))
    for name in _LEAVING:
        leaving = _live(system.points.get(name))
        if outdoor is not None and leaving is not None:
            return _watched(state, system, name, leaving - outdoor)
    return False


def _watched(state: EngineState, system: SystemState, name: str, rise: float) -> bool:
    watch = system.drying
    if watch is None or watch.name != name:
        found = detector(Quantity.TEMPERATURE_DIFFERENCE)
        assert found is not None
        watch = system.drying = DryingState(name, rise, rise, found)
    watch.smooth += _SMOOTHING * (rise - watch.smooth)
    watch.lowest = min(watch.lowest, watch.smooth)
    watch.detector.push(state.t, rise)
    return watch.detector.settled and watch.detector.fit().mean - watch.lowest >= CLIMB_K


def _live(place: PointState | None) -> float | None:
    if place is None or not place.channel or place.quality not in USABLE or place.quality is Quality.ENTERED:
        return None
    return place.value
