"""Saturated properties of the plant's refrigerant: tables that CoolProp fills when the plant is built, and itself.

The tables make a step of the plant cheap; `temperature_dew`, `temperature_bubble` ask CoolProp each time and are what
the plant's derived truth rests on. CoolProp is imported only when a `Refrigerant` is made. SI units; Cel.
"""

from __future__ import annotations

import functools
import math
from typing import Any

ZERO_CEL = 273.15
_FLUIDS = {
    "R-22": "R22",
    "R-32": "R32",
    "R-134a": "R134a",
    "R-290": "R290",
    "R-407C": "R407C",
    "R-410A": "R410A",
    "R-454B": "R454B.mix",
}
"""name in the trade -> CoolProp's name; pseudo-pure fluids where they exist: a mixture's flashes fail in bands"""

_COLDEST, _HOTTEST = -45.0, 66.0


def refrigerants() -> tuple[str, ...]:
    """The refrigerants that a plant may hold."""
    return tuple(_FLUIDS)


class _Curve:
    """A property over temperature, tabulated every kelvin, linear between; held at its ends."""

    def __init__(self, values: list[float]) -> None:
        self._values = values
        self._last = len(values) - 1

    def __call__(self, celsius: float) -> float:
        place = celsius - _COLDEST
        index = int(place)
        if place <= 0.0:
            return self._values[0]
        if index >= self._last:
            return self._values[self._last]
        left = self._values[index]
        return left + (place - index) * (self._values[index + 1] - left)


def _state(name: str) -> Any:
    import CoolProp

    module: Any = CoolProp
    state = module.AbstractState("HEOS", _FLUIDS[name])
    if _FLUIDS[name].endswith(".mix"):
        state.build_phase_envelope("none")  # without it some flashes at condensing pressure fail
    return state


@functools.cache
def _curves(name: str) -> dict[str, _Curve]:
    """The tables of a refrigerant: made once a process, for those of a mixture take seconds."""
    import CoolProp

    state = _state(name)
    columns: dict[str, list[float]] = {key: [] for key in ("pd", "pb", "hv", "hl", "dv", "dl", "cv", "cl")}
    for node in range(int(_HOTTEST - _COLDEST) + 1):
        kelvin = _COLDEST + node + ZERO_CEL
        state.update(CoolProp.QT_INPUTS, 1.0, kelvin)
        dew, vapor_h, vapor_d = state.p(), state.hmass(), state.rhomass()
        state.update(CoolProp.QT_INPUTS, 0.0, kelvin)
        bubble, liquid_h, liquid_d = state.p(), state.hmass(), state.rhomass()
        # single-phase heats beside the line: at the line itself CoolProp has none for pseudo-pure fluids
        state.update(CoolProp.PT_INPUTS, dew, kelvin + 5.0)
        vapor_c = (state.hmass() - vapor_h) / 5.0
        state.update(CoolProp.PT_INPUTS, bubble, kelvin - 5.0)
        liquid_c = (liquid_h - state.hmass()) / 5.0
        row = (math.log(dew), math.log(bubble), vapor_h, liquid_h, vapor_d, liquid_d, vapor_c, liquid_c)
        for key, value in zip(columns, row, strict=True):
            columns[key].append(value)
    return {key: _Curve(values) for key, values in columns.items()}


class Refrigerant:
    """`name` as in the trade ("R-410A"). Raises ValueError for one that is not in `refrigerants()`.

    Curves over a saturation temperature in Cel: `dew_pressure`, `bubble_pressure` (Pa, absolute), `vapor_enthalpy`,
    `liquid_enthalpy` (J/kg), `vapor_density`, `liquid_density` (kg/m3), `vapor_heat`, `liquid_heat` (J/(kg K)).
    """

    def __init__(self, name: str) -> None:
        if name not in _FLUIDS:
            raise ValueError(f"the plant has no refrigerant {name!r}; use one of {', '.join(_FLUIDS)}")
        import CoolProp  # late: costs up to two seconds and 75 MiB

        self.name = name
        self._cp: Any = CoolProp
        self._state: Any = _state(name)
        curves = _curves(name)
        self._log_dew, self._log_bubble = curves["pd"], curves["pb"]
        self.vapor_enthalpy, self.liquid_enthalpy = curves["hv"], curves["hl"]
        self.vapor_density, self.liquid_density = curves["dv"], curves["dl"]
        self.vapor_heat, self.liquid_heat = curves["cv"], curves["cl"]

    def dew_pressure(self, celsius: float) -> float:
        return math.exp(self._log_dew(celsius))

    def bubble_pressure(self, celsius: float) -> float:
        return math.exp(self._log_bubble(celsius))

    def temperature_dew(self, pascals: float) -> float:
        """Dew temperature in Cel at an absolute pressure, from CoolProp. Raises ValueError where it has none."""
        self._state.update(self._cp.PQ_INPUTS, pascals, 1.0)
        return float(self._state.T()) - ZERO_CEL

    def temperature_bubble(self, pascals: float) -> float:
        """Bubble temperature in Cel at an absolute pressure, from CoolProp. Raises ValueError where it has none."""
        self._state.update(self._cp.PQ_INPUTS, pascals, 0.0)
        return float(self._state.T()) - ZERO_CEL

    def isentropic_work(self, celsius: float, low: float, high: float) -> float:
        """J/kg of an ideal compression of vapor at `celsius` from `low` to `high` (absolute Pa), from CoolProp."""
        state = self._state
        state.update(self._cp.PT_INPUTS, low, celsius + ZERO_CEL)
        enthalpy, entropy = state.hmass(), state.smass()
        # by bisection over temperature: mixtures have no flash at given pressure and entropy
        below, above = celsius + ZERO_CEL, celsius + ZERO_CEL + 120.0
        below = max(below, self.temperature_dew(high) + ZERO_CEL + 0.01)
        for _ in range(40):
            kelvin = 0.5 * (below + above)
            state.update(self._cp.PT_INPUTS, high, kelvin)
            below, above = (kelvin, above) if state.smass() < entropy else (below, kelvin)
        return float(state.hmass() - enthalpy)
