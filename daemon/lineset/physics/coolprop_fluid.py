"""One fluid of CoolProp, as the making of curves asks it; its failures come as CurveError.

CoolProp is imported here only, and late. Its pressure flashes of predefined mixtures fail in bands of ordinary
condensing pressure unless the phase envelope was built first, so it always is; off saturation the phase is imposed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from lineset.physics.errors import CurveError

ZERO_CEL = 273.15


class NotAFluid(CurveError):
    """CoolProp knows no fluid of that name."""


class Fluid:
    """CoolProp's states of one fluid. `version` is CoolProp's."""

    def __init__(self, fluid: str) -> None:
        """Raises NotAFluid, or CurveError where CoolProp is missing or cannot describe the fluid."""
        try:
            import CoolProp.CoolProp
        except ImportError as error:
            raise CurveError(f"CoolProp cannot be imported ({error}); install it to make curves") from error
        self.fluid, self.version = fluid, str(CoolProp.__version__)
        lib = CoolProp.CoolProp
        self._pq, self._qt, self._pt = lib.PQ_INPUTS, lib.QT_INPUTS, lib.PT_INPUTS
        self._mixture = fluid.endswith(".mix")
        try:
            self._state = lib.AbstractState("HEOS", fluid)
            self._single = {phase: lib.AbstractState("HEOS", fluid) for phase in ("vapor", "liquid")}
        except ValueError as error:
            raise NotAFluid(f"CoolProp knows no fluid {fluid!r}") from error
        self._single["vapor"].specify_phase(lib.iphase_gas)
        self._single["liquid"].specify_phase(lib.iphase_liquid)
        if self._mixture:
            self._tried("phase envelope", lambda: self._state.build_phase_envelope("none"))

    def _tried(self, what: str, call: Callable[[], Any]) -> Any:
        try:
            return call()
        except ValueError as error:
            raise CurveError(f"CoolProp {self.version} cannot give the {what} of {self.fluid}: {error}") from error

    def temperature(self, pressure: float, quality: int) -> float:
        """Saturation temperature [Cel] at the absolute pressure [Pa]."""
        self._tried(f"temperature at {pressure:.0f} Pa", lambda: self._state.update(self._pq, pressure, quality))
        return float(self._state.T()) - ZERO_CEL

    def saturated(self, pressure: float, quality: int) -> tuple[float, float, float]:
        """Saturation temperature [Cel], enthalpy [J/kg, CoolProp's own zero], density [kg/m3] at a pressure [Pa]."""
        cel = self.temperature(pressure, quality)
        return cel, float(self._state.hmass()), float(self._state.rhomass())

    def single_phase(self, phase: str, pressure: float, temperature: float) -> tuple[float, float]:
        """Enthalpy [J/kg, CoolProp's own zero] and density [kg/m3] of "vapor" or "liquid" at Pa and Cel."""
        state = self._single[phase]
        kelvin = temperature + ZERO_CEL
        self._tried(
            f"{phase} at {pressure:.0f} Pa, {temperature:.2f} degC", lambda: state.update(self._pt, pressure, kelvin)
        )
        return float(state.hmass()), float(state.rhomass())

    def pressure(self, temperature: float, quality: int) -> float:
        """Absolute saturation pressure [Pa] at the temperature [Cel]."""
        kelvin = temperature + ZERO_CEL
        self._tried(f"pressure at {temperature:.2f} degC", lambda: self._state.update(self._qt, quality, kelvin))
        return float(self._state.p())

    def lowest(self) -> float:
        """Lowest temperature [Cel] that the property model is stated for."""
        return float(self._tried("lowest temperature", self._state.Tmin)) - ZERO_CEL

    def critical(self) -> tuple[float, float]:
        """Critical temperature [Cel] and absolute pressure [Pa]."""
        if not self._mixture:
            return float(self._state.T_critical()) - ZERO_CEL, float(self._state.p_critical())
        # A mixture's critical locus has unphysical branches at negative pressure; CoolProp marks them unstable.
        points = self._tried("critical point", self._state.all_critical_points)
        stable = [point for point in points if point.stable and point.p > 0]
        if len(stable) != 1:
            raise CurveError(f"CoolProp {self.version} finds {len(stable)} stable critical points of {self.fluid}")
        return float(stable[0].T) - ZERO_CEL, float(stable[0].p)


def log_slope(property_at: Callable[[float], float], pressure: float) -> float:
    """Derivative by ln p by a five-point central difference; its step is wide enough to drown CoolProp's noise."""
    h = 2e-3
    near = [property_at(pressure * math.exp(k * h)) for k in (-2, -1, 1, 2)]
    return (near[0] - 8 * near[1] + 8 * near[2] - near[3]) / (12 * h)


def spline_slopes(values: list[float], first: float, last: float) -> list[float]:
    """Slopes per step at equally spaced nodes of the cubic spline with these values and end slopes (per step)."""
    n = len(values)
    upper, right = [0.0] * n, [0.0] * n
    right[0] = first
    for i in range(1, n - 1):
        pivot = 4.0 - upper[i - 1]
        upper[i] = 1.0 / pivot
        right[i] = (3.0 * (values[i + 1] - values[i - 1]) - right[i - 1]) / pivot
    slopes = [0.0] * (n - 1) + [last]
    for i in range(n - 2, -1, -1):
        slopes[i] = right[i] - upper[i] * slopes[i + 1]
    return slopes
