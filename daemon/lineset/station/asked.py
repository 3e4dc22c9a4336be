"""What every command asks first: that a visit is open, and which of its systems is meant."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lineset.stream.command import CommandRefused

if TYPE_CHECKING:
    from lineset.station.daemon import Station

Done = tuple[str, dict[str, object]]
"""The answer of a command that was done: a sentence, and data"""


def need_visit(station: Station) -> str:
    """The open visit. Raises CommandRefused when none is open."""
    visit = station.record.visit
    if not visit:
        raise CommandRefused("no visit is open; open one first: lineset visit open NAME")
    return visit


def named_system(station: Station, named: str) -> str:
    """The system that is meant. Raises CommandRefused for one that the visit does not have, or where it has several."""
    systems = station.record.engine.state.systems
    if named:
        if named not in systems:
            raise CommandRefused(f"no system is called {named!r} in this visit; it has {', '.join(systems)}")
        return named
    if len(systems) != 1:
        raise CommandRefused(f"say which system: {', '.join(systems)}")
    return next(iter(systems))


def sentences(found: Sequence[str]) -> str:
    """Several wants as one text: "(1) ... (2) ...", each with a full stop."""
    if len(found) == 1:
        return f"{found[0]}."
    return " ".join(f"({n}) {each}." for n, each in enumerate(found, 1))
