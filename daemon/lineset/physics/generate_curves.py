"""Make the shipped saturation curves from CoolProp, and verify them against it.

    python -m lineset.physics.generate_curves [--verify] [NAME ...]

CoolProp is imported here only, and late. Its pressure flashes of predefined mixtures fail in bands of ordinary
condensing pressure unless the phase envelope was built first, so it always is.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from lineset.physics.errors import CurveError
from lineset.physics.refrigerant import FORMAT, REFRIGERANTS, curve_file, digest, from_data

NODES = 288
# Wider than any running system, so that published tables and a nearly empty system still find a value.
LOWEST_CEL = -61.0
HIGHEST_CEL = 80.0
BELOW_CRITICAL_K = 2.0
ABOVE_LOWEST_K = 1.0  # of the property model's own lowest temperature
TOLERANCE_K = 1e-4
_ZERO_CEL = 273.15
_QUALITY = {"bubble": 0, "dew": 1}


class NotAFluid(CurveError):
    """CoolProp knows no fluid of that name."""


class Difference(NamedTuple):
    """How far a curve is from CoolProp at its worst point between nodes."""

    phase: str
    kelvin: float
    at_pa: float
    points: int


class _Fluid:
    """One CoolProp state, with failures as CurveError."""

    def __init__(self, fluid: str) -> None:
        try:
            import CoolProp.CoolProp
        except ImportError as error:
            raise CurveError(f"CoolProp cannot be imported ({error}); install it to make curves") from error
        self.fluid, self.version = fluid, str(CoolProp.__version__)
        self._pq, self._qt = CoolProp.CoolProp.PQ_INPUTS, CoolProp.CoolProp.QT_INPUTS
        self._mixture = fluid.endswith(".mix")
        try:
            self._state = CoolProp.CoolProp.AbstractState("HEOS", fluid)
        except ValueError as error:
            raise NotAFluid(f"CoolProp knows no fluid {fluid!r}") from error
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
        return float(self._state.T()) - _ZERO_CEL

    def pressure(self, temperature: float, quality: int) -> float:
        """Absolute saturation pressure [Pa] at the temperature [Cel]."""
        kelvin = temperature + _ZERO_CEL
        self._tried(f"pressure at {temperature:.2f} degC", lambda: self._state.update(self._qt, quality, kelvin))
        return float(self._state.p())

    def lowest(self) -> float:
        """Lowest temperature [Cel] that the property model is stated for."""
        return float(self._tried("lowest temperature", self._state.Tmin)) - _ZERO_CEL

    def critical(self) -> tuple[float, float]:
        """Critical temperature [Cel] and absolute pressure [Pa]."""
        if not self._mixture:
            return float(self._state.T_critical()) - _ZERO_CEL, float(self._state.p_critical())
        # A mixture's critical locus has unphysical branches at negative pressure; CoolProp marks them unstable.
        points = self._tried("critical point", self._state.all_critical_points)
        stable = [point for point in points if point.stable and point.p > 0]
        if len(stable) != 1:
            raise CurveError(f"CoolProp {self.version} finds {len(stable)} stable critical points of {self.fluid}")
        return float(stable[0].T) - _ZERO_CEL, float(stable[0].p)

    def slope(self, pressure: float, quality: int) -> float:
        """dT/d(ln p) [K] by a five-point central difference; its step is wide enough to drown CoolProp's noise."""
        h = 2e-3
        near = [self.temperature(pressure * math.exp(k * h), quality) for k in (-2, -1, 1, 2)]
        return (near[0] - 8 * near[1] + 8 * near[2] - near[3]) / (12 * h)


def _spline_slopes(values: list[float], first: float, last: float) -> list[float]:
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


def _line(fluid: _Fluid, phase: str, lowest: float, highest: float) -> dict[str, Any]:
    quality = _QUALITY[phase]
    low, high = (round(fluid.pressure(cel, quality), 3) for cel in (lowest, highest))
    step = math.log(high / low) / (NODES - 1)
    pressures = [low * math.exp(step * i) for i in range(NODES)]
    values = [fluid.temperature(pressure, quality) for pressure in pressures]
    slopes = _spline_slopes(values, fluid.slope(low, quality) * step, fluid.slope(high, quality) * step)
    return {
        "low_Pa": low,
        "high_Pa": high,
        "temperature_Cel": [round(value, 7) for value in values],
        "slope_K": [round(slope / step, 6) for slope in slopes],
    }


