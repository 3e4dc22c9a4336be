"""Facts: what a technician may declare that no instrument tells, each as a sentence that is true when the fact is.

How long a fact holds is part of it:

- `phase`: what is true of a moment (gauges open, power verified off) ends when the visit goes on to another phase;
- `work`: what work may undo (panels on, filter in, coil dry) holds from phase to phase, until work begins;
- `visit`: what nobody changes on the way (a start-assist device), or what ends a visit (caps on), holds to its end.

Taking a fact back, or saying that it is not so, ends it at any time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Holds = Literal["phase", "work", "visit"]


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact: its name in commands, the sentence that is true when it is so, and how long it holds."""

    name: str
    sentence: str
    holds: Holds = "phase"


_ROWS = (
    # the run
    Fact("steady_cooling", "it has cooled without a stop, and without refrigerant added or removed, for 15 minutes"),
    Fact("airflow_checked", "indoor airflow was measured and is at least what the charge test asks for"),
    Fact("full_capacity", "the unit is held at full capacity: high stage, or the maker's test mode"),
    Fact("low_stage", "the unit is held in low stage"),
    Fact("heating", "the thermostat calls for heat, and the reversing valve is set to heating"),
    Fact("defrosting", "the outdoor unit defrosts: its fan stands while the compressor runs"),
    Fact("restarted", "the system was started anew after the work, and runs since then"),
    # how the equipment stands
    Fact("panels_on", "all panels and covers of the outdoor and indoor unit are in place", "work"),
    Fact("filter_in", "a clean filter is in place", "work"),
    Fact("outdoor_coil_dry", "the outdoor coil is dry: no rain, no rinse, no frost", "work"),
    Fact("indoor_coil_dry", "the indoor coil is dry", "work"),
    Fact("panel_open", "a panel with live parts behind it is open and somebody may have a hand in it", "visit"),
    # safety, said by who checked it
    Fact("power_off_verified", "the power is off at the disconnect, proved by a meter that was tried first"),
    Fact("isolated", "the power is off and locked out, the capacitor discharged, its leads off"),
    # how the instruments are
    Fact("no_start_assist", "no start-assist device or start capacitor shares the measured lead", "visit"),
    Fact("one_conductor", "the clamp is around one conductor only"),
    Fact("gauges_open", "the gauges' hoses are off the system and open to the air"),
    Fact("manometer_open", "both ports of the manometer are open to the room"),
    Fact("clamps_released", "no clamp is around a conductor, and its jaw is shut"),
    Fact("thermometers_together", "the thermometers lie together, out of sun and draught, and touch nothing else"),
    Fact("winter_off", "the power was off over the winter, and came back on for this visit", "visit"),
    # leaving
    Fact("thermostat_restored", "the thermostat is back at the settings that it was found at", "visit"),
    Fact("caps_on", "all service port caps and valve caps are on, with good seals", "visit"),
    Fact("disconnect_in", "the disconnect is in and the power is on", "visit"),
)

CATALOGUE: Mapping[str, Fact] = MappingProxyType({row.name: row for row in _ROWS})
FACTS: Mapping[str, str] = MappingProxyType({row.name: row.sentence for row in _ROWS})
"""Sentences by name"""


def ended_by(phase: str, facts: Mapping[str, bool]) -> tuple[str, ...]:
    """The facts that hold no longer when a phase begins. A fact of an older record that is not known ends too."""
    gone = []
    for name in facts:
        row = CATALOGUE.get(name)
        if row is None or row.holds == "phase" or (row.holds == "work" and phase == "work"):
            gone.append(name)
    return tuple(gone)
