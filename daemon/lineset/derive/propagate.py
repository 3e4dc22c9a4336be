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

from lineset.derive.declared import Context, Derived, NotDerivable
from lineset.measure.installation import STAND_IN, stand_in_parts
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
    value, partials, barometric, frequency = derived.compute(context, values)
    variance = (barometric * context.barometric_u_pa) ** 2 + (frequency * context.line_frequency_u_hz) ** 2
    for partial, u in zip(partials, uncertainties, strict=True):
        variance += (partial * u) ** 2
    if derived.name in STAND_IN:
        parts = stand_in_parts(derived.name, derived.inputs, partials, value)
        variance += sum(effect * effect for effect in parts.values())
    if not variance < math.inf:
        raise NotDerivable(f"{derived.title}: the uncertainty of an input is not a number")
    return Propagated(value, math.sqrt(variance), partials, barometric, frequency)


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
