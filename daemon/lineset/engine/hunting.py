"""A reading or derived value that hunts, put on record once: when it has done so for a whole period, and when it ends.

Looked at once a second of visit time, so that a sample costs nothing for it.
"""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.engine.rounding import sig9
from lineset.engine.state import EngineState, Hunt, PointState, SystemState
from lineset.equipment.points import POINTS
from lineset.measure.quality import USABLE
from lineset_drivers.quantity import SI_UNIT, Quantity

NS = 1_000_000_000
# They swing along with a temperature or a pressure, which is told; nobody reads them.
_ALONG = frozenset({Quantity.DENSITY, Quantity.ENTHALPY, Quantity.REFRIGERANT_ENTHALPY, Quantity.HUMIDITY_RATIO})


def look(state: EngineState, system: SystemState) -> list[e.OutputBody]:
    """What began or ended to hunt in a system by now."""
    out: list[e.OutputBody] = []
    for place in (*system.points.values(), *system.derived.values()):
        watch = place.detector
        if watch is None or place.value is None:
            continue  # who took the detector away has ended it
        if place.name in CATALOGUE and CATALOGUE[place.name].quantity in _ALONG:
            continue
        hunt = place.hunting
        wide = 0.0 if watch.settled else watch.hunting_amplitude
        if not wide:
            if hunt is None:
                continue
            if watch.settled:
                out += end(state, system, place, "it has settled")
            elif not hunt.told or state.t - hunt.last > hunt.period_s * NS:
                out += end(state, system, place, "it no longer swings")
            continue
        if place.quality not in USABLE:
            continue
        if hunt is None:
            hunt = place.hunting = Hunt(since=state.t)
        hunt.last, hunt.amplitude, hunt.period_s = state.t, wide, watch.hunting_period_s
        hunt.total += place.value
        hunt.count += 1
        # four turns in a row may be chance; a whole period more of them is not
        if not hunt.told and state.t - hunt.since >= hunt.period_s * NS:
            hunt.told = True
            out.append(_event(state, system, place, hunt, "started"))
    return out


def end(state: EngineState, system: SystemState, place: PointState, reason: str) -> list[e.OutputBody]:
    """The hunting at a place is over, or nobody can tell any more; on record where its start is."""
    hunt, place.hunting = place.hunting, None
    if hunt is None or not hunt.told:
        return []
    return [_event(state, system, place, hunt, "ended", reason)]


def _event(
    state: EngineState, system: SystemState, place: PointState, hunt: Hunt, what: str, reason: str = ""
) -> e.Hunting:
    base = place.name.partition(".")[0]
    quantity = POINTS[base].quantity if base in POINTS else CATALOGUE[base].quantity
    return e.Hunting(
        system=system.record.id,
        phase=state.phase,
        name=place.name,
        state=what,
        amplitude=sig9(hunt.amplitude),
        period_s=sig9(hunt.period_s),
        mean=sig9(hunt.total / hunt.count),
        unit=SI_UNIT[quantity],
        instrument=place.instrument,
        channel=place.channel,
        reason=reason,
    )
