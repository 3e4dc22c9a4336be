"""Typed errors of the physics. Each message says what cannot be computed, where its limit is, and what to do."""

from __future__ import annotations


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
        limits = shown or f"{value:.6g} {unit} is {{side}} the range {low:.6g} .. {high:.6g} {unit}"
        super().__init__(f"{what}: {limits.replace('{side}', side)}. {remedy}")


class UnknownRefrigerant(PhysicsError):
    """A name that is neither a shipped refrigerant nor one that CoolProp can describe."""


class CurveError(PhysicsError):
    """A saturation curve that cannot be used: its file is missing or damaged, or CoolProp could not make it."""
