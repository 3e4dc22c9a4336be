"""What a source asks of the instruments before its tolerance may be taken as it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from lineset.assess.evidence import Evidence
from lineset.equipment.points import title
from lineset.physics.wet_bulb import wet_bulb_of

K_PER_F = 5.0 / 9.0
PSI = 6894.757293168
_CEC = "2008 Reference Residential Appendices RA3.2, p. RA3-10 (read)"
_CEC13 = "2013 Reference Residential Appendices RA3.2.2.2 (read)"


@dataclass(frozen=True, slots=True)
class Demand:
    """Largest error that a source allows at a point: `limit` [SI] plus `part` of the reading from `zero` [SI].

    `step` [SI] is the coarsest display that it allows; 0 where it asks for none.
    """

    point: str
    limit: float
    source: str
    part: float = 0.0
    zero: float = 0.0
    shown: str = ""
    step: float = 0.0

    def allowed(self, value: float) -> float:
        """The error allowed at a reading, SI."""
        return self.limit + self.part * abs(value - self.zero)


def thermometer(point: str) -> Demand:
    """0.1 % of reading + 1.3 degF, the reading counted in degF, on a display that shows 0.2 degF."""
    return Demand(point, 1.3 * K_PER_F, _CEC, 0.001, -32.0 * K_PER_F, "0.1 % of reading + 1.3 degF", 0.2 * K_PER_F)


def suction_gauge(point: str) -> Demand:
    """3.5 psi on the suction side."""
    return Demand(point, 3.5 * PSI, _CEC13, shown="3.5 psi")


def liquid_gauge(point: str) -> Demand:
    """7.0 psi on the liquid line."""
    return Demand(point, 7.0 * PSI, _CEC13, shown="7.0 psi")


def hygrometer(point: str) -> Demand:
    """Wet bulb within the thermometer's 1.3 degF: the source asks it of a wet-bulb thermometer (judgement for RH)."""
    return Demand(point, 1.3 * K_PER_F, _CEC, shown="1.3 degF of wet bulb")


class Met(NamedTuple):
    """Whether the instruments meet what is asked; `why_not` and `assumed` are sentences."""

    met: bool
    why_not: tuple[str, ...]
    assumed: tuple[str, ...]


# A display's step may add half a step to the error; it is told apart from the stated limit.
_HALF = 0.5


def meet(demands: tuple[Demand, ...], evidence: Evidence) -> Met:
    """Hold each demand against the instrument behind its point. A value read by eye is taken at its word, and said."""
    why_not, assumed = [], []
    for demand in demands:
        known = evidence.known(demand.point)
        name = title(demand.point)
        if known is None:
            why_not.append(f"{name}: not known with which instrument")
            continue
        accuracy = known.accuracy
        if accuracy is None:
            if known.origin == "entered":
                assumed.append(f"the meter behind the entered {name} is within {demand.shown} ({demand.source})")
            else:
                why_not.append(f"{name}: its instrument states no accuracy")
            continue
        error = accuracy.limit + _HALF * accuracy.resolution
        if demand.point.endswith("humidity"):
            error *= _wet_bulb_slope(evidence, known.value, demand.point)
        if accuracy.overdue:
            why_not.append(f"{name}: its calibration is past due")
        elif not error <= demand.allowed(known.value) * (1.0 + 1e-9):
            why_not.append(f"{name}: its instrument may be off by more than {demand.shown}")
        elif demand.step and accuracy.resolution > demand.step * (1.0 + 1e-9):
            why_not.append(f"{name}: its display is coarser than 0.2 degF")
    return Met(not why_not, tuple(why_not), tuple(assumed))


def _wet_bulb_slope(evidence: Evidence, humidity: float, point: str) -> float:
    dry = evidence.known(point.replace("humidity", "temperature"))
    if dry is None:
        return math.inf
    return abs(wet_bulb_of(dry.value, humidity, 101325.0).by_humidity)
