"""Why there is no target or no judgement. Each message says what is wrong and which input to look at."""

from __future__ import annotations


class AssessError(ValueError):
    """Base of the errors of judgement; `look_at` names the input to look at (a point, or what to measure)."""

    def __init__(self, problem: str, *, look_at: str, remedy: str) -> None:
        self.problem, self.look_at, self.remedy = problem, look_at, remedy
        super().__init__(f"{problem}. {remedy}")


class OutsideTable(AssessError):
    """An input beyond what the published table holds."""


class NoValidTest(AssessError):
    """The published table has a dash here: the target would be too low for a valid test."""


class ImpossibleInput(AssessError):
    """Inputs that cannot be true together, such as a wet bulb above the dry bulb."""


class NoTarget(AssessError):
    """Nothing says what the target is: the nameplate's figure is missing."""
