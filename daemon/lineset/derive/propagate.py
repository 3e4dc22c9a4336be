"""First-order propagation of uncertainty through a derived value (JCGM 100:2008, 5.1.2).

Inputs are taken as independent, apart from the barometer and the supply's frequency, which enter once however many
inputs they bear on. The partial derivatives are returned, so that sources shared between inputs (one calibration,
one instrument) can be joined by whoever knows them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from lineset.derive.declared import Context, Derived, NotDerivable


class Propagated(NamedTuple):
    """A derived value, its standard uncertainty, and its partial derivatives, all SI.

    `partials` go with the declaration's `inputs`, in order; `barometric` and `frequency` are the derivatives by the
    context's barometric pressure and line frequency.
    """

    value: float
    u: float
    partials: tuple[float, ...]
    barometric: float
    frequency: float

    def sensitivities(self, derived: Derived) -> dict[str, float]:
        """Partial derivative per input's name, `barometric_pressure` and `line_frequency` included where they bear."""
        named = dict(zip(derived.inputs, self.partials, strict=True))
        if self.barometric:
            named["barometric_pressure"] = self.barometric
        if self.frequency:
            named["line_frequency"] = self.frequency
        return named


def propagate(
    derived: Derived, context: Context, values: Sequence[float], uncertainties: Sequence[float]
) -> Propagated:
    """The derived value and its standard uncertainty from the inputs' SI values and standard uncertainties.

    Raises NotDerivable where the value does not exist, or when an uncertainty is not a number.
    """
    value, partials, barometric, frequency = derived.compute(context, values)
    variance = (barometric * context.barometric_u_pa) ** 2 + (frequency * context.line_frequency_u_hz) ** 2
    for partial, u in zip(partials, uncertainties, strict=True):
        variance += (partial * u) ** 2
    if not variance < math.inf:
        raise NotDerivable(f"{derived.title}: the uncertainty of an input is not a number")
    return Propagated(value, math.sqrt(variance), partials, barometric, frequency)
