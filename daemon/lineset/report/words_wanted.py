"""Words of a report about what was asked of the shop and then taken back."""

from __future__ import annotations

TAKEN_BACK = "no longer wanted since {time}"
TAKES_BACK = "what was asked of the shop at {time} is no longer wanted"


def sentences() -> tuple[str, ...]:
    """Every sentence of this module, for a catalogue of translations."""
    return TAKEN_BACK, TAKES_BACK
