"""The phases of a visit: what has to be so before it goes on. A state machine played at random beside plain rules."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from lineset.equipment.facts import CATALOGUE, ended_by
from lineset.visit.closing import missing_for_closing
from lineset.visit.phases import PHASES, SystemNow, missing_for

RESTORED = {"panels_on": True, "filter_in": True, "outdoor_coil_dry": True}


def now(**more: Any) -> SystemNow:
    return SystemNow(id="main", **more)


@pytest.mark.parametrize(
    ("system", "there", "words"),
    [
        (now(), "before", "verify that the power is off"),
        (now(line_volts=240.0), "before", "verify that the power is off"),
        (now(line_volts=0.4, declared={"power_off_verified": False}), "before", "verify that the power is off"),
        (now(line_volts=0.4, uncompared=("zero the gauges",)), "before", "zero the gauges"),
        (now(declared={"power_off_verified": True}), "after", "put all panels"),
    ],
)
def test_what_is_missing_at_rest_is_a_sentence(system: SystemNow, there: str, words: str) -> None:
    assert any(words in each for each in missing_for("at_rest", there, [system]))


@pytest.mark.parametrize("system", [now(line_volts=0.4), now(declared={"power_off_verified": True})])
def test_power_is_off_by_word_or_by_zero_volts(system: SystemNow) -> None:
    assert missing_for("at_rest", "before", [system]) == ()


@pytest.mark.parametrize(
    ("system", "words"),
    [
        (now(declared=RESTORED, run="running", run_since=5, work_since=9), "start it anew"),
        (now(declared=RESTORED, run="stopped", run_since=12, work_since=9), "start the system"),
        (now(declared=RESTORED, run="unknown", work_since=9), "lineset declare restarted"),
        (now(declared={"filter_in": True}, run="running", run_since=12, work_since=9), "panels"),
        (now(declared=RESTORED | {"filter_in": False}, run="running", run_since=12, work_since=9), "filter"),
    ],
)
def test_after_needs_everything_restored_and_a_new_run(system: SystemNow, words: str) -> None:
    found = missing_for("drying", "after", [system])
    assert any(words in each for each in found)
    assert missing_for("work", "after", [system]) == found  # passing over drying asks for the same


def test_after_is_open_when_all_is_restored() -> None:
    assert missing_for("drying", "after", [now(declared=RESTORED, run="starting", run_since=12, work_since=9)]) == ()
    said = now(declared=RESTORED | {"restarted": True}, work_since=9)
    assert missing_for("drying", "after", [said]) == ()


def test_two_systems_are_told_apart() -> None:
    systems = [SystemNow(id="up"), SystemNow(id="down", line_volts=0.0)]
    assert [each.partition(":")[0] for each in missing_for("at_rest", "before", systems)] == ["up"]


def test_going_back_is_always_allowed() -> None:
    for at, here in enumerate(PHASES):
        for there in PHASES[: at + 1]:
            assert missing_for(here, there, [now()]) == ()


def test_closing_wants_the_house_as_it_was() -> None:
    left = {"thermostat_restored": True, "caps_on": True, "disconnect_in": True}
    assert missing_for_closing({"main": left}) == ()
    assert missing_for_closing({"main": left}, ["not done: filter"]) == ("not done: filter",)
    assert len(missing_for_closing({"main": {}})) == 3
    told = missing_for_closing({"up": left, "down": left | {"caps_on": False}})
    assert len(told) == 1
    assert told[0].endswith("--system down")


class Visit(RuleBasedStateMachine):
    """A visit with one system, facts said and taken back, and runs that start and stop."""

    def __init__(self) -> None:
        super().__init__()
        self.t, self.phase = 1, "at_rest"
        self.declared: dict[str, bool] = {}
        self.said_in: dict[str, list[str]] = {}  # fact -> phases begun since it was said
        self.run, self.run_since, self.work_since = "stopped", 0, -1

    @property
    def system(self) -> SystemNow:
        return SystemNow(
            id="main", declared=self.declared, run=self.run, run_since=self.run_since, work_since=self.work_since
        )

    @rule(fact=st.sampled_from(sorted(CATALOGUE)), value=st.sampled_from([True, False, None]))
    def declare(self, fact: str, value: bool | None) -> None:
        self.t += 1
        self.declared.pop(fact, None)
        self.said_in.pop(fact, None)
        if value is not None:
            self.declared[fact], self.said_in[fact] = value, []

    @rule(run=st.sampled_from(["stopped", "starting", "running", "unknown"]))
    def turns(self, run: str) -> None:
        self.t += 1
        if run != self.run:
            self.run, self.run_since = run, self.t

    @rule(there=st.sampled_from(PHASES), force=st.booleans())
    def go(self, there: str, force: bool) -> None:
        self.t += 1
        missing = missing_for(self.phase, there, [self.system])
        forward = PHASES.index(there) > PHASES.index(self.phase)
        if not forward:
            assert not missing
        if missing and not force:
            return
        if forward and there == "after" and not missing:
            assert all(self.declared.get(fact) for fact in RESTORED)
            assert self.run == "unknown" or self.run_since > self.work_since
        if forward and self.phase == "at_rest" and not missing:
            assert self.declared["power_off_verified"]
        self.phase = there
        if there == "work":
            self.work_since = self.t
        for fact in ended_by(there, self.declared):
            del self.declared[fact]
            del self.said_in[fact]
        for begun in self.said_in.values():
            begun.append(there)

    @invariant()
    def no_fact_outlives_what_may_end_it(self) -> None:
        for fact, begun in self.said_in.items():
            holds = CATALOGUE[fact].holds
            assert holds != "phase" or not begun
            assert holds != "work" or "work" not in begun


Visit.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
TestVisit = Visit.TestCase
