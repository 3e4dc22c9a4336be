"""A seeded model of a sensor: lag, gain and offset error, noise, quantisation, drop-outs. SI; Cel."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace


@dataclass(frozen=True)
class ProbeModel:
    """How a sensor errs. The same seed gives the same errors.

    `lag_s` is the time constant in visit seconds; `gain` and `offset` act on the true value (`gain` 1 is none),
    `noise` is the standard deviation of one reading, `step` the least step (0: none), all in SI.
    `dropouts_per_hour` is how often, on average, the sensor gives nothing for `dropout_s` visit seconds.
    """

    lag_s: float = 0.0
    noise: float = 0.0
    step: float = 0.0
    gain: float = 1.0
    offset: float = 0.0
    dropouts_per_hour: float = 0.0
    dropout_s: float = 5.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not math.isfinite(value) or (value < 0 and field.name not in ("gain", "offset")):
                raise ValueError(f"a probe's {field.name} cannot be {value}")

    def changed(self, table: Mapping[str, object]) -> ProbeModel:
        """With what a scenario's table says. Raises ValueError, naming the key, where it makes no sense."""
        known = [field.name for field in fields(self)]
        values: dict[str, float] = {}
        for key, value in table.items():
            if key not in known:
                raise ValueError(f"a probe has no {key!r}; use one of {', '.join(known)}")
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ValueError(f"a probe's {key} is a number, not {value!r}")
            values[key] = float(value)
        return replace(self, **values)


class Probe:
    """One sensor. `advance` it with the truth as visit time goes by; `read` it as often as you like."""

    def __init__(self, model: ProbeModel, seed: str) -> None:
        self.model = model
        self._random = random.Random(seed)
        self._sensed: float | None = None
        self._out_s = 0.0
        self._reading: float | None = None

    def advance(self, dt: float, true: float | None) -> None:
        """`dt` visit seconds in which the truth was `true`; None when the probe touches nothing."""
        model = self.model
        if true is None:
            self._sensed = self._reading = None
            return
        if self._sensed is None or model.lag_s == 0.0:
            self._sensed = true
        else:
            self._sensed = true + (self._sensed - true) * math.exp(-dt / model.lag_s)
        self._out_s -= dt
        if model.dropouts_per_hour and self._random.random() < model.dropouts_per_hour * dt / 3600.0:
            self._out_s = model.dropout_s
        if self._out_s > 0.0:
            self._reading = None
            return
        value = self._sensed * model.gain + model.offset
        if model.noise:
            value += self._random.gauss(0.0, model.noise)
        if model.step:
            value = round(value / model.step) * model.step
        self._reading = value

    def read(self) -> float | None:
        """The latest reading in SI; None in a drop-out, or when nothing is touched."""
        return self._reading


_PORT = ProbeModel(lag_s=0.5, noise=350.0)
_PIPE = ProbeModel(lag_s=5.0, noise=0.04)
_AIR = ProbeModel(lag_s=20.0, noise=0.03)
_DAMP = ProbeModel(lag_s=20.0, noise=0.15)
_STATIC = ProbeModel(lag_s=1.0, noise=0.4)
MODELS: dict[str, dict[str, ProbeModel]] = {
    "pressure-transducer-2ch": {"low": _PORT, "high": _PORT},
    "thermocouple-4ch": {f"t{n}": _PIPE for n in range(1, 5)} | {"reference": _AIR},
    "thermocouple-8ch": {f"t{n}": _PIPE for n in range(1, 9)},
    "differential-pressure": {f"p{n}": _STATIC for n in range(1, 5)} | {"barometer": ProbeModel(1.0, 8.0)},
    "power-meter-1ph": {
        "voltage": ProbeModel(0.5, 0.05),
        "current": ProbeModel(0.5, 0.01),
        "power": ProbeModel(0.5, 2.0),
        "frequency": ProbeModel(0.5, 0.005),
        "energy": ProbeModel(),
    },
    "bench-meter": {"leads": ProbeModel(0.3, 0.01)},
    "clamp-meter-line": {"jaw": ProbeModel(0.4, 0.012)},
    "clamp-meter-ble": {"jaw": ProbeModel(0.4, 0.012)},
    "air-probe": {"temperature": _AIR, "humidity": _DAMP, "barometer": ProbeModel(1.0, 8.0)},
    "air-probe-line": {"temperature": _AIR, "humidity": _DAMP},
    "air-beacon": {"temperature": _AIR, "humidity": _DAMP},
}
"""How the sensors of each instrument err unless a scenario says otherwise. Invented figures."""
