"""Small normal distributions in plain floats: the logarithm of a density, and a linear regression with a prior."""

from __future__ import annotations

import math
from collections.abc import Sequence

Matrix = list[list[float]]


class NotPositive(ValueError):
    """A covariance that is none: two features say the same without any uncertainty."""


def cholesky(matrix: Sequence[Sequence[float]]) -> Matrix:
    """The lower triangle L with L L' = matrix. Raises NotPositive."""
    size = len(matrix)
    lower = [[0.0] * size for _ in range(size)]
    for i in range(size):
        row = lower[i]
        for j in range(i + 1):
            other = lower[j]
            total = matrix[i][j] - sum(row[k] * other[k] for k in range(j))
            if i == j:
                if not total > 0.0:
                    raise NotPositive("a covariance is not positive definite")
                row[i] = math.sqrt(total)
            else:
                row[j] = total / other[j]
    return lower


def log_density(deviation: Sequence[float], covariance: Sequence[Sequence[float]]) -> float:
    """Logarithm of the normal density at a deviation from the mean. Raises NotPositive."""
    lower = cholesky(covariance)
    solved: list[float] = []
    total = 0.0
    for i, row in enumerate(lower):
        x = (deviation[i] - sum(row[k] * solved[k] for k in range(i))) / row[i]
        solved.append(x)
        total += 0.5 * x * x + math.log(row[i])
    return -total - 0.5 * len(solved) * math.log(2.0 * math.pi)


def solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """x with matrix x = right, for a symmetric positive definite matrix. Raises NotPositive."""
    lower = cholesky(matrix)
    size = len(right)
    forward = [0.0] * size
    for i in range(size):
        forward[i] = (right[i] - sum(lower[i][k] * forward[k] for k in range(i))) / lower[i][i]
    back = [0.0] * size
    for i in reversed(range(size)):
        back[i] = (forward[i] - sum(lower[k][i] * back[k] for k in range(i + 1, size))) / lower[i][i]
    return back


class Regression:
    """Coefficients with a normal prior (mean, independent standard deviations), updated one observation at a time."""

    def __init__(self, mean: Sequence[float], deviation: Sequence[float]) -> None:
        size = len(mean)
        self._precision: Matrix = [[0.0] * size for _ in range(size)]
        self._weighted = [0.0] * size
        for i, (m, s) in enumerate(zip(mean, deviation, strict=True)):
            weight = 1.0 / max(s, 1e-6) ** 2
            self._precision[i][i] = weight
            self._weighted[i] = weight * m

    def observe(self, terms: Sequence[float], value: float, u: float) -> None:
        """Learn that the sum of coefficients times `terms` was `value` with standard uncertainty `u`."""
        weight = 1.0 / max(u, 1e-6) ** 2
        for i, a in enumerate(terms):
            self._weighted[i] += weight * a * value
            row = self._precision[i]
            for j, b in enumerate(terms):
                row[j] += weight * a * b

    def predict(self, terms: Sequence[float]) -> tuple[float, float, list[float]]:
        """The sum at `terms`, its standard uncertainty, and the coefficients."""
        coefficients = solve(self._precision, self._weighted)
        spread = solve(self._precision, terms)
        variance = sum(a * b for a, b in zip(terms, spread, strict=True))
        value = sum(a * b for a, b in zip(terms, coefficients, strict=True))
        return value, math.sqrt(max(variance, 0.0)), coefficients
