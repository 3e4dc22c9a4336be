"""Whether gauges go on: only when readings that open nothing give cause, or the shop says so; and why."""

from __future__ import annotations

from typing import NamedTuple

from lineset.assess.checks import CATALOGUE as CHECKS
from lineset.equipment.display import Units, shown
from lineset.visit import words_worklist as words
from lineset.visit.situation import Situation
from lineset.visit.tasks import Catalogue
from lineset_drivers.quantity import Quantity

# Checks that open nothing and whose failing pressures would explain.
_ASKING = ("split", "compressor_amps")
# What is measured first: as long as one of these is missing, nothing speaks for gauges yet.
_FIRST = ("return_air_temperature", "supply_air_temperature", "outdoor_air_temperature", "compressor_common_current")
_PORTS = ("vapor_service_pressure", "liquid_service_pressure")


class Gauges(NamedTuple):
    """Whether they go on, whether that is decided yet, the sentence that says why, and what was proved without."""

    on: bool
    decided: bool
    sentence: str
    proved: tuple[str, ...] = ()


def gauges(now: Situation, rows: Catalogue, units: Units = "customary", say: words.Say = words.as_written) -> Gauges:
    """Whether gauges go on in the present phase, and why."""
    if any((point := now.points.get(name)) is not None and point.placed for name in _PORTS) or any(
        now.has(phase, name) for name in _PORTS for phase in ("before", "after")
    ):
        return Gauges(True, True, say(words.GAUGES_ARE_ON))
    proved = tuple(CHECKS[name].title for name, state in now.verdicts.items() if state == "pass" and name in CHECKS)
    if rows.gauges == "never":
        return Gauges(False, True, say(words.GAUGES_NEVER), proved)
    if now.outdoor_cel is not None and now.outdoor_cel < now.lowest_outdoor_cel:
        limit = shown(now.lowest_outdoor_cel, Quantity.TEMPERATURE, units)
        return Gauges(False, True, say(words.GAUGES_COLD).format(limit=limit), proved)
    if rows.gauges == "always":
        return Gauges(True, True, say(words.GAUGES_SHOP), proved)
    if now.system.capacity_control == "inverter" and not now.declared.get("full_capacity"):
        return Gauges(False, True, say(words.GAUGES_INVERTER), proved)
    if now.asks_gauges:
        return Gauges(True, True, say(words.GAUGES_FINDING).format(finding=say(now.asks_gauges)), proved)
    for name in _ASKING:
        if now.verdicts.get(name) in ("fail", "advisory_off"):
            title = say(CHECKS[name].title)
            return Gauges(True, True, say(words.GAUGES_CHECK).format(check=title), proved)
    if any(not now.has(now.phase, name) and not now.done(name) for name in _FIRST):
        return Gauges(False, False, say(words.GAUGES_WAIT), proved)
    if not now.known_from_before and now.phase == "before":
        return Gauges(True, True, say(words.GAUGES_BASELINE), proved)
    return Gauges(False, True, say(words.GAUGES_OFF), proved)
