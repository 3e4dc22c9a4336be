"""What a technician knows of the first run after a winter, said at the moment when it matters. Pure; SI.

Sentences for opening, for before the system is started, and for the checks of charge. Where a figure is published its
source stands beside it; the others are common practice, no source. A maker's own instruction goes before all of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lineset.equipment.display import Units
from lineset.equipment.language import Say
from lineset.equipment.system import SystemRecord
from lineset.visit import words_spring as words

NS = 1_000_000_000
CRANKCASE_WAIT_S = 24 * 3600.0
"""With the heater on before a start after a long time without power: 12 to 24 hours are usual on makers' labels
(common practice, no source)"""
ANTI_SHORT_CYCLE_S = 300.0
"""Controls hold a compressor off for three to five minutes after a stop (common practice, no source)"""
LOWEST_CHARGE_CEL = (55.0 - 32.0) / 1.8
"""Outdoors, for a charge test: 55 degF (2008 Reference Residential Appendices RA3.2 p. RA3-9)"""
LOWEST_RETURN_CEL = (70.0 - 32.0) / 1.8
"""Return dry bulb below which the house is too cool to hold a charge test (the same appendix asks for 70 degF after
15 minutes, from memory)"""


@dataclass(frozen=True, slots=True)
class Spring:
    """What is known of one system in spring.

    Temperatures in Cel, None where nobody measured them; times in seconds. `off_s` is for how long the power was off
    before it was put back, `powered_s` for how long it has been back, None: not known. `stopped_s` is how long the
    system has stood since it was last seen to run, None: it was not seen to run.
    """

    system: SystemRecord
    outdoor_cel: float | None = None
    return_cel: float | None = None
    setting_cel: float | None = None
    off_s: float | None = None
    powered_s: float | None = None
    stopped_s: float | None = None
    running: bool = False
    declared: Mapping[str, bool] | None = None
    lowest_outdoor_cel: float = LOWEST_CHARGE_CEL


def _temperature(cel: float, units: Units) -> str:
    """Without decimals: these are figures to go by, not readings."""
    return f"{cel:.0f} degC" if units == "si" else f"{cel * 1.8 + 32.0:.0f} degF"


def _minutes(seconds: float) -> str:
    return f"{-(-seconds // 60.0):.0f}"


def at_opening(now: Spring, units: Units = "customary", say: Say = str) -> tuple[str, ...]:
    """What is worth knowing before anything is touched."""
    found: list[str] = []
    if now.off_s is None and not now.running:
        found.append(say(words.HEATER_FIRST))
    return (*found, *charge_today(now, units, say))


def before_start(now: Spring, units: Units = "customary", say: Say = str) -> tuple[str, ...]:
    """What speaks against starting the compressor this minute."""
    found: list[str] = []
    wait = crankcase_wait_s(now)
    if wait > 0.0:
        found.append(say(words.HEATER_WAIT).format(hours=f"{-(-wait // 3600.0):.0f}"))
    left = off_delay_left_s(now)
    if left > 0.0:
        found.append(say(words.SHORT_CYCLE).format(delay=_minutes(ANTI_SHORT_CYCLE_S), left=_minutes(left)))
    if house_is_cool(now):
        assert now.return_cel is not None
        found.append(say(words.HOUSE_COOL).format(inside=_temperature(now.return_cel, units)))
    return tuple(found)


def charge_today(now: Spring, units: Units = "customary", say: Say = str) -> tuple[str, ...]:
    """Why a verdict on the charge may not be had today, and what can be done instead; empty where it may."""
    found: list[str] = []
    if now.outdoor_cel is not None and now.outdoor_cel < now.lowest_outdoor_cel:
        outdoors, limit = (_temperature(cel, units) for cel in (now.outdoor_cel, now.lowest_outdoor_cel))
        found.append(say(words.TOO_COLD).format(outdoors=outdoors, limit=limit))
    inverter = now.system.capacity_control == "inverter"
    if inverter and not (now.declared or {}).get("full_capacity"):
        found.append(say(words.INVERTER))
    if now.return_cel is not None and now.return_cel < LOWEST_RETURN_CEL:
        inside, limit = (_temperature(cel, units) for cel in (now.return_cel, LOWEST_RETURN_CEL))
        found.append(say(words.RETURN_COOL).format(inside=inside, limit=limit))
    return tuple(found)


def crankcase_wait_s(now: Spring) -> float:
    """Seconds that a crankcase heater still needs after a long time without power; 0 where nothing speaks for it.

    Asked only where the power is known to have been off for longer than the wait itself, and not when it is warm out:
    a compressor as warm as its lines gathers little.
    """
    if now.running or now.off_s is None or now.off_s < CRANKCASE_WAIT_S:
        return 0.0
    if now.outdoor_cel is not None and now.outdoor_cel > 30.0:
        return 0.0
    return max(CRANKCASE_WAIT_S - (now.powered_s or 0.0), 0.0)


def off_delay_left_s(now: Spring) -> float:
    """Seconds for which a control may still hold the compressor off; 0 where it was not seen to run lately."""
    if now.running or now.stopped_s is None:
        return 0.0
    return max(ANTI_SHORT_CYCLE_S - now.stopped_s, 0.0)


def house_is_cool(now: Spring) -> bool:
    """Whether the house is so cool that the thermostat will end a run before anything settles."""
    if now.return_cel is None or now.running:
        return False
    if now.setting_cel is not None:
        return now.return_cel <= now.setting_cel
    return now.return_cel < LOWEST_RETURN_CEL
