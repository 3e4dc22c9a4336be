"""Verdicts on the sheet of `lineset watch`; all figures invented."""

from __future__ import annotations

import msgspec

from lineset.assess.decision import State
from lineset.cli.watch_events import event_sentence, run_sentence
from lineset.cli.watch_verdicts import WORDS, verdict_rows, verdict_sentence
from lineset.cli.watch_view import View
from lineset.contract import live
from lineset.contract.topic import Topics

TOPICS = Topics("north", "van-1")
NOW = 1_800_000_000.0
FAILED = live.CheckMessage(
    t=NOW, seq=7, system="main", phase="before", name="subcooling", title="subcooling against the nameplate",
    state="fail", reason="below target: 5.0 +/- 1.0 degF against 10.0 degF", finding="low", v=2.8, u="K", sd=0.28,
    low=3.9, high=7.2, probability=0.0004, rule="simple_acceptance", assumed=("panels are on",), caution="Gauges leak.",
)  # fmt: skip
WAITING = live.CheckMessage(
    t=NOW, seq=8, system="main", phase="before", name="split", title="temperature split against target",
    state="undecided", reason="wait until supply air has settled", would_decide="measure return air humidity",
)  # fmt: skip


def _text(*messages: live.CheckMessage, width: int = 120, brief: bool = False) -> str:
    return "\n".join(line.text for line in verdict_rows({m.name: m for m in messages}, width, brief=brief))


def test_every_state_has_its_words() -> None:
    assert set(WORDS) == set(State)


def test_what_failed_comes_first_with_its_odds_and_what_was_assumed() -> None:
    text = _text(WAITING, FAILED, width=200)
    assert text.index("FAIL") < text.index("undecided")
    assert "within limits with under 1 % probability" in text
    assert "taken as so: panels are on" in text
    assert "next: measure return air humidity" in text
    assert "Gauges leak." in text
    assert "taken as so" not in _text(FAILED, brief=True)


def test_no_line_is_wider_than_the_window() -> None:
    for width in (50, 80, 120):
        assert all(len(line) <= width for line in _text(WAITING, FAILED, width=width).splitlines())


def test_a_verdict_is_news_once_and_goes_when_it_is_taken_back() -> None:
    view = View(TOPICS)
    visit = live.VisitMessage(t=NOW, visit="v1", state="open", phase="before", systems={"main": {}})
    view.feed(TOPICS.visit("v1"), live.encode(visit))
    topic = TOPICS.check("v1", "main", "before", "subcooling")
    first = view.feed(topic, live.encode(FAILED))
    assert first is not None
    assert first.text == verdict_sentence(FAILED)
    assert view.feed(topic, live.encode(FAILED), retained=True) is None
    assert any("subcooling against the nameplate" in line.text for line in view.lines(120, NOW, events=0))
    later = msgspec.structs.replace(FAILED, seq=9, state="pass", reason="within its limits")
    assert view.feed(topic, live.encode(later)) is not None
    assert view.data()["systems"]["main"]["checks"]["before"]["subcooling"]["state"] == "pass"
    view.feed(topic, b"")
    assert not any("subcooling against" in line.text for line in view.lines(120, NOW, events=0))


def test_what_is_declared_is_a_sentence() -> None:
    body = {"system": "main", "fact": "panels_on", "by": "apprentice"}
    said = event_sentence(live.EventMessage(t=NOW, seq=1, event="declared", body=body))
    assert said == "declared on main: panels on, by apprentice"
    not_so = event_sentence(live.EventMessage(t=NOW, seq=1, event="declared", body={**body, "value": False}))
    assert not_so.startswith("declared not so")


def test_what_was_done_to_the_refrigerant_is_a_sentence() -> None:
    body = {"system": "main", "action": "removed", "certified": "certificate 0", "text": "6 oz"}
    said = event_sentence(live.EventMessage(t=NOW, seq=1, event="refrigerant", body=body))
    assert said == "refrigerant removed on main (6 oz), by certificate 0"


def test_a_run_says_what_each_kind_of_evidence_is_of() -> None:
    votes = {"power": "yes", "pressure": "", "mode air": "heat", "defrost outdoor_fan": "yes"}
    message = live.RunMessage(t=NOW, seq=1, system="main", state="defrost", mode="heat", stage="low", evidence=votes)
    said = run_sentence(message)
    assert (
        said
        == "system main: defrost, heating, low stage (running? power yes; mode? air heat; defrost? outdoor fan yes)"
    )
