"""Derived values that are worked out once a second: when they come and end, and that a restart loses none."""

from __future__ import annotations

import pytest
from engine_entries import Bench, settled

from lineset.cli.calc_answer import answer
from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.engine.state import decode

SLOW = "suction_enthalpy"  # of the vapor port's pressure and the vapor line's temperature
QUICK = "total_superheat"  # of the same inputs


def _times(bench: Bench, name: str) -> list[int]:
    return [each.t for each in bench.engine.take_live() if each.name == name and each.value is not None]


def _ten_a_second(bench: Bench, seconds: float) -> None:
    for n in range(round(seconds * 10)):
        wobble = (0.0, 0.1, 0.0, -0.1)[n % 4]
        bench.t_s = round(bench.t_s + 0.1, 3)
        bench.frame("gauges", low=120.0 + wobble, high=360.0 - wobble)
        bench.frame("pipes", t1=60.0 + wobble, t2=98.0 - wobble)
        bench.frame("power", power=2800.0 + 10 * wobble, voltage=240.0 + wobble)


def _running() -> Bench:
    bench = Bench().open().place_all()
    _ten_a_second(bench, 3.0)
    bench.engine.take_live()
    return bench


def test_they_come_once_a_second_and_the_others_with_each_sample() -> None:
    bench = _running()
    _ten_a_second(bench, 5.0)
    live = bench.engine.take_live()
    assert len([each for each in live if each.name == SLOW]) == 5
    assert len([each for each in live if each.name == QUICK]) == 100  # fifty frames of each of two instruments


def test_they_are_the_numbers_of_calc_at_the_second() -> None:
    bench = _running()
    bench.frame("gauges", bench.t_s + 0.1, low=121.0, high=359.0)
    bench.frame("pipes", t1=61.0, t2=97.0)
    assert not _times(bench, SLOW)
    bench.push(e.Tick(), 4.0)
    found = bench.engine.state.systems["main"].derived[SLOW].value
    typed = {"vapor_pressure": "121 psig", "vapor_temperature": "61 degF"}
    assert found == pytest.approx(answer(SLOW, typed, refrigerant="R-410A").value, rel=1e-12)


def test_a_second_without_a_new_sample_gives_none() -> None:
    bench = _running()
    bench.push(e.Tick(), 4.0)
    assert len(_times(bench, SLOW)) == 1
    bench.push(e.Tick(), 5.0)
    assert not _times(bench, SLOW)


def test_they_come_at_once_when_an_input_settles() -> None:
    bench = _running()
    for _ in range(6000):
        bench.engine.take_live()
        bench.t_s = round(bench.t_s + 0.1, 3)
        ticks = bench.t_s % 1.0 == 0.0
        out = bench.frame("pipes", t1=60.0 + (0.0, 0.1, 0.0, -0.1)[round(bench.t_s * 10) % 4])
        out += bench.frame("gauges", low=120.0 + (0.0, 0.1, 0.0, -0.1)[round(bench.t_s * 10) % 4])
        if not ticks and {"vapor_service_pressure", "vapor_line_temperature"} & settled(out).keys():
            assert _times(bench, SLOW)
            return
    pytest.fail("no input settled between two seconds")


def test_a_stale_input_ends_them_as_soon_as_the_others() -> None:
    bench = _running()
    ended: dict[str, float] = {}
    for n in range(1, 120):
        bench.t_s = round(3.0 + n * 0.1, 3)
        bench.frame("pipes", t1=60.0, t2=98.0)  # the gauges have gone silent
        for name in (SLOW, QUICK):
            if bench.engine.state.systems["main"].derived[name].value is None:
                ended.setdefault(name, bench.t_s)
    assert ended[SLOW] == ended[QUICK]
    # silent since 3.0 s, stale after 5 s (engine_entries), looked at once a second
    assert 8.0 < ended[SLOW] <= 9.0


def test_a_restart_between_sample_and_second_loses_none() -> None:
    bench = _running()
    bench.frame("gauges", bench.t_s + 0.3, low=125.0, high=359.0)
    again = Engine.restore(bench.engine.snapshot())
    seq, t = bench.seq + 1, 4_000_000_000
    assert again.push(seq, t, e.Tick()) == bench.push(e.Tick(), 4.0)
    assert [each for each in again.take_live() if each.name == SLOW]
    assert decode(again.snapshot()) == decode(bench.engine.snapshot())


def test_a_replay_gives_the_same() -> None:
    bench = _running()
    _ten_a_second(bench, 60.0)
    assert list(replay(Engine("test"), bench.rows)) == []


def test_no_value_a_paired_or_standing_reading_needs_waits_for_the_second() -> None:
    late = [each for each in CATALOGUE.values() if each.each_second]
    assert late
    assert not [each.name for each in late if each.paired or each.needs_stopped or each.instanced]
