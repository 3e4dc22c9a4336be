"""Which way each fault moves each feature of a system that cools: two charts, for fixed orifice and expansion valve.

A cell is "+" or "-" (it moves so), "0" (it hardly moves), or "?" (not relied on). "weak" lists the cells of a row that
move with the fault but much less than the others; which those are is judgement for every row, for the published chart
has signs only. Each row says where its signs are from. The air-side drops and standing pressures are no part of the
published chart: their cells are first principles (a clogged filter drops more; gas that does not condense adds its
pressure at rest).

The leaking compressor's row has sizes too, for the sum of what it moves is what tells it from other faults. They are
reasoned from energy balances: gas that leaks back is compressed again, so the discharge carries its heat a second time;
less refrigerant goes round, so the low side rises by more than the high side falls, and both coils move less heat. A
valve makes up for part of it, so superheat and subcooling hardly follow; an orifice does not, and drops both, and with
the colder suction gas the discharge. The figures are judgement, and were held against simulated visits of the seed that
thresholds are tuned on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

PUBLISHED = (
    "Rossi and Braun, HVAC&R Research 3(1), 1997, as restated in Braun and Li, Fault Detection and Diagnostics for "
    "Rooftop Air Conditioners, California Energy Commission PIER, table 1-1, p. 22"
)
JUDGEMENT = "judgement: reasoned from the cycle, not read in a publication"


class Fault(StrEnum):
    """A fault of the system that moves the refrigerant circuit or the air."""

    LOW_INDOOR_AIRFLOW = "low_indoor_airflow"
    OUTDOOR_COIL = "outdoor_coil"  # dirty coil, or a fan that moves too little air
    NON_CONDENSABLES = "non_condensables"
    RESTRICTION = "liquid_line_restriction"
    VALVE_LEAK = "compressor_valve_leak"
    HIGH_CHARGE = "high_charge"
    LOW_CHARGE = "low_charge"


COLUMNS = (
    "evaporating",
    "superheat",
    "condensing",
    "subcooling",
    "discharge",
    "coil_rise",
    "split",
    "compression_heat",
)
"""The published features, then the one that singles out a leaking compressor (same report, pp. 49 and 53)"""
_AIR_DROPS = ("filter_drop", "coil_drop", "external_static")
_STANDING = ("standing_vapor", "standing_liquid")


@dataclass(frozen=True, slots=True)
class Row:
    """One fault's signs over COLUMNS, and where they are from."""

    fault: Fault
    signs: str
    weak: tuple[str, ...]
    source: str
    # mean and spread of a shift, in parts of severity x the feature's scale, where more than its sign is taken
    sizes: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def judged(self) -> bool:
        """Whether the signs are judgement."""
        return self.source != PUBLISHED

    def sign(self, feature: str) -> str:
        """The sign of any feature: "+", "-", "0" or "?"."""
        if feature in COLUMNS:
            return self.signs[COLUMNS.index(feature)]
        if feature in _AIR_DROPS:
            # whether a filter, a coil, a duct or the blower itself is the cause decides which drop rises
            return "?" if self.fault is Fault.LOW_INDOOR_AIRFLOW else "0"
        if feature in _STANDING:
            return "+" if self.fault is Fault.NON_CONDENSABLES else "0"
        raise KeyError(feature)


_LEAK_VALVE: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "evaporating": (1.1, 0.4),
        "condensing": (-0.7, 0.35),
        "coil_rise": (-0.7, 0.35),
        "split": (-0.5, 0.35),
        "compression_heat": (1.3, 0.45),
        "subcooling": (-0.2, 0.3),
    }
)
_LEAK_ORIFICE: Mapping[str, tuple[float, float]] = MappingProxyType(
    {**_LEAK_VALVE, "superheat": (-1.0, 0.6), "subcooling": (-1.2, 0.6), "discharge": (-1.6, 1.0)}
)

ORIFICE: Mapping[Fault, Row] = MappingProxyType(
    {
        row.fault: row
        for row in (
            Row(Fault.LOW_CHARGE, "-+--+--0", ("condensing", "coil_rise", "split", "evaporating"), PUBLISHED),
            Row(Fault.VALVE_LEAK, "+------+", ("split",), PUBLISHED, _LEAK_ORIFICE),
            Row(Fault.RESTRICTION, "-+-++--0", ("condensing", "coil_rise"), PUBLISHED),
            Row(Fault.OUTDOOR_COIL, "+-+-++-0", ("evaporating", "superheat", "subcooling", "split"), PUBLISHED),
            Row(
                Fault.LOW_INDOOR_AIRFLOW, "------+0", ("condensing", "subcooling", "discharge", "coil_rise"), PUBLISHED
            ),
            Row(Fault.HIGH_CHARGE, "+-++-000", ("evaporating", "condensing"), JUDGEMENT),
            Row(Fault.NON_CONDENSABLES, "+-++?000", ("evaporating",), JUDGEMENT),
        )
    }
)
VALVE: Mapping[Fault, Row] = MappingProxyType(
    {
        row.fault: row
        for row in (
            Row(
                Fault.LOW_CHARGE, "0+--?--0", ("superheat", "condensing", "coil_rise", "split"), JUDGEMENT
            ),
            Row(Fault.VALVE_LEAK, "+0--?--+", ("condensing", "subcooling", "split"), JUDGEMENT, _LEAK_VALVE),
            Row(Fault.RESTRICTION, "-+-++--0", ("condensing", "coil_rise"), JUDGEMENT),
            Row(Fault.OUTDOOR_COIL, "00+?++00", (), JUDGEMENT),
            Row(Fault.LOW_INDOOR_AIRFLOW, "-0-00-+0", ("condensing", "coil_rise"), JUDGEMENT),
            Row(Fault.HIGH_CHARGE, "00++++00", ("condensing", "discharge", "coil_rise"), JUDGEMENT),
            Row(Fault.NON_CONDENSABLES, "00+++000", ("discharge",), JUDGEMENT),
        )
    }
)  # fmt: skip


def _common(one: Row, other: Row) -> Row:
    signs = "".join(a if a == b else "?" for a, b in zip(one.signs, other.signs, strict=True))
    weak = tuple(name for name in COLUMNS if name in one.weak or name in other.weak)
    sizes = {name: _both(one.sizes[name], other.sizes[name]) for name in one.sizes if name in other.sizes}
    return Row(one.fault, signs, weak, JUDGEMENT, sizes)


def _both(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    """A size that stands for either of two: midway, and as much wider."""
    return (one[0] + other[0]) / 2.0, math.hypot((one[0] - other[0]) / 2.0, max(one[1], other[1]))


UNKNOWN: Mapping[Fault, Row] = MappingProxyType({fault: _common(ORIFICE[fault], VALVE[fault]) for fault in Fault})
"""Where nobody said what the metering device is: what both charts agree on"""


def chart(fixed_orifice: bool | None) -> Mapping[Fault, Row]:
    """The chart for a metering device; None where it is not known."""
    if fixed_orifice is None:
        return UNKNOWN
    return ORIFICE if fixed_orifice else VALVE
