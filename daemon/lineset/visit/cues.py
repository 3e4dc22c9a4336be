"""Which sentence is spoken next, and when: most important first, never faster than a person follows, and never while a
panel with live parts is open.

Pure: what happened is `offer`ed, `next_cue` gives what to say at a moment. What waits too long is dropped, since an old
"has settled" helps nobody; cautions and questions wait until they are said or withdrawn.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from lineset.contract.guidance import Cued
from lineset.equipment.language import Say
from lineset.visit import words_cues as words

NS = 1_000_000_000
# sort -> its turn (the least first), and for how long it is worth saying [s]; None: until it is said
SORTS: dict[str, tuple[int, float | None]] = {
    "caution": (0, None),
    "question": (1, None),
    "missing": (2, 180.0),
    "done": (3, 120.0),
    "settled": (4, 45.0),
    "time": (5, 60.0),
}
# level -> the sorts that are spoken
LEVELS: dict[str, frozenset[str]] = {
    "quiet": frozenset({"caution", "question"}),
    "normal": frozenset({"caution", "question", "missing", "done", "settled"}),
    "chatty": frozenset(SORTS),
}
_WORD_S = 0.42  # about 145 words a minute, an unhurried voice (common practice, no source)
_PAUSE_S = 2.0
_MOST_WAITING = 40
# Several of these at once become one sentence.
_TOGETHER = "settled_one"


class Waiting(msgspec.Struct):
    """A sentence that waits for its turn; `words` fill the template."""

    sort: str
    key: str
    template: str
    words: dict[str, str] = {}
    system: str = ""
    about: str = ""
    t: int = 0


class CueState(msgspec.Struct):
    """All that is remembered of cues: part of the engine's state."""

    level: str = "normal"
    n: int = 0
    quiet_until: int = 0  # ns: until then the last sentence is being spoken
    waiting: list[Waiting] = []
    last: Cued | None = None


def offer(state: CueState, cue: Waiting) -> None:
    """Let a sentence wait for its turn. One on the same matter that waits already is replaced."""
    if cue.sort not in LEVELS[state.level]:
        return
    state.waiting = [each for each in state.waiting if not _same(each, cue)]
    state.waiting.append(cue)
    if len(state.waiting) > _MOST_WAITING:
        state.waiting.remove(max(state.waiting, key=lambda each: (SORTS[each.sort][0], -each.t)))


def withdraw(state: CueState, about: str, system: str = "", sorts: Iterable[str] = SORTS) -> None:
    """What waited to be said of a matter is not so any more."""
    gone = frozenset(sorts)
    state.waiting = [
        each
        for each in state.waiting
        if not (each.about == about and each.sort in gone and (not system or each.system == system))
    ]


def set_level(state: CueState, level: str) -> None:
    """How much is said from now on: quiet, normal or chatty. Raises KeyError for another word."""
    spoken = LEVELS[level]
    state.level = level
    state.waiting = [each for each in state.waiting if each.sort in spoken]


def next_cue(state: CueState, t: int, say: Say, language: str, *, panel_open: bool) -> Cued | None:
    """What to say at `t` [ns of visit time]; None when nothing is to be said, or not now."""
    if not state.waiting:
        return None
    state.waiting = [each for each in state.waiting if not _too_old(each, t)]
    if panel_open or t < state.quiet_until or not state.waiting:
        return None
    first = min(state.waiting, key=lambda each: (SORTS[each.sort][0], each.t))
    if first.key == _TOGETHER:
        spoken = _together(state, first)
    else:
        state.waiting.remove(first)
        spoken = first
    return _speak(state, spoken, t, say, language)


def repeat(state: CueState, t: int) -> Cued | None:
    """The last sentence again, whatever is open or being said: somebody asked for it."""
    if state.last is None:
        return None
    state.n += 1
    state.quiet_until = t + _spoken_ns(state.last.text)
    return msgspec.structs.replace(state.last, n=state.n, repeat=True)


def _speak(state: CueState, cue: Waiting, t: int, say: Say, language: str) -> Cued:
    state.n += 1
    text = say(cue.template).format(**cue.words)
    text = text[:1].upper() + text[1:]
    state.quiet_until = t + _spoken_ns(text)
    state.last = Cued(
        n=state.n, sort=cue.sort, key=cue.key, text=text, language=language, words=cue.words, system=cue.system,
        about=cue.about,
    )  # fmt: skip
    return state.last


def _spoken_ns(text: str) -> int:
    return round((len(text.split()) * _WORD_S + _PAUSE_S) * NS)


def _together(state: CueState, first: Waiting) -> Waiting:
    alike = [each for each in state.waiting if each.key == _TOGETHER and each.system == first.system]
    state.waiting = [each for each in state.waiting if each not in alike]
    if len(alike) == 1:
        return first
    names = [each.words["first"] for each in alike]
    filled = {"first": names[0], "second": names[1], "count": str(len(names) - 2)}
    template = words.SETTLED_TWO if len(names) == 2 else words.SETTLED_MORE
    return Waiting("settled", "settled_together", template, filled, first.system, first.about, first.t)


def _same(one: Waiting, other: Waiting) -> bool:
    return (one.key, one.system, one.about) == (other.key, other.system, other.about)


def _too_old(cue: Waiting, t: int) -> bool:
    lasts = SORTS[cue.sort][1]
    return lasts is not None and t - cue.t > lasts * NS
