"""The features that faults move, worked out from the points of one moment with where each number came from.

A feature carries its derivative by every source that it hangs on (the points it is computed from, the barometer), so
that two features of one probe are never taken for two independent witnesses. SI: Cel for temperatures, K for
differences, Pa for air-side drops.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from lineset.assess.evidence import Evidence, Known
from lineset.assess.targets import return_wet_bulb, site_pressure
from lineset.derive.declared import WEATHER_U_PA
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import curve
from lineset.physics.saturation import Saturation

BAROMETER = "barometric_pressure"
_ZERO_CEL = 273.15  # K
USUAL_HUMIDITY, USUAL_HUMIDITY_U = 50.0, 12.0  # %RH of a cooled house where nobody measured it (judgement)


@dataclass(frozen=True, slots=True)
class Feature:
    """What a feature is: title for people, unit, the points that it needs, and what a moderate fault moves it by.

    `scale` is a rough size of a moderate fault's effect [unit]: judgement, it only sets what counts as large.
    """

    name: str
    title: str
    unit: str
    points: tuple[str, ...]
    scale: float


_ROWS = (
    Feature("evaporating", "evaporating temperature", "Cel", ("vapor_service_pressure",), 3.0),
    Feature("superheat", "total superheat", "K", ("vapor_service_pressure", "vapor_line_temperature"), 5.0),
    Feature(
        "condensing", "condensing over outdoor air", "K", ("liquid_service_pressure", "outdoor_air_temperature"), 4.0
    ),
    Feature("subcooling", "subcooling", "K", ("liquid_service_pressure", "liquid_line_temperature"), 3.0),
    Feature("discharge", "discharge line temperature", "Cel", ("discharge_line_temperature",), 6.0),
    Feature(
        "compression_heat",
        "discharge temperature over what this compression takes",
        "K",
        (
            "discharge_line_temperature",
            "vapor_line_temperature",
            "vapor_service_pressure",
            "liquid_service_pressure",
        ),
        10.0,
    ),
    Feature(
        "coil_rise",
        "air temperature rise over the outdoor coil",
        "K",
        ("condenser_leaving_temperature", "outdoor_air_temperature"),
        3.0,
    ),
    Feature("split", "temperature split", "K", ("return_air_temperature", "supply_air_temperature"), 2.0),
    Feature("filter_drop", "filter pressure drop", "Pa", ("filter_drop",), 40.0),
    Feature("coil_drop", "indoor coil pressure drop", "Pa", ("coil_drop",), 40.0),
    Feature("external_static", "total external static pressure", "Pa", ("return_static", "supply_static"), 40.0),
    Feature("standing_vapor", "standing vapor pressure, as a temperature over the coldest part", "K", (), 2.0),
    Feature("standing_liquid", "standing liquid pressure, as a temperature over the coldest part", "K", (), 2.0),
)  # fmt: skip
FEATURES: Mapping[str, Feature] = MappingProxyType({row.name: row for row in _ROWS})

# Discharge over suction temperature (both in kelvin) is (pressure ratio) ** exponent. Computed with CoolProp at 7.2
# Cel evaporating, 47 Cel condensing, 6 K superheat, an overall efficiency of 0.66 and 6 % lost from the shell
# (judgement); between 4/40 and 9/55 Cel the exponent of no refrigerant moves by more than 2 %.
COMPRESSION_EXPONENT: Mapping[str, float] = MappingProxyType(
    {
        "R-22": 0.2046, "R-407C": 0.1682, "R-417A": 0.1425, "R-421A": 0.1428, "R-422B": 0.1429, "R-422D": 0.1434,
        "R-427A": 0.1615, "R-410A": 0.1972, "R-32": 0.2428, "R-454B": 0.2109, "R-290": 0.1673, "R-134a": 0.1445,
        "R-404A": 0.1555, "R-448A": 0.1679, "R-449A": 0.1666, "R-1234yf": 0.1287,
    }
)  # fmt: skip


# Below this superheat [K] the vapor may carry liquid, and its temperature no longer tells its state (judgement).
_WET_K = 2.0


@dataclass(frozen=True, slots=True)
class Measured:
    """One feature as measured: its value, and its derivative by each source."""

    value: float
    by: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Conditions:
    """What drives a sound system: outdoor dry bulb, return dry and wet bulb [Cel]; wet bulb by its sources."""

    outdoor: float
    return_dry: float
    wet: float
    wet_by: Mapping[str, float]
    assumed_humidity: bool


@dataclass(frozen=True)
class Moment:
    """All features of one moment, the conditions, and the standard uncertainty of each source."""

    conditions: Conditions
    features: Mapping[str, Measured]
    sources: Mapping[str, float] = field(default_factory=dict)


class _Reader:
    """Takes settled values out of evidence, remembering each one's uncertainty under its name."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.sources: dict[str, float] = {}
        measured = evidence.settled(BAROMETER)
        self.barometer = site_pressure(evidence)
        self.sources[BAROMETER] = WEATHER_U_PA if measured is None else measured.u

    def known(self, name: str) -> Known | None:
        found = self.evidence.settled(name)
        if found is None or not (math.isfinite(found.value) and found.u < math.inf):
            return None
        self.sources.setdefault(name, found.u)
        return found

    def saturated(self, name: str, phase: str) -> tuple[float, float] | None:
        """Saturation temperature at a gauge pressure's point and its slope; None where there is none."""
        found = self.known(name)
        curves = saturation(self.evidence.system.refrigerant)
        if found is None or curves is None:
            return None
        line = curves.dew if phase == "dew" else curves.bubble
        try:
            return line.with_slope(found.value + self.barometer)
        except PhysicsError:
            return None


