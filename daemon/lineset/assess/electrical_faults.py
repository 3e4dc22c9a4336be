"""Electrical faults that a reading shows by itself, whatever the refrigerant does: 99 % sure or not said."""

from __future__ import annotations

from lineset.assess.cause import Cause, Kind
from lineset.assess.evidence import Evidence
from lineset.assess.instrument_faults import LINE_CAUTION
from lineset.assess.limits import limit
from lineset.assess.residuals import Z99
from lineset.equipment.display import shown
from lineset.equipment.nameplate import Nameplate
from lineset_drivers.quantity import Quantity

CHARGE_CAUTION = (
    "Stored charge and line voltage: disconnect and lock out, discharge the capacitor and prove it before a lead comes "
    "off."
)
_CAPACITORS = (
    ("herm", "compressor", "herm_capacitance", "herm_capacitance_under_load"),
    ("fan", "outdoor fan", "fan_capacitance", "fan_capacitance_under_load"),
    ("blower", "blower", "blower_capacitance", ""),
)


def electrical_faults(evidence: Evidence) -> list[Cause]:
    """Failing capacitors, heat strips energised while it cools, supply voltage outside the equipment's window."""
    found = [_capacitor(evidence, *row) for row in _CAPACITORS]
    found += [_strips(evidence), _supply(evidence)]
    return [cause for cause in found if cause is not None]


def _capacitor(evidence: Evidence, lead: str, motor: str, bench: str, loaded: str) -> Cause | None:
    plate = evidence.system.nameplate
    marked: float | None = getattr(plate, f"{lead}_capacitor_f")
    if marked is None:
        return None
    for name, how in ((bench, "on the bench"), (loaded, "under load")):
        value = evidence.settled(name) if name else None
        if value is None:
            continue
        least = marked * (1.0 - plate.allowed_capacitor_part)
        if value.value + Z99 * value.u >= least:
            return None
        part = 100.0 * (1.0 - value.value / marked)
        return Cause(
            f"failing_{lead}_capacitor",
            f"The {motor}'s run capacitor has faded",
            Kind.ELECTRICAL,
            0.99,
            speaks_for=(
                f"{shown(value.value, Quantity.CAPACITANCE)} {how}, {part:.0f} % below the "
                f"{shown(marked, Quantity.CAPACITANCE)} that is marked ({_allowed(plate)})",
            ),
            meaning=f"the {motor} starts hard, runs hot and weak"
            + (", so less air goes through the outdoor coil" if lead == "fan" else ""),
            next_step="confirm on the bench (isolated and discharged), then replace it by its marked value and voltage",
            caution=CHARGE_CAUTION,
        )
    return None


def _allowed(plate: Nameplate) -> str:
    told = "is allowed" if plate.capacitor_tolerance is not None else "assumed: the label's tolerance is not given"
    return f"{plate.allowed_capacitor_part:.0%} {told}"


def _strips(evidence: Evidence) -> Cause | None:
    if evidence.run != "running" or evidence.mode != "cool":
        return None
    most = limit("strips_off").high or 2.0
    hot = []
    for name in evidence.instances("heat_strip_current"):
        value = evidence.settled(name)
        if value is not None and value.value - Z99 * value.u > most:
            hot.append(f"{name.replace('_', ' ').replace('.', ' ')} is {shown(value.value, Quantity.CURRENT)}")
    if not hot:
        return None
    return Cause(
        "heat_strips_while_cooling",
        "Heat strips are energised while it cools",
        Kind.ELECTRICAL,
        0.99,
        speaks_for=(", ".join(hot) + " while the compressor runs in cooling",),
        meaning="the strips heat what the coil cools; split and capacity cannot be judged meanwhile",
        next_step="find what calls for heat: thermostat, wiring, sequencer, a welded relay",
        caution=LINE_CAUTION,
        withholds=("split",),
    )


def _supply(evidence: Evidence) -> Cause | None:
    value, row = evidence.settled("line_voltage"), limit("line_voltage")
    if value is None or row.low is None or row.high is None:
        return None
    if value.value < 0.62 * row.low:
        return None  # a 120 V supply, or leads that are off: another window, not a fault of this one
    low = value.value + Z99 * value.u < row.low
    high = value.value - Z99 * value.u > row.high
    if not low and not high:
        return None
    return Cause(
        "supply_voltage",
        f"The supply voltage is {'low' if low else 'high'}",
        Kind.ELECTRICAL,
        0.98,
        speaks_for=(
            f"{shown(value.value, Quantity.VOLTAGE)} while running; equipment rated 208/230 V is usually meant for "
            f"{row.low:.0f} to {row.high:.0f} V ({row.named})",
        ),
        meaning="motors run hot, " + ("and contactors may drop out" if low else "and capacitors and boards age fast"),
        next_step="measure at the disconnect and at the panel, loaded and unloaded: a loose connection, an undersized "
        "run, or the utility",
        caution=LINE_CAUTION,
    )
