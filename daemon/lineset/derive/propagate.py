"""First-order propagation of uncertainty through a derived value (JCGM 100:2008, 5.1.2).

`propagate` takes one standard uncertainty an input, inputs that share nothing but the barometer and the supply's
frequency, which enter once however many inputs they bear on. `budget` takes each input's parts by source, and joins
what inputs share (5.2.2); for inputs that share nothing both give the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

from lineset.derive.declared import Context, Derived, Evaluated, NotDerivable
from lineset.measure.installation import STAND_IN, stand_in_parts, stand_in_variance
from lineset.measure.source import Parts, combined, joined, source


class Propagated(NamedTuple):
    """A derived value, its standard uncertainty, and its partial derivatives, all SI.

    `partials` go with the declaration's `inputs`, in order; `barometric` and `frequency` are the derivatives by the
    context's barometric pressure and line frequency. `parts`: what each source contributes to `u`, with its sign.
    Empty where only one number an input was given.
    """

    value: float
    u: float
    partials: tuple[float, ...]
    barometric: float
    frequency: float
    parts: Mapping[str, float] = MappingProxyType({})

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
    found, u = evaluated(derived, context, values, uncertainties)
    return Propagated(found.value, u, found.partials, found.barometric, found.frequency)


def evaluated(
    derived: Derived, context: Context, values: Sequence[float], uncertainties: Sequence[float]
) -> tuple[Evaluated, float]:
    """As `propagate`, in the form that it comes in: asked for at each sample of a visit."""
    found = derived.compute(context, values)
    value, partials, barometric, frequency = found
    variance = (barometric * context.barometric_u_pa) ** 2 + (frequency * context.line_frequency_u_hz) ** 2
    if len(partials) == len(uncertainties) == 2:  # what most are, and the loop costs more than the sums
        variance += (partials[0] * uncertainties[0]) ** 2
        variance += (partials[1] * uncertainties[1]) ** 2
    else:
        for partial, u in zip(partials, uncertainties, strict=True):
            variance += (partial * u) ** 2
    if derived.name in STAND_IN:
        variance += stand_in_variance(derived.name, derived.inputs, partials, value)
    if not variance < math.inf:
        raise NotDerivable(f"{derived.title}: the uncertainty of an input is not a number")
    return found, math.sqrt(variance)


def budget(
    derived: Derived, context: Context, values: Sequence[float], parts: Sequence[Parts], site: str = "site"
) -> Propagated:
    """The derived value, its standard uncertainty and what each source contributes, from the inputs' parts.

    `site` names whose barometer and supply the context's are. Raises NotDerivable where the value does not exist, or
    when an uncertainty is not a number.
    """
    value, partials, barometric, frequency = derived.compute(context, values)
    whole = joined(partials, parts)
    for kind, effect in (
        ("barometer", barometric * context.barometric_u_pa),
        ("frequency", frequency * context.line_frequency_u_hz),
    ):
        if effect:
            name = source(kind, site)
            whole[name] = whole.get(name, 0.0) + effect
    if derived.name in STAND_IN:
        whole |= stand_in_parts(derived.name, derived.inputs, partials, value)
    u = combined(whole)
    if not u < math.inf:
        raise NotDerivable(f"{derived.title}: the uncertainty of an input is not a number")
    return Propagated(value, u, partials, barometric, frequency, whole)