def sample(name: str, fluid_name: str) -> dict[str, Any]:
    """The curve of one refrigerant, as a curve file holds it, made from CoolProp's `fluid_name`.

    Raises NotAFluid when CoolProp has no such fluid, CurveError when it cannot describe its saturation.
    """
    fluid = _Fluid(fluid_name)
    critical_cel, critical_pa = fluid.critical()
    highest = min(HIGHEST_CEL, critical_cel - BELOW_CRITICAL_K)
    lowest = max(LOWEST_CEL, fluid.lowest() + ABOVE_LOWEST_K)
    if highest <= lowest:
        raise CurveError(f"{name}: its critical temperature, {critical_cel:.1f} degC, is below the range of a curve")
    body: dict[str, Any] = {
        "format": FORMAT,
        "refrigerant": name,
        "fluid": fluid_name,
        "coolprop": fluid.version,
        "critical": {"temperature_Cel": round(critical_cel, 4), "pressure_Pa": round(critical_pa, 1)},
        "bubble": _line(fluid, "bubble", lowest, highest),
        "dew": _line(fluid, "dew", lowest, highest),
    }
    return body | {"sha256": digest(body)}


def coolprop_version() -> str:
    """Version of the CoolProp that is installed. Raises CurveError when there is none."""
    return _Fluid("R32").version


def differences(
    body: dict[str, Any], fractions: tuple[float, ...] = (0.21, 0.5, 0.79), stride: int = 1
) -> Iterator[Difference]:
    """Each line's largest difference from CoolProp at these fractions of every `stride`-th step between nodes."""
    saturation = from_data(body, f"curve of {body.get('refrigerant')}")
    fluid = _Fluid(body["fluid"])
    for phase, line in (("bubble", saturation.bubble), ("dew", saturation.dew)):
        nodes = len(body[phase]["temperature_Cel"])
        step = math.log(line.high_pa / line.low_pa) / (nodes - 1)
        worst, at = 0.0, line.low_pa
        for i in range(0, nodes - 1, stride):
            for fraction in fractions:
                pressure = line.low_pa * math.exp((i + fraction) * step)
                miss = line(pressure) - fluid.temperature(pressure, _QUALITY[phase])
                if not abs(miss) <= abs(worst):
                    worst, at = miss, pressure
        yield Difference(phase, worst, at, len(range(0, nodes - 1, stride)) * len(fractions))


def text(body: dict[str, Any]) -> str:
    """A curve as its file holds it: JSON, one member a line, so that a change shows as one."""
    members = ",\n".join(
        f"{json.dumps(key)}: {json.dumps(value, separators=(',', ':'))}" for key, value in body.items()
    )
    return "{\n" + members + "\n}\n"


def main(arguments: list[str]) -> int:
    """Write, or with --verify only check, the curves of the named refrigerants (all when none is named)."""
    if "--help" in arguments or "-h" in arguments:
        print(__doc__)
        return 0
    verify_only = "--verify" in arguments
    names = [name for name in arguments if name != "--verify"] or list(REFRIGERANTS)
    bad = 0
    for name in names:
        before = bad
        if name not in REFRIGERANTS:
            print(f"{name}: not a shipped refrigerant; use one of {', '.join(REFRIGERANTS)}", file=sys.stderr)
            return 2
        try:
            body = json.loads(curve_file(name).read_text()) if verify_only else sample(name, REFRIGERANTS[name].fluid)
            for found in differences(body):
                good = abs(found.kelvin) <= TOLERANCE_K
                bad += not good
                print(
                    f"{name:9} {found.phase:6} {found.points} points, largest difference {found.kelvin * 1e3:+.4f} mK "
                    f"at {found.at_pa / 1e3:.1f} kPa: {'good' if good else 'TOO FAR'}"
                )
        except (CurveError, OSError, ValueError) as error:
            print(f"{name}: {error}", file=sys.stderr)
            bad += 1
            continue
        if not verify_only and bad == before:
            curve_file(name).write_text(text(body))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