def saturation(refrigerant: str) -> Saturation | None:
    """The curves of a refrigerant; None where it has none."""
    try:
        return curve(refrigerant) if refrigerant else None
    except PhysicsError:
        return None


def _above_dew(read: _Reader) -> Measured | None:
    dew, line = read.saturated("vapor_service_pressure", "dew"), read.known("vapor_line_temperature")
    if dew is None or line is None:
        return _derived(read, "total_superheat")
    slope = dew[1]
    by = {"vapor_line_temperature": 1.0, "vapor_service_pressure": -slope, BAROMETER: -slope}
    return Measured(line.value - dew[0], by)


def _below_bubble(read: _Reader) -> Measured | None:
    bubble, line = read.saturated("liquid_service_pressure", "bubble"), read.known("liquid_line_temperature")
    if bubble is None or line is None:
        return _derived(read, "subcooling")
    slope = bubble[1]
    by = {"liquid_line_temperature": -1.0, "liquid_service_pressure": slope, BAROMETER: slope}
    return Measured(bubble[0] - line.value, by)


def _derived(read: _Reader, name: str) -> Measured | None:
    # a difference may settle while what it is made of still drifts together
    found = read.known(name)
    return None if found is None else Measured(found.value, {name: 1.0})


def _evaporating(read: _Reader) -> Measured | None:
    dew = read.saturated("vapor_service_pressure", "dew")
    if dew is None:
        return _derived(read, "vapor_dew_temperature")
    return Measured(dew[0], {"vapor_service_pressure": dew[1], BAROMETER: dew[1]})


def _condensing(read: _Reader) -> Measured | None:
    bubble, air = read.saturated("liquid_service_pressure", "bubble"), read.known("outdoor_air_temperature")
    if bubble is None or air is None:
        return _derived(read, "condensing_over_outdoor")
    by = {"liquid_service_pressure": bubble[1], BAROMETER: bubble[1], "outdoor_air_temperature": -1.0}
    return Measured(bubble[0] - air.value, by)


def _difference(first: str, second: str, name: str) -> Callable[[_Reader], Measured | None]:
    def read_it(read: _Reader) -> Measured | None:
        one, other = read.known(first), read.known(second)
        if one is None or other is None:
            return _derived(read, name)
        return Measured(one.value - other.value, {first: 1.0, second: -1.0})

    return read_it


def _single(name: str) -> Callable[[_Reader], Measured | None]:
    return lambda read: _derived(read, name)


def _compression_heat(read: _Reader) -> Measured | None:
    hot, suction = read.known("discharge_line_temperature"), read.known("vapor_line_temperature")
    low, high = read.known("vapor_service_pressure"), read.known("liquid_service_pressure")
    exponent = COMPRESSION_EXPONENT.get(read.evidence.system.refrigerant)
    if hot is None or suction is None or low is None or high is None or exponent is None:
        return None
    below, above = low.value + read.barometer, high.value + read.barometer
    wet = _above_dew(read)
    if not 0.0 < below < above or (wet is not None and wet.value < _WET_K):
        return None
    factor = (above / below) ** exponent
    kelvin = suction.value + _ZERO_CEL
    reached = kelvin * factor - _ZERO_CEL
    by = {
        "discharge_line_temperature": 1.0,
        "vapor_line_temperature": -factor,
        "liquid_service_pressure": -kelvin * factor * exponent / above,
        "vapor_service_pressure": kelvin * factor * exponent / below,
    }
    return Measured(hot.value - reached, by)


