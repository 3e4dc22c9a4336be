"""Quick observations: a catalogue of what technicians often see, each with words, what it is about, how urgent it is.

Trade knowledge: common practice, no source. The catalogue is data (observations.toml).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from lineset_drivers.toml_text import near

URGENCIES: dict[str, str] = {
    "now": "before it runs again",
    "soon": "within days or weeks",
    "next_visit": "at the next visit",
    "note": "for the record",
}
"""Urgency -> what it means, for people"""

WANTS: dict[str, str] = {
    "part": "a part is wanted",
    "approval": "the customer's approval is wanted",
    "return_visit": "a return visit is to be booked",
}
"""What may be wanted of the shop -> what it means, for people"""


class UnknownSign(ValueError):
    """No quick observation is called so; says which are near."""


@dataclass(frozen=True, slots=True)
class Sign:
    """One quick observation: id, words without a full stop, the part it is about, its usual urgency and wants."""

    id: str
    words: str
    about: str
    urgency: str
    wants: tuple[str, ...] = ()


@lru_cache(maxsize=1)
def signs() -> dict[str, Sign]:
    """All quick observations by id, in the order of the catalogue."""
    text = Path(__file__).with_name("observations.toml").read_text(encoding="utf-8")
    return {
        id_: Sign(id=id_, **(row | {"wants": tuple(row.get("wants", ()))})) for id_, row in tomllib.loads(text).items()
    }


def sign(id_: str) -> Sign:
    """The quick observation of this id. Raises UnknownSign."""
    found = signs().get(id_)
    if found is None:
        hint = near(id_, signs()).strip() or "`lineset observe --list` names all."
        raise UnknownSign(f"no quick observation is called {id_!r}. {hint}")
    return found
