"""More is known of a system than when the visit was opened: what hangs on it is worked out anew from now on."""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.engine import settling
from lineset.engine.state import EngineState

# What every derived value of a system may hang on.
_ALL_HANG_ON = ("refrigerant", "altitude_m", "line_frequency_hz")


def amend(state: EngineState, body: e.Amended) -> list[e.OutputBody]:
    """The system's record is another one. What was computed with the old one is told to be steady no more.

    Earlier outputs stay as they were recorded. An entry of a system that the visit does not have is passed over.
    """
    system = state.systems.get(body.record.id)
    if system is None or system.record == body.record:
        return []
    before, system.record = system.record, body.record
    everything = any(getattr(before, key) != getattr(body.record, key) for key in _ALL_HANG_ON)
    out: list[e.OutputBody] = []
    for target in system.derived.values():
        row = CATALOGUE.get(target.name.partition(".")[0])
        by_plate = row is not None and any(
            getattr(before.nameplate, field) != getattr(body.record.nameplate, field) for field in row.needs_nameplate
        )
        if everything or by_plate:
            out += settling.end_derived(state, system, target, "the system was described otherwise")
            target.held, target.held_epoch = None, -1
    return out
