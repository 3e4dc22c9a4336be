"""Words of states as messages carry them, for whoever shows them: a run, a mode, an instrument, a rule, a basis."""

from __future__ import annotations

from lineset_drivers.frame import State

MODES = ("cool", "heat", "fan", "emergency")
RULES = ("simple acceptance", "guard band")
BASIS = (
    "by itself",
    "against this system's own earlier visits",
    "against published targets, the nameplate and what the trade takes as usual",
)


def sentences() -> tuple[str, ...]:
    """Every word of this module, for a catalogue of translations."""
    return (*MODES, *(str(each) for each in State), *RULES, *BASIS)
