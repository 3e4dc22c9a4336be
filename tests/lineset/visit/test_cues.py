"""Cues: most important first, never faster than a person follows, silent while a panel is open, forgotten when old."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.contract.guidance import Cued
from lineset.equipment.language import sayer
from lineset.visit import words_cues as words
from lineset.visit.cues import LEVELS, NS, SORTS, CueState, Waiting, next_cue, offer, repeat, set_level, withdraw

ENGLISH = sayer("en")


def settled(what: str, t_s: float = 0.0, system: str = "main") -> Waiting:
    return Waiting("settled", "settled_one", words.SETTLED_ONE, {"first": what}, system, what, round(t_s * NS))


def caution(about: str, t_s: float = 0.0) -> Waiting:
    return Waiting("caution", "task", words.TASK_CAUTION, {"caution": about}, "main", about, round(t_s * NS))


def said(state: CueState, t_s: float, panel_open: bool = False) -> str:
    found = next_cue(state, round(t_s * NS), ENGLISH, "en", panel_open=panel_open)
    return "" if found is None else found.text


def test_what_is_dangerous_is_said_before_what_has_settled() -> None:
    state = CueState()
    offer(state, settled("return air"))
    offer(state, caution("lock out"))
    assert said(state, 1) == "Caution: lock out"
    assert said(state, 1.1) == ""  # the first is still being said
    assert said(state, 10) == "Return air has settled."


def test_what_settled_meanwhile_is_one_sentence() -> None:
    state = CueState()
    for n, name in enumerate(("return air", "supply air", "liquid line", "vapor line")):
        offer(state, settled(name, n))
    assert said(state, 5) == "Return air, supply air and 2 more have settled."
    assert state.waiting == []


def test_nothing_is_said_while_a_panel_is_open_and_what_lasts_is_said_afterwards() -> None:
    state = CueState()
    offer(state, settled("return air", 0))
    offer(state, caution("lock out", 0))
    assert [said(state, t, panel_open=True) for t in range(0, 60, 5)] == [""] * 12
    assert said(state, 61) == "Caution: lock out"
    assert said(state, 120) == ""  # that the air had settled is old by now


def test_what_is_not_so_any_more_is_not_said() -> None:
    state = CueState()
    offer(state, settled("return air"))
    withdraw(state, "return air", "other")
    assert len(state.waiting) == 1
    withdraw(state, "return air", "main", ("settled",))
    assert said(state, 1) == ""


def test_the_last_one_is_said_again_when_somebody_asks() -> None:
    state = CueState()
    assert repeat(state, 0) is None
    offer(state, settled("return air"))
    first = next_cue(state, NS, ENGLISH, "en", panel_open=False)
    again = repeat(state, 2 * NS)
    assert first is not None
    assert again is not None
    assert (again.text, again.repeat, again.n) == (first.text, True, first.n + 1)


def test_a_level_that_there_is_not_is_refused() -> None:
    with pytest.raises(KeyError):
        set_level(CueState(), "deafening")


offers = st.tuples(st.sampled_from(sorted(SORTS)), st.integers(0, 6), st.floats(0.0, 20.0))


@given(st.sampled_from(sorted(LEVELS)), st.lists(offers, max_size=60))
def test_never_faster_than_a_person_follows_and_only_what_the_level_lets_through(
    level: str, happened: list[tuple[str, int, float]]
) -> None:
    state = CueState()
    set_level(state, level)
    t = 0
    spoken: list[tuple[int, Cued]] = []
    for sort, about, later in happened:
        t += round(later * NS)
        offer(state, Waiting(sort, "k", "{what}", {"what": f"thing {about} of sort {sort}"}, "main", str(about), t))
        found = next_cue(state, t, ENGLISH, "en", panel_open=False)
        if found is not None:
            spoken.append((t, found))
    assert len(state.waiting) <= 40
    for (before, one), (after, _other) in itertools.pairwise(spoken):
        assert after - before >= len(one.text.split()) * 0.4 * NS  # 150 words a minute is a brisk voice
    assert [cue.n for _, cue in spoken] == list(range(1, len(spoken) + 1))
    assert {cue.sort for _, cue in spoken} <= LEVELS[level]


@given(st.lists(offers, min_size=1, max_size=30))
def test_of_what_waits_the_most_important_is_said(happened: list[tuple[str, int, float]]) -> None:
    state = CueState(level="chatty")
    for sort, about, _ in happened:
        offer(state, Waiting(sort, "k", "{what}", {"what": sort}, "main", f"{sort} {about}", 0))
    found = next_cue(state, 0, ENGLISH, "en", panel_open=False)
    assert found is not None
    assert SORTS[found.sort][0] == min(SORTS[sort][0] for sort, _, _ in happened)


def test_every_template_can_be_filled_and_is_short_enough_for_the_ear() -> None:
    for template in words.sentences():
        assert len(template.split()) <= 20
        template.format_map(_Anything())


class _Anything(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return key
