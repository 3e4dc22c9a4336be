"""A cause: one explanation of what was measured, with what speaks for it and against it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What a cause is a fault of, in the order in which causes are looked at."""

    INSTRUMENT = "instrument"
    ELECTRICAL = "electrical"
    AIR = "air"
    REFRIGERANT = "refrigerant"


@dataclass(frozen=True, slots=True)
class Cause:
    """`id` is a level of a topic; `share` is its part of all that may explain the readings, 0 to 1.

    `withholds` names the features that cannot be judged until this is put right; "*" is all of them.
    """

    id: str
    title: str
    kind: Kind
    share: float
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()
    meaning: str = ""
    next_step: str = ""
    caution: str = ""
    withholds: tuple[str, ...] = ()
