"""Enthalpies and densities of a curve file, made from CoolProp and verified against it; `generate_curves` calls it.

The vapor reaches from -45 degC to 67 degC of dew temperature and up to 130 degC, the liquid from 0 degC to 67 degC of
bubble temperature and down to 40 K below it: wider than any system that cools a house.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from lineset.physics.coolprop_fluid import ZERO_CEL, Fluid, log_slope, spline_slopes
from lineset.physics.refrigerant_state import REFERENCE_CEL, REFERENCE_J_KG, States, Stretch
from lineset.physics.saturation import Line

NODES = 120
VAPOR_TERMS = (12, 12)
LIQUID_TERMS = (12, 10)
VAPOR_LOWEST_CEL, LIQUID_LOWEST_CEL, HIGHEST_CEL = -45.0, 0.0, 67.0
BELOW_CRITICAL_K = 4.0
TOP_CEL = 130.0
SPAN_K = 40.0
REFERENCE = f"{REFERENCE_J_KG / 1e3:g} kJ/kg in the saturated liquid (bubble) at {REFERENCE_CEL:g} degC"
# What a state may miss CoolProp by: a hundredth of what a probe's 0.5 K does to an enthalpy, or 1 psi to a density.
TOLERANCE_J_KG = 25.0
TOLERANCE_DENSITY = 3e-4


class StateDifference(NamedTuple):
    """How far states are from CoolProp at their worst: `what`, the difference [J/kg], or as a part of the density."""

    what: str
    worst: float
    at: str
    points: int
    good: bool


def _points(n: int) -> list[float]:
    return [math.cos(math.pi * (k + 0.5) / n) for k in range(n)]


def _coefficients(values: list[float]) -> list[float]:
    """Of the Chebyshev expansion through values at `_points`."""
    n = len(values)
    return [
        (2.0 if j else 1.0) / n * sum(value * math.cos(math.pi * j * (k + 0.5) / n) for k, value in enumerate(values))
        for j in range(n)
    ]


def _expansion(values: list[list[float]]) -> list[list[float]]:
    rows = [_coefficients(row) for row in values]
    columns = [_coefficients(list(column)) for column in zip(*rows, strict=True)]
    return [[float(f"{value:.7g}") for value in row] for row in zip(*columns, strict=True)]


def _saturated(property_at: Callable[[float], float], low: float, high: float, digits: int) -> dict[str, list[float]]:
    step = math.log(high / low) / (NODES - 1)
    values = [property_at(low * math.exp(step * i)) for i in range(NODES)]
    slopes = spline_slopes(values, log_slope(property_at, low) * step, log_slope(property_at, high) * step)
    return {
        "value": [round(value, digits) for value in values],
        "slope": [round(slope / step, digits) for slope in slopes],
    }


def sample_states(fluid: Fluid, body: dict[str, Any]) -> dict[str, Any]:
    """The member `states` of a curve file whose lines are in `body`. Raises CurveError when CoolProp cannot."""
    critical = body["critical"]["temperature_Cel"]
    bubble, dew = body["bubble"], body["dew"]
    zero = fluid.saturated(fluid.pressure(REFERENCE_CEL, 0), 0)[1] - REFERENCE_J_KG
    highest = min(HIGHEST_CEL, critical - BELOW_CRITICAL_K)
    vapor_range = Stretch(max(VAPOR_LOWEST_CEL, dew["temperature_Cel"][0]), highest, critical)
    liquid_range = Stretch(max(LIQUID_LOWEST_CEL, bubble["temperature_Cel"][0]), highest, critical)
    heat, departure = [], []
    for x in _points(VAPOR_TERMS[0]):
        pressure = fluid.pressure(vapor_range.back(x), 1)
        cel, at_dew, dense = fluid.saturated(pressure, 1)
        row = [(TOP_CEL - cel) * (0.5 * (y + 1.0)) ** 2 for y in _points(VAPOR_TERMS[1])]
        states = [fluid.single_phase("vapor", pressure, cel + above) for above in row]
        heat.append([(h - at_dew) / above for above, (h, _) in zip(row, states, strict=True)])
        departure.append(
            [
                math.log(dense / density * (cel + ZERO_CEL) / (cel + above + ZERO_CEL)) / above
                for above, (_, density) in zip(row, states, strict=True)
            ]
        )
    liquid = []
    for x in _points(LIQUID_TERMS[0]):
        pressure = fluid.pressure(liquid_range.back(x), 0)
        cel, at_bubble, _ = fluid.saturated(pressure, 0)
        row = [SPAN_K * (0.5 * (y + 1.0)) ** 2 for y in _points(LIQUID_TERMS[1])]
        liquid.append([(at_bubble - fluid.single_phase("liquid", pressure, cel - below)[0]) / below for below in row])
    wet, dry = (bubble["low_Pa"], bubble["high_Pa"]), (dew["low_Pa"], dew["high_Pa"])
    return {
        "reference": REFERENCE,
        "bubble_enthalpy": _saturated(lambda p: fluid.saturated(p, 0)[1] - zero, *wet, 2),
        "dew_enthalpy": _saturated(lambda p: fluid.saturated(p, 1)[1] - zero, *dry, 2),
        "dew_log_density": _saturated(lambda p: math.log(fluid.saturated(p, 1)[2]), *dry, 8),
        "vapor": {
            "low_Cel": round(vapor_range.low, 6), "high_Cel": round(highest, 6), "top_Cel": TOP_CEL,
            "specific_heat": _expansion(heat), "departure": _expansion(departure),
        },
        "liquid": {
            "low_Cel": round(liquid_range.low, 6), "high_Cel": round(highest, 6), "span_K": SPAN_K,
            "specific_heat": _expansion(liquid),
        },
    }  # fmt: skip


class _Worst:
    def __init__(self, what: str, tolerance: float) -> None:
        self.what, self.tolerance = what, tolerance
        self.miss, self.at, self.points = 0.0, "", 0

    def take(self, miss: float, at: str) -> None:
        self.points += 1
        if not abs(miss) <= abs(self.miss):
            self.miss, self.at = miss, at

    def told(self) -> StateDifference:
        return StateDifference(self.what, self.miss, self.at, self.points, abs(self.miss) <= self.tolerance)


def state_differences(states: States, fluid: Fluid, pressures: int = 23) -> Iterator[StateDifference]:
    """The largest differences from CoolProp, between the points that the states were made from.

    Saturated enthalpies and density over the whole lines; vapor and liquid over all temperatures at `pressures`
    pressures. Raises CurveError when CoolProp cannot say.
    """
    zero = fluid.saturated(fluid.pressure(REFERENCE_CEL, 0), 0)[1] - REFERENCE_J_KG
    for name, line, quality, spline in (
        ("bubble enthalpy", states.bubble, 0, states.bubble_enthalpy),
        ("dew enthalpy", states.dew, 1, states.dew_enthalpy),
    ):
        worst = _Worst(name, TOLERANCE_J_KG)
        for i in range(2 * pressures):
            pressure = line.low_pa * (line.high_pa / line.low_pa) ** ((i + 0.37) / (2 * pressures))
            worst.take(spline(pressure)[0] - fluid.saturated(pressure, quality)[1] + zero, f"{pressure / 1e3:.1f} kPa")
        yield worst.told()
    heat, dense = _Worst("vapor enthalpy", TOLERANCE_J_KG), _Worst("vapor density", TOLERANCE_DENSITY)
    for pressure, saturation, fraction in _grid(states.dew, states.vapor_range, pressures):
        cel = saturation + (states.top_cel - saturation) * fraction
        found = states.vapor(pressure, cel)
        enthalpy, density = fluid.single_phase("vapor", pressure, cel)
        heat.take(found.enthalpy - enthalpy + zero, f"{pressure / 1e3:.1f} kPa, {cel:.1f} degC")
        dense.take(found.density / density - 1.0, f"{pressure / 1e3:.1f} kPa, {cel:.1f} degC")
    liquid = _Worst("liquid enthalpy", TOLERANCE_J_KG)
    for pressure, saturation, fraction in _grid(states.bubble, states.liquid_range, pressures):
        cel = saturation - states.span_k * fraction
        enthalpy = fluid.single_phase("liquid", pressure, cel)[0]
        liquid.take(
            states.liquid(pressure, cel).enthalpy - enthalpy + zero, f"{pressure / 1e3:.1f} kPa, {cel:.1f} degC"
        )
    yield from (heat.told(), dense.told(), liquid.told())


def _grid(line: Line, stretch: Stretch, pressures: int) -> Iterator[tuple[float, float, float]]:
    """Pressures [Pa], saturation temperatures [Cel] and fractions of the way off the line, dense near it."""
    for i in range(pressures):
        pressure = line.pressure(stretch.low + (stretch.high - stretch.low) * (i + 0.5) / pressures)
        for fraction in (0.001, 0.01, 0.04, 0.1, 0.19, 0.33, 0.52, 0.74, 0.97):
            yield pressure, line(pressure), fraction
