"""Targets: what a reading ought to be at these conditions, with the uncertainty that the conditions bring in.

Temperatures are in Cel, differences and standard uncertainties in K. A target comes from a published table (looked up
as published, in degF), or from the nameplate; where neither holds, an AssessError says which input to look at.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from lineset.assess.basis import Basis
from lineset.assess.errors import ImpossibleInput, NoTarget, NoValidTest, OutsideTable
from lineset.assess.evidence import Evidence
from lineset.assess.tables import Missing, grid
from lineset.equipment.system import SystemRecord
from lineset.measure.uncertainty import Z95
from lineset.physics.air import STANDARD_PA, standard_pressure
from lineset.physics.wet_bulb import wet_bulb_of

K_PER_F = 5.0 / 9.0

# Rounding of a cell to 0.1 degF, rectangular (JCGM 100:2008, 4.3.7); the recalled superheat table differs from two
# printed charts by 0.39 degF root mean square (tables/README.md), the charts' own rounding included.
SUPERHEAT_TABLE_U_K = 0.39 * K_PER_F
SPLIT_TABLE_U_K = 0.1 / math.sqrt(12.0) * K_PER_F

SUPERHEAT_SOURCE = (
    "2008 Reference Residential Appendices RA3.2, table RA3.2-2, recalled; agrees with two printed charging charts "
    "within 1.0 degF"
)
SPLIT_SOURCE = "2008 Reference Residential Appendices RA3.2, table RA3.2-3, recalled"


@dataclass(frozen=True, slots=True)
class Target:
    """A target difference [K], its standard uncertainty [K], where it is from, and what it hangs on.

    `by` holds the target's derivative by each input's name (K per K, K per %RH), so that an input that the actual
    value shares is not counted twice; `own_u` is the part of `u` that is the table's alone.
    """

    value: float
    u: float
    source: str
    basis: Basis
    by: Mapping[str, float] = field(default_factory=dict)
    own_u: float = 0.0


@dataclass(frozen=True, slots=True)
class WetBulb:
    """A wet bulb [Cel], its standard uncertainty [K], and its derivatives by dry bulb [K/K] and humidity [K/%RH]."""

    value: float
    u: float
    by_dry_bulb: float = 0.0
    by_humidity: float = 0.0
    assumed_humidity: float | None = None  # %RH, where nobody measured it


def _f(cel: float) -> float:
    return cel * 1.8 + 32.0


def _finite(name: str, *values: float) -> None:
    if not all(math.isfinite(value) for value in values):
        raise ImpossibleInput(
            f"the {name.replace('_', ' ')} is not a number",
            look_at=name,
            remedy=f"Look at the {name.replace('_', ' ')}",
        )


def _warmer_than_the_air(dry_f: float, wet_f: float) -> ImpossibleInput:
    return ImpossibleInput(
        f"a return wet bulb of {wet_f:.1f} degF is above the dry bulb of {dry_f:.1f} degF, which cannot be",
        look_at="return_air_wet_bulb",
        remedy="Check the wick or the humidity probe, and whether the two probes were swapped",
    )


def target_superheat(
    outdoor_cel: float, return_wet_bulb_cel: float, *, outdoor_u: float = 0.0, wet_bulb_u: float = 0.0
) -> Target:
    """Target superheat of a fixed-orifice system by outdoor dry bulb and return wet bulb.

    Bilinear in table RA3.2-2. Raises OutsideTable, NoValidTest (a dash: below 5 degF) or ImpossibleInput.
    """
    _finite("outdoor_air_temperature", outdoor_cel, outdoor_u)
    _finite("return_air_wet_bulb", return_wet_bulb_cel, wet_bulb_u)
    outdoor, wet = _f(outdoor_cel), _f(return_wet_bulb_cel)
    found = grid("target_superheat").look_up(outdoor, wet)
    if isinstance(found, Missing):
        if found.why == "row":
            raise OutsideTable(
                f"outdoor air at {outdoor:.1f} degF is outside the target superheat table (55 to 115 degF)",
                look_at="outdoor_air_temperature",
                remedy="Check that the probe is in shade where air enters the coil; else it cannot be judged now",
            )
        if found.why == "column":
            raise OutsideTable(
                f"a return wet bulb of {wet:.1f} degF is outside the target superheat table (50 to 76 degF)",
                look_at="return_air_wet_bulb",
                remedy="Check return air temperature and humidity; else bring the house nearer to its usual conditions",
            )
        raise NoValidTest(
            f"at {outdoor:.1f} degF outdoors and {wet:.1f} degF return wet bulb the target superheat is below 5 degF: "
            "no valid superheat test",
            look_at="return_air_wet_bulb",
            remedy="Check both probes; else wait for cooler weather or a damper house, or weigh the charge in",
        )
    value = found.value * K_PER_F
    u = math.hypot(SUPERHEAT_TABLE_U_K, found.by_row * outdoor_u, found.by_column * wet_bulb_u)
    by = {"outdoor_air_temperature": found.by_row, "return_air_wet_bulb": found.by_column}
    return Target(value, u, SUPERHEAT_SOURCE, Basis.CORROBORATED, by, SUPERHEAT_TABLE_U_K)


def target_split(
    return_cel: float, return_wet_bulb_cel: float, *, return_u: float = 0.0, wet_bulb_u: float = 0.0
) -> Target:
    """Target temperature split by return dry bulb and return wet bulb.

    Bilinear in table RA3.2-3. Raises ImpossibleInput (wet bulb above dry bulb) or OutsideTable.
    """
    _finite("return_air_temperature", return_cel, return_u)
    _finite("return_air_wet_bulb", return_wet_bulb_cel, wet_bulb_u)
    dry, wet = _f(return_cel), _f(return_wet_bulb_cel)
    if wet > dry + 1e-6:
        raise _warmer_than_the_air(dry, wet)
    found = grid("target_split").look_up(dry, wet)
    if isinstance(found, Missing):
        if found.why == "row":
            raise OutsideTable(
                f"return air at {dry:.1f} degF is outside the target split table (70 to 84 degF)",
                look_at="return_air_temperature",
                remedy="Check the return probe; else let the house come nearer to its usual temperature",
            )
        raise OutsideTable(
            f"a return wet bulb of {wet:.1f} degF at {dry:.1f} degF dry bulb is outside the target split table "
            "(50 to 76 degF; very dry warm air is not printed)",
            look_at="return_air_wet_bulb",
            remedy="Check return air temperature and humidity",
        )
    value = found.value * K_PER_F
    u = math.hypot(SPLIT_TABLE_U_K, found.by_row * return_u, found.by_column * wet_bulb_u)
    by = {"return_air_temperature": found.by_row, "return_air_wet_bulb": found.by_column}
    return Target(value, u, SPLIT_SOURCE, Basis.MEMORY, by, SPLIT_TABLE_U_K)


def target_subcooling(system: SystemRecord) -> Target:
    """Target subcooling: the figure on the unit's nameplate. Raises NoTarget when the system file has none."""
    value = system.nameplate.subcooling_target_k
    if value is None:
        raise NoTarget(
            "the nameplate's subcooling is not in the system file",
            look_at="subcooling_target_f",
            remedy="Read it off the outdoor unit's nameplate or charging label, then: lineset visit amend "
            "subcooling_target_f=10",
        )
    return Target(value, 0.0, "the unit's nameplate", Basis.NAMEPLATE)


