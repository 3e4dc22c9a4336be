"""How a system's run goes on: weighed once a second, begun anew when refrigerant was handled, and put on record."""

from __future__ import annotations

from functools import partial

from lineset.contract import entry as e
from lineset.derive.declared import Context, NotDerivable
from lineset.engine import derivation, settling
from lineset.engine.rounding import sig9
from lineset.engine.state import EngineState, SystemState
from lineset.physics.errors import PhysicsError
from lineset.visit.run import DEFROST_LONGEST_S, RunState
from lineset.visit.witness import Told


def run_changed(system: SystemState, was: RunState, since: int, evidence: dict[str, str], t: int) -> e.RunChanged:
    """The run as it is from now on; it was `was` since `since` ns."""
    return e.RunChanged(
        system=system.record.id,
        state=system.run.state,
        mode=system.run.mode,
        stage=system.run.stage,
        evidence=evidence,
        previous=was,
        previous_s=sig9((t - since) * 1e-9),
    )


def told_of(system: SystemState, context: Context, t: int) -> Told:
    """What is known of a system's run besides its probes. That it defrosts is believed for as long as one may last."""
    declared = dict(system.declared)
    if t - system.declared_t.get("defrosting", t) > DEFROST_LONGEST_S * 1e9:
        declared.pop("defrosting", None)
    return Told(system.record.kind, system.record.capacity_control, declared, partial(_dew_cel, context))


def _dew_cel(context: Context, gauge_pa: float) -> float | None:
    try:
        return context.saturation.dew(gauge_pa + context.barometric_pa)
    except (NotDerivable, PhysicsError):
        return None  # no curve, or a pressure that it does not reach: it says nothing of the run


def look(state: EngineState, system: SystemState, context: Context) -> list[e.OutputBody]:
    """Weigh the run; what had settled starts over where the system is in another state, mode or stage now."""
    t, run = state.t, system.run
    since, epoch, stage = run.since, run.epoch, run.stage
    changed = run.look(t, partial(derivation.heard, system, t), told_of(system, context, t))
    if changed is None:
        return []
    was, mode, evidence = changed
    out: list[e.OutputBody] = []
    if run.epoch != epoch:
        now = str(run.state)
        if run.state is was:
            now = f"in another mode ({run.mode})" if run.mode is not mode else f"in {run.stage or stage} stage"
        out += settling.start_over(state, system, f"the system is {now} now")
        out += settling.end_attested(state, system, f"the system is {now} now")
    return [*out, run_changed(system, was, since, evidence, t)]


def handled(state: EngineState, body: e.RefrigerantHandled) -> list[e.OutputBody]:
    """Refrigerant was added or removed: what had settled starts over, and the time to stabilise is counted anew."""
    system = state.systems.get(body.system)
    if system is None:
        return []
    system.touched = state.t
    system.declared.pop("steady_cooling", None)
    reason = f"refrigerant was {body.action}"
    out = settling.start_over(state, system, reason) + settling.end_attested(state, system, reason)
    system.run.begin_values_anew()
    return out
