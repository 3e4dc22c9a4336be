"""A verdict: what a check says, and everything that is needed to defend it."""

from __future__ import annotations

from dataclasses import dataclass

from lineset.assess.decision import State
from lineset_drivers.quantity import SI_UNIT, Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One check's outcome. All figures are SI, `low` and `high` bounds of the value itself.

    `finding` says on which side of the limits the value lies, whatever may be concluded. `assumed` is what was taken
    as so because nobody said otherwise, `unmet` the preconditions that do not hold, `would_decide` what to do to get
    further, `proved` (of the charge) what was shown instead. `caution` is for the technician's safety or fairness.
    """

    name: str
    title: str
    state: State
    reason: str
    finding: str = ""
    quantity: Quantity | None = None
    value: float | None = None
    u: float | None = None
    target: float | None = None
    target_u: float | None = None
    low: float | None = None
    high: float | None = None
    probability: float | None = None
    rule: str = ""
    source: str = ""
    basis: str = ""
    unmet: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    would_decide: str = ""
    caution: str = ""
    proved: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        """Unit symbol of RFC 8428, empty where there is no value."""
        return SI_UNIT[self.quantity] if self.quantity is not None else ""
