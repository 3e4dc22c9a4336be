"""What who plans the day is told of a visit: wants, findings and checks as they stand, also from a snapshot."""

from __future__ import annotations

from typing import Any

from engine_entries import SYSTEM

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.engine.state import EngineState, SystemState
from lineset.engine.telling import keep
from lineset.station.announcer import found_of, wanted_of


def a_state(phase: str = "before") -> EngineState:
    state = EngineState(fingerprint="test", phase=phase, opened=True)
    state.systems[SYSTEM.id] = SystemState(record=SYSTEM)
    return state


def finding(id_: str, rank: int, state: str = "open", phase: str = "before") -> e.Finding:
    return e.Finding(system=SYSTEM.id, phase=phase, id=id_, title=f"{id_} title", state=state, rank=rank)


def checked(name: str, state: str, phase: str = "before") -> e.Checked:
    return e.Checked(system=SYSTEM.id, phase=phase, name=name, title=name, state=state, reason="r")


def test_findings_stand_until_they_are_withdrawn_those_of_this_phase_first() -> None:
    state = a_state()
    keep(state, e.Tick(), [finding("low_charge", 1), finding("airflow", 2), finding("far_off", 4)])
    keep(state, e.Tick(), [finding("airflow", 2, "withdrawn")])
    assert [row.title for row in found_of(state)] == ["low_charge title"]  # a fourth guess helps nobody
    state.phase = "after"
    keep(state, e.Tick(), [finding("fan", 2, phase="after")])
    assert [(row.phase, row.title) for row in found_of(state)] == [
        ("after", "fan title"),
        ("before", "low_charge title"),
    ]


def test_a_check_counts_as_it_was_last_judged_whatever_the_phase() -> None:
    state = a_state()
    keep(state, e.Tick(), [checked("split", "fail"), checked("superheat", "undecided")])
    keep(state, e.Tick(), [checked("split", "pass", "after")])
    assert state.systems[SYSTEM.id].standing == {"split": "pass", "superheat": "undecided"}


def test_wants_are_kept_in_order_without_words_and_bounded() -> None:
    state = a_state()
    for seq in range(1, 80):
        state.seq = seq
        wants = ("part",) if seq % 2 else ()
        keep(state, e.Observed(system=SYSTEM.id, sign="pan_cracked", text="private", wants=wants), [])
    assert len(state.wanted) <= 50
    told = wanted_of(state)
    assert [each.seq for each in told] == [65, 67, 69, 71, 73, 75, 77, 79]
    assert told[0].title == "the drain pan is cracked"
    assert "private" not in repr(state.wanted)


def test_what_is_taken_back_is_wanted_no_longer_and_what_is_left_of_it_still_is() -> None:
    state = a_state()

    def seen(seq: int, **given: Any) -> list[tuple[int, tuple[str, ...]]]:
        state.seq = seq
        keep(state, e.Observed(system=SYSTEM.id, **given), [])
        return [(each.seq, each.wants) for each in wanted_of(state)]

    seen(10, sign="capacitor_bulged", wants=("part", "approval"))
    assert seen(11, sign="pan_cracked", wants=("part",)) == [(10, ("part", "approval")), (11, ("part",))]
    assert seen(12, text="approved", withdraws=10, wants=("part",)) == [(11, ("part",)), (12, ("part",))]
    assert seen(13, withdraws=10) == [(11, ("part",)), (12, ("part",))]  # it was taken back before
    assert seen(14, withdraws=99) == [(11, ("part",)), (12, ("part",))]  # there is no such entry
    assert seen(15, withdraws=12) == [(11, ("part",))]
    assert seen(16, withdraws=11) == []


def test_all_of_it_is_in_a_snapshot() -> None:
    engine = Engine("test")
    opened = e.Opened(
        station="van", visit="v", wall_ns=5, version="0", fingerprint="test", systems=(SYSTEM,), technician="t-7"
    )
    engine.push(1, 0, opened)
    engine.push(2, 1, e.Observed(system=SYSTEM.id, sign="pan_cracked", wants=("part", "return_visit")))
    again = Engine.restore(engine.snapshot())
    assert again.state.wanted == engine.state.wanted
    assert (again.state.technician, again.state.opened_wall_ns) == ("t-7", 5)
    assert again.state.wanted[0].seq == 2
