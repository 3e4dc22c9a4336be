"""A value that a person read by eye comes to its point: settled by attestation, unless the point is disturbed."""

from __future__ import annotations

from typing import NamedTuple

from lineset.contract import entry as e
from lineset.engine import settling, working
from lineset.engine.route import LiveValue
from lineset.engine.state import EngineState, PointState, SystemState
from lineset.engine.uncertain import Budgets
from lineset.equipment.points import PointError, point
from lineset.measure.quality import USABLE, Quality
from lineset.measure.source import combined


class Taken(NamedTuple):
    """What came of it; `new`: its point was not known before."""

    system: SystemState
    events: list[e.OutputBody]
    live: LiveValue
    new: bool


def enter(state: EngineState, body: e.Entered, budgets: Budgets) -> Taken | None:
    """Take a value to its point. None where there is no such place: refused before, but an old record may hold one."""
    system = state.systems.get(body.system)
    if system is None:
        return None
    try:
        point(body.point)
    except PointError:
        return None
    place = system.points.get(body.point)
    new = place is None
    if place is None:
        why = working.words_at(system, body.point)
        place = system.points[body.point] = PointState(name=body.point, disturbed=why)
        budgets.clear()
    parts = settling.entered_parts(system, body, budgets)
    u = combined(parts)
    t = state.t
    if not place.channel or place.value is None or place.quality not in USABLE:
        place.value, place.u, place.t, place.quality = body.value, u, t, Quality.ENTERED
    counts = not place.disturbed
    events: list[e.OutputBody] = [settling.attested(state, system, place, body, parts)] if counts else []
    live = LiveValue(body.system, body.point, False, t, body.value, u, Quality.ENTERED, counts, body.instrument, "")
    return Taken(system, events, live, new)
