"""Runs and their epochs: spells in which nobody can tell, absences, and changes of mode."""

from __future__ import annotations

import pytest

from lineset.visit.run import MODE_DWELL_S, SHORT_CYCLE_NS, Mode, RunFusion, RunState
from lineset.visit.witness import NOTHING_TOLD, Told

NS = 1_000_000_000
RUN = {
    "vapor_service_pressure": 0.83e6,
    "liquid_service_pressure": 2.5e6,
    "power": 2800.0,
    "return_air_temperature": 24.5,
    "supply_air_temperature": 13.0,
}
REST = {"vapor_service_pressure": 1.5e6, "liquid_service_pressure": 1.52e6, "power": 0.0}
HEAT = RUN | {"vapor_service_pressure": 2.55e6, "supply_air_temperature": 38.0}


HEAT_PUMP = Told(kind="split_heat_pump")


def see(fusion: RunFusion, t_s: int, values: dict[str, float], seconds: int, told: Told = NOTHING_TOLD) -> int:
    for _ in range(seconds):
        t_s += 1
        fusion.look(t_s * NS, values.get, told)
    return t_s


def running() -> tuple[RunFusion, int]:
    fusion = RunFusion()
    t_s = see(fusion, see(fusion, 0, REST, 20), RUN, 400)
    assert (fusion.state, fusion.mode) == (RunState.RUNNING, Mode.COOL)
    return fusion, t_s


def test_a_spell_too_short_for_a_stop_and_a_start_belongs_to_the_run() -> None:
    fusion, t_s = running()
    since, epoch = fusion.since, fusion.epoch
    t_s = see(fusion, t_s, {}, SHORT_CYCLE_NS // NS - 30)
    assert fusion.state is RunState.UNKNOWN
    assert fusion.since > since
    see(fusion, t_s, RUN, 10)
    assert (fusion.state, fusion.since, fusion.epoch) == (RunState.RUNNING, since, epoch)


def test_after_a_longer_spell_the_run_is_counted_from_when_it_was_seen_again() -> None:
    fusion, t_s = running()
    t_s = see(fusion, t_s, {}, SHORT_CYCLE_NS // NS + 30)
    t_s = see(fusion, t_s, RUN, 10)
    assert fusion.state is RunState.RUNNING
    assert fusion.since > (t_s - 15) * NS


def test_a_stop_seen_in_between_ends_the_run_however_short_it_was() -> None:
    fusion, t_s = running()
    epoch = fusion.epoch
    t_s = see(fusion, t_s, REST, 10)
    assert (fusion.state, fusion.epoch) == (RunState.STOPPED, epoch + 1)
    t_s = see(fusion, t_s, RUN, 10)
    assert (fusion.state, fusion.epoch) == (RunState.STARTING, epoch + 2)
    assert fusion.since > (t_s - 12) * NS


def test_cooling_and_heating_are_two_runs() -> None:
    fusion, t_s = running()
    epoch = fusion.epoch
    turned = t_s + 1
    t_s = see(fusion, t_s, HEAT, round(MODE_DWELL_S))
    assert (fusion.mode, fusion.epoch) == (Mode.COOL, epoch)  # it may be a supply probe that came off, or a defrost
    t_s = see(fusion, t_s, HEAT, 1)
    assert (fusion.state, fusion.mode, fusion.epoch) == (RunState.RUNNING, Mode.HEAT, epoch + 1)
    assert fusion.since == turned * NS
    see(fusion, t_s, HEAT, 300)
    assert fusion.epoch == epoch + 1


@pytest.mark.parametrize(("gap_ns", "known"), [(SHORT_CYCLE_NS, True), (SHORT_CYCLE_NS + 1, False)])
def test_an_absence_is_a_spell_too(gap_ns: int, known: bool) -> None:
    fusion, t_s = running()
    epoch = fusion.epoch
    assert fusion.unseen(t_s * NS + gap_ns, gap_ns) is not known
    assert (fusion.state is RunState.RUNNING) is known
    assert (fusion.epoch == epoch) is known


def test_an_absence_tells_nothing_new_of_a_system_of_which_nothing_was_known() -> None:
    fusion = RunFusion()
    assert not fusion.unseen(10 * SHORT_CYCLE_NS, 9 * SHORT_CYCLE_NS)


def test_heating_found_after_a_spell_is_another_run_than_the_cooling_before() -> None:
    fusion, t_s = running()
    epoch = fusion.epoch
    t_s = see(fusion, t_s, {}, 60)
    t_s = see(fusion, t_s, HEAT, 10, HEAT_PUMP)
    assert (fusion.state, fusion.mode, fusion.epoch) == (RunState.RUNNING, Mode.HEAT, epoch + 1)
    assert fusion.since > (t_s - 12) * NS
