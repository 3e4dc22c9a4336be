"""What a sound system would show at these conditions: a published target where there is one, else a line.

Each feature of a sound system is taken as

    base + b0 + b1 (outdoor dry bulb - 35 Cel) + b2 (return wet bulb - 19.4 Cel)

where the base is the published target (target superheat of a fixed orifice, target split), the nameplate's figure, or
nothing. Before anything is known of the system itself, b0, b1, b2 are those of the trade with wide uncertainties
(generic). Each earlier visit at which the system was judged sound narrows them (own): a linear regression with the
generic figures as its prior, so one earlier visit already pins b0 and several in different weather pin the slopes.

The figures of the generic row are judgement unless a source is named; they describe single-stage systems.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from lineset.assess.errors import AssessError
from lineset.assess.features import COMPRESSION_EXPONENT, Conditions, Measured, Moment, saturation
from lineset.assess.gaussian import Regression
from lineset.assess.targets import target_split, target_superheat
from lineset.equipment.system import SystemRecord
from lineset.physics.errors import PhysicsError

REFERENCE_OUTDOOR, REFERENCE_WET = 35.0, 19.4  # Cel; the rating point of cooling equipment
_SQRT3 = math.sqrt(3.0)
_F = 5.0 / 9.0
# A published tolerance is where sound systems lie: rectangular limits (JCGM 100:2008, 4.3.7).
_TOLERANCE_5F, _TOLERANCE_3F = 5.0 * _F / _SQRT3, 3.0 * _F / _SQRT3


class Footing(StrEnum):
    """What an expectation stands on."""

    TARGET = "target"  # a published target or the nameplate
    GENERIC = "generic"  # what the trade takes as usual
    OWN = "own"  # the system's own earlier visits


@dataclass(frozen=True, slots=True)
class Line:
    """Generic coefficients of one feature with standard deviations, and how well a sound system repeats itself.

    Units are the feature's; slopes for each kelvin of outdoor dry bulb and of return wet bulb.
    """

    usual: float
    usual_u: float
    outdoor: float
    outdoor_u: float
    wet: float
    wet_u: float
    repeats: float
    source: str


@dataclass(frozen=True, slots=True)
class Expected:
    """A feature's expected value, its own standard uncertainty, and its derivative by each source."""

    value: float
    u: float
    by: Mapping[str, float]
    footing: Footing
    source: str


_PRACTICE = "common practice, no source; spread by judgement"
_VALVE: Mapping[str, Line] = MappingProxyType(
    {
        "superheat": Line(
            14.5 * _F, 10.5 * _F / _SQRT3, 0.0, 0.06, 0.0, 0.12, 0.6,
            "4 to 25 degF where the maker gives no range: 2008 RA3.2 p. RA3-15",
        ),
        "subcooling": Line(5.5, 2.2, 0.0, 0.05, 0.1, 0.12, 0.4, _PRACTICE),
    }
)  # fmt: skip
_ORIFICE: Mapping[str, Line] = MappingProxyType(
    {
        "superheat": Line(
            0.0, _TOLERANCE_5F, 0.0, 0.15, 0.0, 0.3, 0.8, "5 degF about the target: 2008 RA3.2 p. RA3-14"
        ),
        "subcooling": Line(5.5, 2.2, -0.1, 0.1, 0.4, 0.25, 0.5, _PRACTICE),
    }
)  # fmt: skip
_EITHER: Mapping[str, Line] = MappingProxyType(
    {
        "evaporating": Line(
            7.2, 1.6, 0.15, 0.08, 0.7, 0.2, 0.4, f"30 to 40 degF below return air at 50 % humidity: {_PRACTICE}"
        ),
        "condensing": Line(12.5, 2.4, -0.05, 0.06, 0.25, 0.12, 0.5, f"15 to 30 degF over outdoor air: {_PRACTICE}"),
        "discharge": Line(0.0, 6.0, 1.0, 0.15, 0.2, 0.25, 1.2, f"the compression at the rating point: {_PRACTICE}"),
        # overall efficiency 0.60 to 0.74, less what the shell gives off; the efficiencies are from memory
        "compression_heat": Line(
            -5.5, 3.7, 0.0, 0.12, 0.0, 0.15, 1.2, "overall efficiency 0.60 to 0.74 (from memory), and shell loss"
        ),
        "coil_rise": Line(10.5, 2.0, -0.05, 0.06, 0.2, 0.12, 0.5, f"15 to 25 degF: {_PRACTICE}"),
        "split": Line(0.4, _TOLERANCE_3F, 0.0, 0.03, 0.0, 0.08, 0.35, "3 degF about the target: 2008 RA3.2 p. RA3-16"),
        "filter_drop": Line(32.0, 16.0, 0.0, 0.1, 0.0, 0.3, 4.0, f"0.05 to 0.2 inches of water: {_PRACTICE}"),
        "coil_drop": Line(60.0, 25.0, 0.0, 0.1, 0.0, 1.0, 5.0, f"0.1 to 0.4 inches of water, wet: {_PRACTICE}"),
        "external_static": Line(100.0, 28.0, 0.0, 0.1, 0.0, 0.5, 5.0, f"0.2 to 0.6 inches of water: {_PRACTICE}"),
        "standing_vapor": Line(0.0, 0.05, 0.0, 1e-3, 0.0, 1e-3, 0.2, "saturation: equalised, it stands at it"),
        "standing_liquid": Line(0.0, 0.05, 0.0, 1e-3, 0.0, 1e-3, 0.2, "saturation: equalised, it stands at it"),
    }
)  # fmt: skip

