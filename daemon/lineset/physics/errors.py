"""Typed errors of the physics. Each message says what cannot be computed, where its limit is, and what to do."""

from __future__ import annotations

import math


class PhysicsError(ValueError):
    """Base of all errors raised by the physics."""


class OutOfRange(PhysicsError):
    """A value outside what a formula or a curve holds for.

    `value`, `low` and `high` are in the SI `unit`; nothing is ever clamped to a limit.
    """

    def __init__(
        self, what: str, *, value: float, low: float, high: float, unit: str, remedy: str, shown: str = ""
    ) -> None:
        self.what, self.value, self.low, self.high, self.unit, self.remedy = what, value, low, high, unit, remedy
        side = "below" if value < low else "above" if value > high else "not inside"
        limits = shown or _limits(value, low, high, unit)
        super().__init__(f"{what}: {limits.replace('{side}', side)}. {remedy}")


def _limits(value: float, low: float, high: float, unit: str) -> str:
    """The value and what it is held against; temperatures in both scales, and no limit where there is none."""
    shown = [_shown(each, unit) for each in (value, low, high)]
    if math.isinf(high):
        return f"{shown[0]} is {{side}} {shown[1]}, the least"
    if math.isinf(low):
        return f"{shown[0]} is {{side}} {shown[2]}, the most"
    first = shown[1].removesuffix(f" {unit}")
    return f"{shown[0]} is {{side}} the range {first} .. {shown[2]}"


def _shown(value: float, unit: str) -> str:
    if unit == "Cel":
        return f"{value:.1f} degC ({value * 1.8 + 32.0:.1f} degF)"
    if unit == "K":
        return f"{value:.2f} K ({value * 1.8:.1f} degF)"
    return f"{value:.4g}" if unit == "1" else f"{value:.4g} {unit}"


class UnknownRefrigerant(PhysicsError):
    """A name that is neither a shipped refrigerant nor one that CoolProp can describe."""


class CurveError(PhysicsError):
    """A saturation curve that cannot be used: its file is missing or damaged, or CoolProp could not make it."""
