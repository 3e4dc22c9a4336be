"""Electrical faults that a reading shows by itself, whatever the refrigerant does: 99 % sure or not said."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

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
    ("herm", "herm_capacitance", "herm_capacitance_under_load"),
    ("fan", "fan_capacitance", "fan_capacitance_under_load"),
    ("blower", "blower_capacitance", ""),
)
# lead -> title and meaning
CAPACITOR_WORDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "herm": ("The compressor's run capacitor has faded", "the compressor starts hard, runs hot and weak"),
        "fan": (
            "The outdoor fan's run capacitor has faded",
            "the outdoor fan starts hard, runs hot and weak, so less air goes through the outdoor coil",
        ),
        "blower": ("The blower's run capacitor has faded", "the blower starts hard, runs hot and weak"),
    }
)
SUPPLY_WORDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "low": ("The supply voltage is low", "motors run hot, and contactors may drop out"),
        "high": ("The supply voltage is high", "motors run hot, and capacitors and boards age fast"),
    }
)


def electrical_faults(evidence: Evidence) -> list[Cause]:
    """Failing capacitors, heat strips energised while it cools, supply voltage outside the equipment's window."""
    found = [_capacitor(evidence, *row) for row in _CAPACITORS]
    found += [_strips(evidence), _supply(evidence)]
    return [cause for cause in found if cause is not None]


def _capacitor(evidence: Evidence, lead: str, bench: str, loaded: str) -> Cause | None:
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
        title, meaning = CAPACITOR_WORDS[lead]
        return Cause(
            f"failing_{lead}_capacitor",
            title,
            Kind.ELECTRICAL,
            0.99,
            speaks_for=(
                f"{shown(value.value, Quantity.CAPACITANCE)} {how}, {part:.0f} % below the "
                f"{shown(marked, Quantity.CAPACITANCE)} that is marked ({_allowed(plate)})",
            ),
            meaning=meaning,
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
    title, meaning = SUPPLY_WORDS["low" if low else "high"]
    return Cause(
        "supply_voltage",
        title,
        Kind.ELECTRICAL,
        0.98,
        speaks_for=(
            f"{shown(value.value, Quantity.VOLTAGE)} while running; equipment rated 208/230 V is usually meant for "
            f"{row.low:.0f} to {row.high:.0f} V ({row.named})",
        ),
        meaning=meaning,
        next_step="measure at the disconnect and at the panel, loaded and unloaded: a loose connection, an undersized "
        "run, or the utility",
        caution=LINE_CAUTION,
    )