# A target in a dash of the table is known only to lie below 5 degF; taken as 4 degF, and less sure [K] (judgement).
_DASH_K, _DASH_U_K = 4.0 * _F, 1.5


def is_orifice(system: SystemRecord) -> bool | None:
    """Whether the metering device is a fixed one; None when nobody said what it is."""
    if not system.metering_device:
        return None
    return system.metering_device in ("fixed_orifice", "capillary")


def _line(name: str, system: SystemRecord) -> Line:
    if name in _EITHER:
        return _EITHER[name]
    fixed = is_orifice(system)
    if fixed is None and name == "superheat":
        return Line(7.0, 4.5, 0.0, 0.25, 0.0, 0.4, 0.8, _PRACTICE)
    return (_VALVE if fixed is False else _ORIFICE)[name]


def _base(
    name: str, system: SystemRecord, at: Conditions
) -> tuple[float, float, Mapping[str, float], Footing, str | None]:
    """Base, more uncertainty, derivatives by (outdoor, wet bulb, return air), footing, and a source of its own."""
    none: Mapping[str, float] = {}
    plate = system.nameplate
    if name == "superheat" and is_orifice(system):
        if plate.superheat_target_k is not None:
            return plate.superheat_target_k, 0.0, none, Footing.TARGET, "the nameplate"
        try:
            target = target_superheat(at.outdoor, at.wet)
        except AssessError:
            return _DASH_K, _DASH_U_K, none, Footing.GENERIC, "below the table's 5 degF, or outside it"
        return target.value, target.own_u, target.by, Footing.TARGET, target.source
    if name == "split":
        try:
            target = target_split(at.return_dry, at.wet)
        except AssessError:
            # the table's own quadratic, outside of it: -69.9 + 0.544 DB + 2.19 WB - 0.0228 WB^2 in degF
            dry, wet = at.return_dry * 1.8 + 32.0, at.wet * 1.8 + 32.0
            value = (-69.900998 + 0.54444583 * dry + 2.1917791 * wet - 0.022778403 * wet**2) * _F
            return value, 1.5, none, Footing.GENERIC, "the target split's curve beyond its table"
        return target.value, target.own_u, target.by, Footing.TARGET, target.source
    if name == "discharge":
        return _reference_discharge(system.refrigerant), 0.0, none, Footing.GENERIC, None
    return 0.0, 0.0, none, Footing.GENERIC, None


def _reference_discharge(refrigerant: str) -> float:
    """Discharge temperature [Cel] of the compression at the rating point (7.2 Cel, 47 Cel, 6 K of superheat)."""
    curves, exponent = saturation(refrigerant), COMPRESSION_EXPONENT.get(refrigerant)
    if curves is None or exponent is None:
        return 75.0
    try:
        ratio = curves.bubble.pressure(47.0) / curves.dew.pressure(7.2)
    except PhysicsError:
        return 75.0
    return float((13.2 + 273.15) * ratio**exponent - 273.15 - 4.0)


def expected(name: str, system: SystemRecord, at: Conditions, earlier: Sequence[Moment] = ()) -> Expected:
    """What a sound system would show of a feature, from the trade's figures and the system's own earlier moments."""
    line = _line(name, system)
    usual, usual_u, footing, source = line.usual, line.usual_u, Footing.GENERIC, line.source
    if name == "subcooling" and system.nameplate.subcooling_target_k is not None:
        usual, usual_u = system.nameplate.subcooling_target_k, _TOLERANCE_3F
        footing, source = Footing.TARGET, "the nameplate; 3 degF about it: 2008 RA3.2 p. RA3-15"
    base, base_u, base_by, base_footing, base_source = _base(name, system, at)
    if base_footing is Footing.TARGET:
        footing = Footing.TARGET
    if base_source is not None:
        source = f"{base_source}; {line.source}"
    fit = Regression((usual, line.outdoor, line.wet), (usual_u, line.outdoor_u, line.wet_u))
    seen = 0
    for then in earlier:
        measured = then.features.get(name)
        if measured is None:
            continue
        base_then, base_then_u, *_ = _base(name, system, then.conditions)
        # the base's own error is shared by both visits; what is not is a target that one of them has not
        apart = 0.0 if base_then_u == base_u else math.hypot(base_then_u, base_u)
        u = math.sqrt(_own_u(measured, then) ** 2 + line.repeats**2 + apart**2)
        fit.observe(_terms(then.conditions), measured.value - base_then, u)
        seen += 1
    value, u, (_, outdoor, wet) = fit.predict(_terms(at))
    by: dict[str, float] = {"outdoor_air_temperature": outdoor + base_by.get("outdoor_air_temperature", 0.0)}
    wet_total = wet + base_by.get("return_air_wet_bulb", 0.0)
    for point, slope in at.wet_by.items():
        by[point] = by.get(point, 0.0) + wet_total * slope
    if "return_air_temperature" in base_by:
        by["return_air_temperature"] = by.get("return_air_temperature", 0.0) + base_by["return_air_temperature"]
    if seen:
        footing, source = Footing.OWN, f"{seen} earlier moment{'s' if seen > 1 else ''} of this system, found sound"
        base_u = 0.0
    return Expected(base + value, math.sqrt(u**2 + base_u**2 + line.repeats**2), by, footing, source)


def _terms(at: Conditions) -> tuple[float, float, float]:
    return 1.0, at.outdoor - REFERENCE_OUTDOOR, at.wet - REFERENCE_WET


def _own_u(measured: Measured, then: Moment) -> float:
    return math.sqrt(sum((slope * then.sources.get(point, 0.0)) ** 2 for point, slope in measured.by.items()))
