"""A change of a system's run as it goes on record."""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.engine.rounding import sig9
from lineset.engine.state import SystemState
from lineset.visit.run import RunState


def run_changed(system: SystemState, was: RunState, since: int, evidence: dict[str, str], t: int) -> e.RunChanged:
    """The run as it is from now on; it was `was` since `since` ns."""
    return e.RunChanged(
        system=system.record.id,
        state=system.run.state,
        mode=system.run.mode,
        evidence=evidence,
        previous=was,
        previous_s=sig9((t - since) * 1e-9),
    )
