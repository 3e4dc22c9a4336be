"""What a figure rests on, and whether a verdict may rest on it too."""

from __future__ import annotations

from enum import StrEnum


class Basis(StrEnum):
    """How surely a limit or target is known."""

    SEEN = "seen"  # read in the document
    CORROBORATED = "corroborated"  # recalled, and agreeing with figures that were read elsewhere
    NAMEPLATE = "nameplate"  # on the unit, or in its maker's sheets, as the system file has it
    SHOP = "shop"  # set by the shop's rules file
    DEFINITION = "definition"  # follows from what the words mean
    MEMORY = "memory"  # recalled only
    PRACTICE = "practice"  # common practice of the trade, no source

    @property
    def carries_verdict(self) -> bool:
        """Whether pass and fail may rest on it; what does not gives advice only."""
        return self not in (Basis.MEMORY, Basis.PRACTICE)
