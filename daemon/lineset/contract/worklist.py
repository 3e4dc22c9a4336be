"""Messages of the worklist, of questions and cues, and of what was observed. `text` is in the station's language."""

from __future__ import annotations

import msgspec

from lineset.contract.guidance import Choice as Choice
from lineset.contract.live import Message


class WorklistItem(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the sheet: a point to collect or a task to do, as a sentence.

    `kind` is point or task; `state` is todo, doing, settling, hunting, settled, done, skipped, questioned, disturbed
    or not_needed. `eta_s` is how much longer it needs; `minutes` what a task usually takes.
    """

    id: str
    kind: str
    stop: str  # where on the walk
    phase: str
    title: str
    state: str
    sentence: str
    value: str = ""  # in display units
    why: str = ""
    caution: str = ""
    eta_s: float | None = None
    minutes: float = 0.0
    required: bool = True


class WorklistMessage(Message, frozen=True, kw_only=True):
    """Topic `worklist`: retained, the sheet of one system in walking order.

    `next` is the id of what to do next, `next_sentence` says it; `meanwhile` what can be done while something settles;
    `missing` are sentences that stand between now and closing; `minutes_left` of the whole visit to this system.
    """

    system: str
    phase: str
    items: tuple[WorklistItem, ...]
    minutes_left: float
    next: str = ""
    next_sentence: str = ""
    meanwhile: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    done: int = 0
    total: int = 0
    here: bool = False  # somebody is at work at this system, as far as is known


class QuestionMessage(Message, frozen=True, kw_only=True):
    """Topic `question/{id}`: retained, what is asked of a person, with its `seq`; `state` says whether it still is."""

    seq: int
    id: str
    state: str
    system: str
    about: str
    text: str
    choices: tuple[Choice, ...] = ()
    instrument: str = ""
    channel: str = ""
    proposal: str = ""
    reason: str = ""
    answer: str = ""


class CueMessage(Message, frozen=True, kw_only=True):
    """Topic `cue/{n}`: a short sentence to be spoken now, with its `seq`; never retained."""

    seq: int
    n: int
    sort: str
    key: str
    text: str
    language: str
    system: str = ""
    about: str = ""
    repeat: bool = False


class ObservationMessage(Message, frozen=True, kw_only=True):
    """Topic `observation/{n}`: what a person saw, with its `seq` (`n` is the same number); a photo by its hash.

    `wants` is what is wanted of the shop: part, approval, return_visit. `withdraws` is the `seq` of an earlier one:
    what that one wants is wanted no longer.
    """

    seq: int
    system: str
    about: str = ""
    sign: str = ""
    title: str = ""
    text: str = ""
    photo: str = ""
    urgency: str = ""
    wants: tuple[str, ...] = ()
    withdraws: int = 0
