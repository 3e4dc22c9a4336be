"""Output entries that guide a person: comparisons at rest, questions, and cues to be spoken. SI units."""

from __future__ import annotations

import msgspec

from lineset.contract.body import Body


class Compared(Body, frozen=True, kw_only=True, tag="comparison"):
    """A channel was held against atmosphere (`zero`) or against its fellows (`side_by_side`) while the system rested.

    `offset` is what the channel reads too high, `u` its standard uncertainty; it is taken off what the channel reads
    from now on when `applied`, and else only told, with the `reason`.
    """

    how: str  # zero, side_by_side
    phase: str
    instrument: str
    channel: str
    quantity: str
    unit: str  # RFC 8428
    offset: float
    u: float
    against: str = ""  # "atmosphere", or the channels that it was compared with
    applied: bool = True
    reason: str = ""


class Choice(msgspec.Struct, frozen=True, kw_only=True):
    """One answer to a question: an id, and the words on the button."""

    id: str
    text: str


class Questioned(Body, frozen=True, kw_only=True, tag="question"):
    """The engine asks, or no longer asks: where a clamp is, whether it holds both conductors.

    `state` is open, taken (answered by the readings themselves; `proposal` holds from now on), answered or withdrawn.
    `proposal` is the point that the engine would take.
    """

    id: str
    state: str
    system: str
    about: str  # placement, reading
    text: str
    choices: tuple[Choice, ...] = ()
    instrument: str = ""
    channel: str = ""
    proposal: str = ""
    reason: str = ""
    answer: str = ""


class Cued(Body, frozen=True, kw_only=True, tag="cue"):
    """A short sentence to be spoken: its number in the visit, what it is about, and its words in the visit's language.

    `sort` is caution, question, missing, settled, done or time; `key` names the sentence in the catalogue, `words` what
    fills it, so that it can be said in another language.
    """

    n: int
    sort: str
    key: str
    text: str
    language: str
    words: dict[str, str] = {}
    system: str = ""
    about: str = ""
    repeat: bool = False
