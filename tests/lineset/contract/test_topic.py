"""Topic names: built and read back, for every kind and any allowed name."""

from __future__ import annotations

import re
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.contract.topic import KINDS, RESERVED_SYSTEMS, TopicError, Topics, level_of, name_of
from lineset.equipment.points import POINTS

level = st.from_regex(r"[a-z0-9_-]{1,64}", fullmatch=True)
system = level.filter(lambda text: text not in RESERVED_SYSTEMS)
base_name = st.from_regex(r"[a-z0-9_]{1,60}", fullmatch=True)
name = st.builds(lambda base, n: f"{base}.{n}" if n else base, base_name, st.integers(0, 99))

TOPICS = Topics("north-shop", "van-3")


@given(name)
def test_names_travel_and_come_back(name: str) -> None:
    assert re.fullmatch(r"[a-z0-9_-]+", level_of(name))
    assert name_of(level_of(name)) == name


@given(st.lists(name, unique=True, max_size=20))
def test_two_names_never_share_a_level(names: list[str]) -> None:
    assert len({level_of(name) for name in names}) == len(names)


@given(level, level, level, system, level, name, st.integers(0, 10**12))
def test_every_topic_is_read_back_as_it_was_built(
    shop: str, station: str, visit: str, system: str, phase: str, name: str, number: int
) -> None:
    topics = Topics(shop, station)
    built = {
        "station": (topics.station(), {}),
        "instrument": (topics.instrument(phase), {"instrument": phase}),
        "visit": (topics.visit(visit), {"visit": visit}),
        "visit_event": (topics.event(phase, visit), {"visit": visit, "kind": phase}),
        "now": (topics.now(visit, system), {"visit": visit, "system": system}),
        "run": (topics.run(visit, system), {"visit": visit, "system": system}),
        "reading": (topics.reading(visit, system, name), {"visit": visit, "system": system, "point": name}),
        "derived": (topics.derived(visit, system, name), {"visit": visit, "system": system, "name": name}),
        "settled": (
            topics.settled(visit, system, phase, name),
            {"visit": visit, "system": system, "phase": phase, "name": name},
        ),
        "hunting": (
            topics.hunting(visit, system, phase, name),
            {"visit": visit, "system": system, "phase": phase, "name": name},
        ),
        "check": (
            topics.check(visit, system, phase, name),
            {"visit": visit, "system": system, "phase": phase, "name": name},
        ),
        "finding": (
            topics.finding(visit, system, phase, phase),
            {"visit": visit, "system": system, "phase": phase, "id": phase},
        ),
        "worklist": (topics.worklist(visit, system), {"visit": visit, "system": system}),
        "question": (topics.question(visit, phase), {"visit": visit, "id": phase}),
        "cue": (topics.cue(visit, number), {"visit": visit, "n": str(number)}),
        "observation": (topics.observation(visit, number), {"visit": visit, "n": str(number)}),
        "block": (topics.block(visit, number), {"visit": visit, "n": str(number)}),
        "receipt": (topics.receipt(visit), {"visit": visit}),
        "command": (topics.command(phase), {"verb": phase}),
        "reply": (topics.reply(phase), {"request": phase}),
    }
    assert set(built) == set(KINDS)
    for kind, (topic, fields) in built.items():
        assert re.fullmatch(r"[a-z0-9_-]+(/[a-z0-9_-]+)*", topic)
        parsed = topics.parse(topic)
        assert (parsed.kind.name, parsed.fields) == (kind, fields)


def test_every_point_of_the_catalogue_has_a_topic() -> None:
    for point in POINTS:
        topic = TOPICS.reading("v1", "s1", f"{point}.2")
        assert topic.endswith(f"/reading/{point}-2")
        assert TOPICS.parse(topic).fields["point"] == f"{point}.2"


@given(st.text(max_size=12))
def test_what_is_no_level_is_refused_everywhere(text: str) -> None:
    if re.fullmatch(r"[a-z0-9_-]{1,64}", text):
        assert TOPICS.visit(text).endswith(f"/{text}")
        return
    for build in (TOPICS.visit, TOPICS.instrument, TOPICS.command, TOPICS.reply, partial(TOPICS.event, visit="v1")):
        with pytest.raises(TopicError, match="cannot stand in a topic"):
            build(text)
    with pytest.raises(TopicError, match="cannot stand in a topic"):
        TOPICS.event("placed", text)


def test_what_happens_outside_a_visit_has_no_event_of_its_own() -> None:
    # instruments, commands and the station itself have topics of their own
    with pytest.raises(TopicError, match="no topic of the contract"):
        TOPICS.parse(f"{TOPICS.base}/event/placed")


@pytest.mark.parametrize("wrong", ["", "a-b", "a.0", "a.100", "a.b", "A", "a b", "a.1.2", "x" * 65])
def test_what_is_no_name_is_refused(wrong: str) -> None:
    with pytest.raises(TopicError):
        level_of(wrong)


@pytest.mark.parametrize("wrong", ["", "a-b", "a-0", "a-100", "A", "a-1-2", "a.1", "x" * 65])
def test_what_is_no_level_of_a_name_is_refused(wrong: str) -> None:
    with pytest.raises(TopicError):
        name_of(wrong)


@pytest.mark.parametrize("system", sorted(RESERVED_SYSTEMS))
def test_a_system_is_not_called_like_a_level_of_the_contract(system: str) -> None:
    with pytest.raises(TopicError, match="a system cannot be called"):
        TOPICS.now("v1", system)


@pytest.mark.parametrize(
    "rest", ["", "visit", "visit/v1/s1", "visit/v1/event/placed/x", "station/x", "visit//now", "#"]
)
def test_an_unknown_topic_is_refused(rest: str) -> None:
    with pytest.raises(TopicError):
        TOPICS.parse(f"{TOPICS.base}/{rest}")
    with pytest.raises(TopicError, match="is not below"):
        TOPICS.parse(f"lineset/v1/other/van-3/{rest}")
