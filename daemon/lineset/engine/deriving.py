"""Derived values as their inputs change: computed, fed to their detectors, told when they settle or cannot exist."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from lineset.contract import entry as e
from lineset.derive.declared import Derived, NotDerivable
from lineset.engine import derivation, settling
from lineset.engine.ahead import ahead_of
from lineset.engine.route import LiveValue
from lineset.engine.state import EngineState, PointState, SystemState
from lineset.engine.uncertain import Budgets
from lineset.measure.quality import REASON, Quality


def derive(
    state: EngineState,
    system: SystemState,
    names: tuple[Derived, ...],
    context: derivation.SystemContext,
    budgets: Budgets,
    out: list[e.OutputBody],
    live: list[LiveValue],
) -> None:
    """Compute the named values as of now, where their inputs allow it; events go to `out`, values to `live`."""
    for named in names:
        inputs = derivation.gather(system, named, state.t)
        if inputs is None:
            continue
        target = system.derived.get(named.name)
        if target is None:
            target = system.derived[named.name] = PointState(name=named.name)
            target.origin = "derived"
        try:
            value, u = derivation.compute(context, system, named, inputs, budgets)
        except NotDerivable as error:
            out += settling.end_derived(state, system, target, str(error))
            if target.quality is not Quality.INVALID:
                target.quality = Quality.INVALID
                out.append(_quality(system, target, str(error)))
            continue
        target.value, target.u, target.t = value, u, inputs.newest
        if target.quality is not Quality.GOOD:
            target.quality = Quality.GOOD
            out.append(_quality(system, target, REASON[Quality.GOOD]))
        parts = partial(_parts, context, system, named, inputs, budgets)
        change = settling.derived_step(state, system, named, target, inputs, parts)
        if change is not None:
            out.append(change)
        settled = settling.derived_settled(target, inputs)
        ahead = None if settled else ahead_of(target)
        live.append(
            LiveValue(system.record.id, named.name, True, target.t, value, u, Quality.GOOD, settled, "", "", ahead)
        )


def _parts(
    context: derivation.SystemContext,
    system: SystemState,
    named: Derived,
    inputs: derivation.Inputs,
    budgets: Budgets,
) -> Mapping[str, float]:
    return derivation.budget(context, system, named, inputs, budgets).parts


def _quality(system: SystemState, target: PointState, reason: str) -> e.QualityChanged:
    return e.QualityChanged(system=system.record.id, name=target.name, quality=target.quality, reason=reason)
