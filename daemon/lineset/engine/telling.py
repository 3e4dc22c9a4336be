"""What who plans the shop's day is told of a visit: kept as it comes, so that one message can say how all stands."""

from __future__ import annotations

from collections.abc import Sequence

from lineset.assess.finding import NOTHING_FOUND
from lineset.contract import entry as e
from lineset.engine.state import EngineState, FoundState, WantedState

_MOST_WANTED = 50


def keep(state: EngineState, body: e.InputBody, out: Sequence[e.OutputBody]) -> None:
    """Remember who opened the visit and when, what is wanted, what was found and how the checks stand."""
    if isinstance(body, e.Opened):
        state.technician, state.opened_wall_ns = body.technician, body.wall_ns
    elif isinstance(body, e.Observed):
        if body.withdraws:
            state.wanted = [each for each in state.wanted if each.seq != body.withdraws]
        if body.wants:
            state.wanted.append(WantedState(state.seq, body.system, body.wants, body.about, body.sign, body.urgency))
            del state.wanted[:-_MOST_WANTED]
    for each in out:
        if isinstance(each, e.Finding):
            if each.id == NOTHING_FOUND:
                continue  # that nothing was found is no finding for who plans the day
            found = state.systems[each.system].open_findings
            if each.state == "open":
                found[f"{each.phase}/{each.id}"] = FoundState(each.phase, each.title, each.rank, each.confidence)
            else:
                found.pop(f"{each.phase}/{each.id}", None)
        elif isinstance(each, e.Checked):
            state.systems[each.system].standing[each.name] = each.state
