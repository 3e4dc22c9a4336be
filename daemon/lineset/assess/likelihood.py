"""How well each explanation fits all residuals at once: a normal model over a grid of severities.

Each fault shifts a feature by (severity) x (scale of the feature) x (its sign), with a spread of its own, for how much
a fault moves a feature differs from system to system. Errors of measurement and expectation keep their covariance.
An instrument that is off is no fault of the system: it widens one source, and every residual moves along with it in
the one proportion that it can. The likelihood is the average over the severities.

Weights before anything is measured (priors), spreads and severities are judgement.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lineset.assess.gaussian import Matrix, NotPositive, log_density
from lineset.assess.residuals import Residuals
from lineset.assess.signs import Fault, Row

SEVERITIES = (0.4, 0.8, 1.4, 2.2, 3.5)
# mean and spread of a shift, in parts of severity x scale
_STRONG, _WEAK, _NONE, _OPEN = (1.0, 0.6), (0.3, 0.3), (0.0, 0.12), (0.0, 0.8)
_JUDGED_MORE = 0.15  # more spread where the signs are judgement

SOUND = "sound"
# What a technician is called to is more often faulty than not looked at for nothing; which faults are commoner is
# common practice, no source.
PRIOR: Mapping[str, float] = {
    SOUND: 0.675,
    Fault.LOW_INDOOR_AIRFLOW: 0.06,
    Fault.OUTDOOR_COIL: 0.06,
    Fault.LOW_CHARGE: 0.06,
    Fault.HIGH_CHARGE: 0.04,
    Fault.RESTRICTION: 0.025,
    Fault.VALVE_LEAK: 0.03,
    Fault.NON_CONDENSABLES: 0.015,
    "off:vapor_service_pressure": 0.004,
    "off:liquid_service_pressure": 0.004,
    "off:vapor_line_temperature": 0.006,
    "off:liquid_line_temperature": 0.004,
    "off:outdoor_air_temperature": 0.004,
    "off:supply_air_temperature": 0.004,
    "off:return_air_temperature": 0.004,
    "off:discharge_line_temperature": 0.002,
    "off:condenser_leaving_temperature": 0.003,
}
# By how much a reading is off when it is off: mean and standard deviation, SI. A gauge lies about 5 psi from zero to
# either side; a probe outdoors reads high, in the sun or in what the coil blows out. A clamp without contact reads
# towards the air: see `_off`, which uses these two only where what it needs is not known.
OFF: Mapping[str, tuple[float, float]] = {
    "vapor_service_pressure": (0.0, 45e3),
    "liquid_service_pressure": (0.0, 120e3),
    "vapor_line_temperature": (10.0, 6.0),
    "liquid_line_temperature": (-4.0, 2.5),
    "outdoor_air_temperature": (3.0, 2.0),
    "supply_air_temperature": (0.0, 4.0),
    "return_air_temperature": (0.0, 3.0),
    "discharge_line_temperature": (-12.0, 8.0),
    "condenser_leaving_temperature": (-4.0, 3.0),
}
_AIR_DROP_POINTS = ("filter_drop", "coil_drop", "external_static")


@dataclass(frozen=True, slots=True)
class Weighed:
    """One explanation with its share of all probability, given the residuals."""

    name: str
    share: float


def _shift(row: Row, name: str) -> tuple[float, float]:
    """Mean and spread of a feature's shift, in parts of severity x scale."""
    if name in row.sizes:
        return row.sizes[name]
    sign = row.sign(name)
    if name in _AIR_DROP_POINTS and sign == "?":
        return 0.4, 0.8
    if sign == "?":
        return _OPEN
    if sign == "0":
        mean, spread = _NONE
    else:
        mean, spread = _WEAK if name in row.weak else _STRONG
    if row.judged:
        spread = math.hypot(spread, _JUDGED_MORE)
    return (-mean if sign == "-" else mean), spread


def _mean_density(rows: Residuals, covariance: Matrix, row: Row) -> float:
    shifts = [_shift(row, each.name) for each in rows.rows]
    logs = []
    for severity in SEVERITIES:
        deviation, widened = [], [list(line) for line in covariance]
        for i, (each, (mean, spread)) in enumerate(zip(rows.rows, shifts, strict=True)):
            size = severity * each.feature.scale
            deviation.append(each.residual - mean * size)
            widened[i][i] += (spread * size) ** 2
        logs.append(log_density(deviation, widened))
    return _log_mean(logs)


def _log_mean(logs: Sequence[float]) -> float:
    top = max(logs)
    return top + math.log(sum(math.exp(each - top) for each in logs) / len(logs))


# A clamp that feels the air reads this part of the way from the pipe to the outdoor air (judgement).
_TOWARDS_AIR, _TOWARDS_AIR_U = 0.85, 0.2


def _off(rows: Residuals, point: str) -> tuple[float, float]:
    """By how much a point's reading is off when it is off: mean and standard deviation."""
    way = None
    if point == "vapor_line_temperature" and rows.conditions is not None:
        evaporating, superheat = rows.get("evaporating"), rows.get("superheat")
        if evaporating is not None and superheat is not None:
            way = rows.conditions.outdoor - (evaporating.expected + superheat.expected)
    elif point == "liquid_line_temperature":
        condensing, subcooling = rows.get("condensing"), rows.get("subcooling")
        if condensing is not None and subcooling is not None:
            way = subcooling.expected - condensing.expected
    if way is None or abs(way) < 2.0:
        return OFF[point]
    return _TOWARDS_AIR * way, _TOWARDS_AIR_U * abs(way)


def _off_density(rows: Residuals, covariance: Matrix, point: str) -> float | None:
    slopes = [row.by.get(point, 0.0) for row in rows.rows]
    if not any(slopes):
        return None
    mean, deviation = _off(rows, point)
    variance = deviation**2
    widened = [[covariance[i][j] + a * b * variance for j, b in enumerate(slopes)] for i, a in enumerate(slopes)]
    return log_density([row.residual - a * mean for row, a in zip(rows.rows, slopes, strict=True)], widened)


def weigh(rows: Residuals, chart: Mapping[Fault, Row]) -> list[Weighed]:
    """All explanations of the residuals, the likeliest first; shares sum to one. Empty without residuals."""
    if not rows.rows:
        return []
    covariance = rows.covariance()
    for i, each in enumerate(rows.rows):
        covariance[i][i] += (1e-4 * each.feature.scale) ** 2  # two features may hang on the very same reading
    logs: dict[str, float] = {}
    try:
        logs[SOUND] = log_density([row.residual for row in rows.rows], covariance)
        for fault, row in chart.items():
            logs[fault] = _mean_density(rows, covariance, row)
        for point in OFF:
            found = _off_density(rows, covariance, point)
            if found is not None:
                logs[f"off:{point}"] = found
    except NotPositive:
        return []
    weighted = {name: value + math.log(PRIOR[name]) for name, value in logs.items()}
    top = max(weighted.values())
    total = sum(math.exp(value - top) for value in weighted.values())
    found_all = [Weighed(name, math.exp(value - top) / total) for name, value in weighted.items()]
    return sorted(found_all, key=lambda each: -each.share)
