"""Findings: the words that a technician reads of a diagnosis."""

from __future__ import annotations

import pytest

from lineset.assess.cause import Cause, Kind
from lineset.assess.diagnosis import Diagnosis, Outcome
from lineset.assess.expectation import Footing
from lineset.assess.finding import ADVICE, CANNOT_TELL, NOTHING_FOUND, confidence, findings
from lineset.assess.residuals import Residuals
from lineset.contract.topic import check_level

NONE = Residuals((), {})


def cause(id_: str, share: float, kind: Kind = Kind.AIR) -> Cause:
    return Cause(id_, id_.replace("_", " "), kind, share, ("seen",), ("but",), "means", "do this", "careful.")


@pytest.mark.parametrize(
    ("share", "word"),
    [(1.0, "clear"), (0.95, "clear"), (0.94, "likely"), (0.8, "likely"), (0.7, "probable"), (0.0, "possible")],
)
def test_confidence_is_a_word_that_falls_with_the_share(share: float, word: str) -> None:
    assert confidence(share) == word


def test_the_likeliest_three_are_told_in_order_with_all_that_was_found() -> None:
    causes = tuple(cause(f"c{n}", 0.9 / n) for n in range(1, 6))
    told = findings(Diagnosis(Outcome.NAMED, causes, NONE, footing=Footing.OWN))
    assert [(each.id, each.rank) for each in told] == [("c1", 1), ("c2", 2), ("c3", 3)]
    first = told[0]
    assert (first.evidence, first.against, first.meaning, first.next_step) == (("seen",), ("but",), "means", "do this")
    assert first.caution == f"careful. {ADVICE}"
    assert first.basis == "against this system's own earlier visits"


def test_what_a_reading_shows_rests_on_nothing_else() -> None:
    (told,) = findings(Diagnosis(Outcome.NAMED, (cause("supply_voltage", 0.98, Kind.ELECTRICAL),), NONE))
    assert told.basis == "by itself"


def test_cannot_tell_names_the_candidates_and_what_would_decide() -> None:
    causes = (cause("high_charge", 0.5, Kind.REFRIGERANT), cause("non_condensables", 0.4, Kind.REFRIGERANT))
    (told,) = findings(Diagnosis(Outcome.CANNOT_TELL, causes, NONE, "the standing pressures"))
    assert told.id == CANNOT_TELL
    assert "high charge (possible)" in told.meaning
    assert "non condensables (possible)" in told.meaning
    assert told.next_step == "what would decide: the standing pressures"
    assert told.confidence == "possible"


def test_nothing_found_does_not_say_that_nothing_is_there() -> None:
    (told,) = findings(Diagnosis(Outcome.SOUND, (), NONE))
    assert told.id == NOTHING_FOUND
    assert "not ruled out" in told.meaning


def test_too_little_settled_tells_nothing() -> None:
    assert findings(Diagnosis(Outcome.NOT_ENOUGH, (), NONE)) == ()


def test_ids_may_stand_in_a_topic() -> None:
    for id_ in (CANNOT_TELL, NOTHING_FOUND):
        assert check_level(id_, "id") == id_
