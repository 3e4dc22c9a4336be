"""A number with its first derivatives, carried through arithmetic (forward differentiation). Pure floats.

Formulas of many inputs are written once, over Gradients, and give their value and all their partial derivatives
together; each operation is the exact rule of differentiation, so nothing is stepped or tuned.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache


class Gradient:
    """A value and its derivatives by the inputs of a computation, in a fixed order. Mixes with plain floats."""

    __slots__ = ("slopes", "value")

    def __init__(self, value: float, slopes: tuple[float, ...]) -> None:
        self.value = value
        self.slopes = slopes

    def __add__(self, other: Gradient | float) -> Gradient:
        if isinstance(other, Gradient):
            pairs = zip(self.slopes, other.slopes, strict=True)
            return Gradient(self.value + other.value, tuple([a + b for a, b in pairs]))
        return Gradient(self.value + other, self.slopes)

    __radd__ = __add__

    def __neg__(self) -> Gradient:
        return Gradient(-self.value, tuple([-a for a in self.slopes]))

    def __sub__(self, other: Gradient | float) -> Gradient:
        if isinstance(other, Gradient):
            pairs = zip(self.slopes, other.slopes, strict=True)
            return Gradient(self.value - other.value, tuple([a - b for a, b in pairs]))
        return Gradient(self.value - other, self.slopes)

    def __rsub__(self, other: float) -> Gradient:
        return Gradient(other - self.value, tuple([-a for a in self.slopes]))

    def __mul__(self, other: Gradient | float) -> Gradient:
        x = self.value
        if isinstance(other, Gradient):
            y = other.value
            pairs = zip(self.slopes, other.slopes, strict=True)
            return Gradient(x * y, tuple([a * y + x * b for a, b in pairs]))
        return Gradient(x * other, tuple([a * other for a in self.slopes]))

    __rmul__ = __mul__

    def __truediv__(self, other: Gradient | float) -> Gradient:
        x = self.value
        if isinstance(other, Gradient):
            y = other.value
            ratio = x / y
            pairs = zip(self.slopes, other.slopes, strict=True)
            return Gradient(ratio, tuple([(a - ratio * b) / y for a, b in pairs]))
        return Gradient(x / other, tuple([a / other for a in self.slopes]))

    def __rtruediv__(self, other: float) -> Gradient:
        ratio = other / self.value
        scale = -ratio / self.value
        return Gradient(ratio, tuple([a * scale for a in self.slopes]))

    def __repr__(self) -> str:
        return f"Gradient({self.value!r}, {self.slopes!r})"


def inputs(values: Sequence[float]) -> list[Gradient]:
    """The inputs of a computation: each one's derivative by itself is one, by the others nought."""
    return [Gradient(value, row) for value, row in zip(values, _unit_rows(len(values)), strict=True)]


@lru_cache(maxsize=32)
def _unit_rows(n: int) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(1.0 if i == j else 0.0 for j in range(n)) for i in range(n))


def chained(value: float, *parts: tuple[float, Gradient]) -> Gradient:
    """A function's value whose derivatives by its arguments are known: `parts` are (derivative, argument)."""
    slopes = [0.0] * len(parts[0][1].slopes)
    for derivative, argument in parts:
        if derivative:
            slopes = [sum_ + derivative * slope for sum_, slope in zip(slopes, argument.slopes, strict=True)]
    return Gradient(value, tuple(slopes))
