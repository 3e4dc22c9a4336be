"""Make the shipped saturation curves from CoolProp, and verify them against it.

    python -m lineset.physics.generate_curves [--verify] [NAME ...]

A curve file holds the two saturation lines, and the enthalpies and densities of `generate_states`.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from typing import Any, NamedTuple

from lineset.physics.coolprop_fluid import Fluid, log_slope, spline_slopes
from lineset.physics.errors import CurveError
from lineset.physics.generate_states import StateDifference, sample_states, state_differences
from lineset.physics.refrigerant import FORMAT, REFRIGERANTS, curve_file, digest, from_data

NODES = 288
# Wider than any running system, so that published tables and a nearly empty system still find a value.
LOWEST_CEL = -61.0
HIGHEST_CEL = 80.0
BELOW_CRITICAL_K = 2.0
ABOVE_LOWEST_K = 1.0  # of the property model's own lowest temperature
TOLERANCE_K = 1e-4
_QUALITY = {"bubble": 0, "dew": 1}


class Difference(NamedTuple):
    """How far a curve is from CoolProp at its worst point between nodes."""

    phase: str
    kelvin: float
    at_pa: float
    points: int


def _line(fluid: Fluid, phase: str, lowest: float, highest: float) -> dict[str, Any]:
    quality = _QUALITY[phase]
    low, high = (round(fluid.pressure(cel, quality), 3) for cel in (lowest, highest))
    step = math.log(high / low) / (NODES - 1)
    pressures = [low * math.exp(step * i) for i in range(NODES)]
    values = [fluid.temperature(pressure, quality) for pressure in pressures]
    slopes = spline_slopes(
        values,
        log_slope(lambda p: fluid.temperature(p, quality), low) * step,
        log_slope(lambda p: fluid.temperature(p, quality), high) * step,
    )
    return {
        "low_Pa": low,
        "high_Pa": high,
        "temperature_Cel": [round(value, 7) for value in values],
        "slope_K": [round(slope / step, 6) for slope in slopes],
    }


def sample(name: str, fluid_name: str, *, need_states: bool = True) -> dict[str, Any]:
    """The curve of one refrigerant, as a curve file holds it, made from CoolProp's `fluid_name`.

    Raises NotAFluid when CoolProp has no such fluid, CurveError when it cannot describe its saturation or, unless
    `need_states` is false, its vapor and liquid: then the curve goes without enthalpies.
    """
    fluid = Fluid(fluid_name)
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
    try:
        body["states"] = sample_states(fluid, body)
    except CurveError:
        if need_states:
            raise
    return body | {"sha256": digest(body)}


def coolprop_version() -> str:
    """Version of the CoolProp that is installed. Raises CurveError when there is none."""
    return Fluid("R32").version


def differences(
    body: dict[str, Any], fractions: tuple[float, ...] = (0.21, 0.5, 0.79), stride: int = 1
) -> Iterator[Difference]:
    """Each line's largest difference from CoolProp at these fractions of every `stride`-th step between nodes."""
    saturation = from_data(body, f"curve of {body.get('refrigerant')}")
    fluid = Fluid(body["fluid"])
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


def of_states(body: dict[str, Any], pressures: int = 23) -> Iterator[StateDifference]:
    """The largest differences of a curve's enthalpies and densities from CoolProp. Raises CurveError without them."""
    states = from_data(body, f"curve of {body.get('refrigerant')}").states
    if states is None:
        raise CurveError(f"curve of {body.get('refrigerant')}: it holds no enthalpies")
    yield from state_differences(states, Fluid(body["fluid"]), pressures)


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
            for state in of_states(body):
                bad += not state.good
                worst = f"{state.worst:+.2e} of it" if "density" in state.what else f"{state.worst:+.2f} J/kg"
                print(
                    f"{name:9} {state.what} {state.points} points, largest difference {worst} at {state.at}: "
                    f"{'good' if state.good else 'TOO FAR'}"
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
