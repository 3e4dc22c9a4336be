"""What a new visit takes over from an earlier one, so that its own record is all that a replay needs."""

from __future__ import annotations

from lineset.contract.body import Body


class Recalled(Body, frozen=True, kw_only=True, tag="recalled"):
    """What an earlier visit of this station showed of a system that this visit serves too.

    `date` is the UTC day on which it was opened; `journal` and `head` name its record and the hash that was sealed.
    `values` is what had settled in the last run that was judged (in `phase`): name -> (value, standard uncertainty),
    SI. They are there only where the system was judged `sound` then and a diagnosis may hold today's readings against
    them; `reason` is a sentence either way.
    """

    system: str
    visit: str
    date: str
    journal: str
    head: str
    phase: str = ""
    sound: bool
    reason: str
    values: dict[str, tuple[float, float]] = {}