def site_pressure(evidence: Evidence) -> float:
    """Barometric pressure at the site [Pa]: measured, else of the standard atmosphere at its altitude."""
    measured = evidence.settled("barometric_pressure")
    if measured is not None:
        return measured.value
    return standard_pressure(evidence.system.altitude_m) if evidence.system.altitude_m else STANDARD_PA


def return_wet_bulb(evidence: Evidence, assumed_humidity: float | None = None) -> WetBulb | None:
    """The wet bulb of the return air: measured with a wick, else from dry bulb and humidity; None where not settled.

    With `assumed_humidity` [%RH] that stands in for what was not measured. Raises ImpossibleInput for a wick warmer
    than the air around it beyond what the two are known to, OutOfRange for what moist air does not hold.
    """
    wick = evidence.settled("return_air_wet_bulb")
    dry = evidence.settled("return_air_temperature")
    if wick is not None:
        if dry is not None and wick.value - dry.value > Z95 * math.hypot(wick.u, dry.u) + 1e-6:
            raise _warmer_than_the_air(_f(dry.value), _f(wick.value))
        return WetBulb(wick.value, wick.u)
    humidity = evidence.settled("return_air_humidity")
    if dry is None:
        return None
    if humidity is not None:
        rh, rh_u = humidity.value, humidity.u
    elif assumed_humidity is not None:
        rh, rh_u = assumed_humidity, 0.0
    else:
        return None
    found = wet_bulb_of(dry.value, rh, site_pressure(evidence))
    u = math.hypot(found.by_temperature * dry.u, found.by_humidity * rh_u)
    assumed = assumed_humidity if humidity is None else None
    return WetBulb(found.value, u, found.by_temperature, found.by_humidity, assumed)
