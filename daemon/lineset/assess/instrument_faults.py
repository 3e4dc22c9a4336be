"""Faults of the instruments that show plainly: looked at before anything is said of the system.

What they rest on is what cannot be otherwise (pressure at the vapor port below that of the liquid port while it cools)
or, where marked, judgement.
"""

from __future__ import annotations

import math

from lineset.assess.cause import Cause, Kind
from lineset.assess.evidence import Evidence, Known
from lineset.assess.residuals import Z99, Residuals
from lineset.equipment.display import shown
from lineset_drivers.quantity import Quantity

_EVERYTHING = ("*",)
# Superheat and subcooling both beyond this [K] at once are seldom a fault of a system (judgement).
_BOTH_ABOVE_K = 15.0
# Supply air warmer than return air by more than this [K] while it cools and no strip heats (judgement).
_WARMER_K = 3.0
_CARRIES_A, _RUNNING_W = 0.5, 500.0  # a compressor that runs carries more than this; and takes more power (judgement)
PRESSURE_CAUTION = (
    "Refrigerant under pressure: eye protection and gloves; recover, never vent. Flammable refrigerants (A2L, A3): "
    "ventilate, no ignition sources, equipment rated for them."
)
LINE_CAUTION = (
    "Line voltage: a reading never proves that a circuit is dead; lock out and prove it before touching leads."
)


def beyond(one: Known, other: Known) -> bool:
    """Whether `one` is above `other` by more than the 99 % band of their difference."""
    return one.value - other.value > Z99 * math.hypot(one.u, other.u)


def instrument_faults(evidence: Evidence, rows: Residuals) -> list[Cause]:
    """The instrument faults that the readings of a running system show plainly, surest first."""
    if evidence.run != "running":
        return []
    found = (_wrong_port(evidence), _swapped_lines(evidence, rows), _swapped_air(evidence), _clamp(evidence))
    return [cause for cause in found if cause is not None]


def _cooling(evidence: Evidence) -> bool:
    return evidence.mode in ("cool", "")


def _wrong_port(evidence: Evidence) -> Cause | None:
    low, high = evidence.settled("vapor_service_pressure"), evidence.settled("liquid_service_pressure")
    if low is None or high is None or not _cooling(evidence) or not beyond(low, high):
        return None
    return Cause(
        "wrong_port",
        "Pressure readings on the wrong ports",
        Kind.INSTRUMENT,
        0.99,
        speaks_for=(
            f"while it cools, the vapor port reads {shown(low.value, Quantity.PRESSURE_GAUGE)} and the liquid port "
            f"{shown(high.value, Quantity.PRESSURE_GAUGE)}: the vapor port is always the lower one",
        ),
        meaning="the two hoses or channels are exchanged, or a heat pump is heating",
        next_step="exchange the two placements (or the hoses), and let the readings settle again",
        caution=PRESSURE_CAUTION,
        withholds=_EVERYTHING,
    )


def _swapped_lines(evidence: Evidence, rows: Residuals) -> Cause | None:
    vapor, liquid = evidence.settled("vapor_line_temperature"), evidence.settled("liquid_line_temperature")
    superheat, subcooling = rows.get("superheat"), rows.get("subcooling")
    if vapor is None or liquid is None or not _cooling(evidence) or not beyond(vapor, liquid):
        return None
    apart = vapor.value - liquid.value
    if superheat is not None and superheat.value < _BOTH_ABOVE_K:
        return None
    if subcooling is not None and subcooling.value < _BOTH_ABOVE_K:
        return None
    return Cause(
        "swapped_line_probes",
        "Vapor and liquid line probes exchanged",
        Kind.INSTRUMENT,
        0.97,
        speaks_for=(
            f"the vapor line reads {shown(apart, Quantity.TEMPERATURE_DIFFERENCE)} warmer than the liquid line; "
            "exchanged, both superheat and subcooling would be ordinary",
        ),
        meaning="each clamp sits on the other line, or the channels are placed the wrong way round",
        next_step="look which clamp sits on which line, and exchange the placements",
        withholds=("superheat", "subcooling", "compression_heat"),
    )


def _swapped_air(evidence: Evidence) -> Cause | None:
    back, supply = evidence.settled("return_air_temperature"), evidence.settled("supply_air_temperature")
    if back is None or supply is None or evidence.mode != "cool" or not beyond(supply, back):
        return None
    strips = [evidence.settled(name) for name in evidence.instances("heat_strip_current")]
    if supply.value - back.value < _WARMER_K or any(strip is not None and strip.value > 2.0 for strip in strips):
        return None
    rise = shown(supply.value - back.value, Quantity.TEMPERATURE_DIFFERENCE)
    off = "and no heat strip carries current" if strips else "and the heat strips were not measured"
    return Cause(
        "swapped_air_probes",
        "Return and supply air probes exchanged",
        Kind.INSTRUMENT,
        0.97 if strips else 0.8,
        speaks_for=(f"supply air reads {rise} warmer than return air while it cools, {off}",),
        meaning="each probe is in the other duct, or the channels are placed the wrong way round",
        next_step="look which probe is where, and exchange the placements"
        + ("" if strips else "; clamp each heat strip to make sure that none is energised"),
        withholds=_EVERYTHING,  # return air is what everything is judged by
    )


def _clamp(evidence: Evidence) -> Cause | None:
    common = evidence.settled("compressor_common_current")
    if common is None or common.value + Z99 * common.u > _CARRIES_A:
        return None
    power, herm = evidence.settled("power"), evidence.settled("herm_lead_current")
    seen = []
    if power is not None and power.value - Z99 * power.u > _RUNNING_W:
        seen.append(f"the outdoor unit takes {shown(power.value, Quantity.POWER)}")
    if herm is not None and herm.value - Z99 * herm.u > _CARRIES_A:
        seen.append(f"the capacitor's HERM lead carries {shown(herm.value, Quantity.CURRENT)}")
    low, high = evidence.settled("vapor_service_pressure"), evidence.settled("liquid_service_pressure")
    if low is not None and high is not None and high.value > 2.0 * max(low.value, 1e5):
        seen.append("the pressures are those of a running compressor")
    if not seen:
        return None
    return Cause(
        "clamp_not_on_one_conductor",
        "The clamp is not around one conductor",
        Kind.INSTRUMENT,
        0.97,
        speaks_for=(f"the common conductor reads {shown(common.value, Quantity.CURRENT)}, yet " + ", and ".join(seen),),
        meaning="the jaw is open, beside the wire, or around both conductors, whose currents cancel",
        next_step="put the jaw around the common conductor alone",
        caution=LINE_CAUTION,
    )