def _external_static(read: _Reader) -> Measured | None:
    back, forward = read.known("return_static"), read.known("supply_static")
    if back is None or forward is None:
        return None
    sign = -1.0 if back.value < 0.0 else 1.0
    return Measured(forward.value + sign * back.value, {"supply_static": 1.0, "return_static": sign})


_READERS: Mapping[str, Callable[[_Reader], Measured | None]] = {
    "evaporating": _evaporating,
    "superheat": _above_dew,
    "condensing": _condensing,
    "subcooling": _below_bubble,
    "discharge": _single("discharge_line_temperature"),
    "compression_heat": _compression_heat,
    "coil_rise": _difference("condenser_leaving_temperature", "outdoor_air_temperature", "outdoor_coil_rise"),
    "split": _difference("return_air_temperature", "supply_air_temperature", "temperature_split"),
    "filter_drop": _single("filter_drop"),
    "coil_drop": _single("coil_drop"),
    "external_static": _external_static,
}


def conditions(evidence: Evidence) -> Conditions | None:
    """What drives the system at this moment; None without outdoor and return air, or where moist air holds no such."""
    outdoor = evidence.settled("outdoor_air_temperature")
    dry = evidence.settled("return_air_temperature")
    if outdoor is None or dry is None:
        return None
    try:
        wet = return_wet_bulb(evidence, USUAL_HUMIDITY)
    except (PhysicsError, ValueError):
        return None
    if wet is None:
        return None
    assumed = wet.assumed_humidity is not None
    by = {"return_air_temperature": wet.by_dry_bulb}
    by["assumed_humidity" if assumed else "return_air_humidity"] = wet.by_humidity
    if evidence.settled("return_air_wet_bulb") is not None:
        by = {"return_air_wet_bulb": 1.0}
    return Conditions(outdoor.value, dry.value, wet.value, by, assumed)


def moment(evidence: Evidence) -> Moment | None:
    """The features of a running system; None without the conditions that they are judged by."""
    driven = conditions(evidence)
    if driven is None:
        return None
    read = _Reader(evidence)
    for name in ("outdoor_air_temperature", *driven.wet_by):
        if name == "assumed_humidity":
            read.sources[name] = USUAL_HUMIDITY_U
        else:
            read.known(name)
    found = {name: measured for name, reader in _READERS.items() if (measured := reader(read)) is not None}
    return Moment(driven, found, read.sources)


# With the lines at the outdoor unit this near to the outdoor air, the system has stood for long (judgement).
_EQUALISED_K = 2.0
# How far a standing system's saturation temperature may lie from its coldest part: 0.6 K, and a part of how far indoors
# and outdoors differ, for what is not yet equalised (judgement).
_REST_U_K, _REST_SHARE = 0.6, 0.08


def standing(at_rest: Evidence) -> Moment | None:
    """Standing pressures as temperatures over the coldest part; None unless stopped, settled and equalised."""
    driven = conditions(at_rest)
    curves = saturation(at_rest.system.refrigerant)
    if driven is None or curves is None or at_rest.run in ("running", "starting", "defrost"):
        return None
    for line in ("vapor_line_temperature", "liquid_line_temperature"):
        found = at_rest.settled(line)
        if found is not None and abs(found.value - driven.outdoor) > _EQUALISED_K:
            return None
    read = _Reader(at_rest)
    cold = "outdoor_air_temperature" if driven.outdoor < driven.return_dry else "return_air_temperature"
    air = read.known(cold)
    features: dict[str, Measured] = {}
    for name, point in (("standing_vapor", "vapor_service_pressure"), ("standing_liquid", "liquid_service_pressure")):
        dew, bubble = read.saturated(point, "dew"), read.saturated(point, "bubble")
        if air is None or dew is None or bubble is None:
            continue
        slope = 0.5 * (dew[1] + bubble[1])
        by = {point: slope, BAROMETER: slope, "rest_temperature": -1.0}
        features[name] = Measured(0.5 * (dew[0] + bubble[0]) - air.value, by)
        spread = _REST_SHARE * abs(driven.outdoor - driven.return_dry)
        glide = (dew[0] - bubble[0]) / math.sqrt(12.0)
        read.sources["rest_temperature"] = math.sqrt(air.u**2 + _REST_U_K**2 + spread**2 + glide**2)
    return Moment(driven, features, read.sources) if features else None
