"""One thing that was examined: what was found, and what to do."""

from __future__ import annotations

from typing import NamedTuple

GOOD, MIND, STOPS = "good", "mind", "stops"


class Diagnosis(NamedTuple):
    """`state`: GOOD, MIND (the job can be done, part of it not) or STOPS. `remedy` is empty when there is none."""

    name: str
    state: str
    found: str
    remedy: str = ""
