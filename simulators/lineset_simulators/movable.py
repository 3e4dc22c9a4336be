"""Meters that are moved from point to point: what jaw or leads sense where they are, in the mode they are set to."""

from __future__ import annotations

from collections.abc import Mapping

from lineset_simulators.probe import Probe, ProbeModel

RELEASED = "released"
_MODES = {"_current": "ACA", "_voltage": "ACV", "contactor_drop": "ACV", "_capacitance": "CAP"}
_BENCH = {"ACA": "CURR:AC", "ACV": "VOLT:AC", "CAP": "CAP", "RES": "RES", "FREQ": "FREQ"}


def mode_of(point: str) -> str:
    """The mode of a meter that measures at `point`. Raises ValueError for a point that no meter's leads fit."""
    base = point.partition(".")[0]
    for ending, mode in _MODES.items():
        if base.endswith(ending):
            return mode
    raise ValueError(f"no clamp or leads measure {point!r}; it takes a current, a voltage or a capacitance")


def bench_function(mode: str) -> str:
    """The same mode as a bench meter calls it."""
    return _BENCH[mode]


class Movable:
    """The business end of a meter: `on` names the point where it is, or RELEASED.

    What it senses is lost when it is moved: a jaw has no memory.
    """

    def __init__(self, model: ProbeModel, seed: str) -> None:
        self.on = RELEASED
        self._probe = Probe(model, seed)
        self._frequency = 0.0

    def place(self, point: str) -> None:
        """Clamp or touch `point`, or RELEASED. Raises ValueError where no meter fits."""
        if point != RELEASED:
            mode_of(point)
        self.on = point

    def advance(self, dt: float, senses: Mapping[str, float]) -> None:
        if self.on == RELEASED:
            true: float | None = 0.0
        else:
            true = senses.get(self.on, 0.0)
        # capacitance and noise are six decades apart: the error of a reading goes with its size
        if self.on != RELEASED and mode_of(self.on) == "CAP":
            true = None if true is None else true * 1e6
        self._probe.advance(dt, true)
        self._frequency = senses.get("line_frequency", 0.0)

    def sense(self, mode: str) -> float | None:
        """SI value in `mode` (ACA, ACV, CAP, RES, FREQ); None where the leads hang open."""
        here = None if self.on == RELEASED else mode_of(self.on)
        reading = self._probe.read()
        if mode == "CAP":
            return reading * 1e-6 if here == "CAP" and reading is not None else None
        if mode == "RES":
            return None
        if mode == "FREQ":
            live = here == "ACV" and reading is not None and reading > 5.0
            return self._frequency if live else None
        if reading is None:
            return None
        # root mean square: what is shown is never below zero
        return abs(reading) if here in (None, mode) else 0.0
