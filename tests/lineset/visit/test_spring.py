"""Facts of the first run after a winter, at the moment when they matter."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.equipment.system import SystemRecord
from lineset.visit.observations import URGENCIES, UnknownSign, sign, signs
from lineset.visit.spring import (
    ANTI_SHORT_CYCLE_S,
    CRANKCASE_WAIT_S,
    Spring,
    at_opening,
    before_start,
    charge_today,
    crankcase_wait_s,
    off_delay_left_s,
)
from lineset.visit.tasks import catalogue

PLAIN = SystemRecord(id="main", refrigerant="R-410A", metering_device="txv")


def now(**more: Any) -> Spring:
    return Spring(**({"system": PLAIN} | more))


def test_a_cold_day_is_said_once_at_opening_with_what_can_be_done_instead() -> None:
    told = at_opening(now(outdoor_cel=8.0))
    assert sum("charge cannot be judged" in each for each in told) == 1
    assert any("46 degF outdoors, below 55 degF" in each for each in told)
    assert any("crankcase heater" in each for each in told)
    # 55 degF: 2008 Reference Residential Appendices RA3.2 p. RA3-9
    assert charge_today(now(outdoor_cel=12.7)) != ()
    assert charge_today(now(outdoor_cel=12.8)) == ()


def test_an_inverter_is_judged_in_test_mode_only() -> None:
    inverter = SystemRecord(id="a", refrigerant="R-32", capacity_control="inverter")
    assert any("test mode" in each for each in charge_today(now(system=inverter)))
    assert charge_today(now(system=inverter, declared={"full_capacity": True})) == ()


def test_a_start_after_a_winter_without_power_waits_for_the_heater() -> None:
    cold = {"off_s": 150 * 86_400.0, "outdoor_cel": 9.0}
    assert any("24 h more" in each for each in before_start(now(**cold)))
    assert any("5 h more" in each for each in before_start(now(**cold, powered_s=19.5 * 3600)))
    assert before_start(now(**cold, powered_s=25 * 3600.0)) == ()
    assert before_start(now(**cold, running=True)) == ()
    assert before_start(now(off_s=600.0, outdoor_cel=9.0)) == ()  # out for the safety of a check only


def test_a_control_that_holds_off_is_no_fault() -> None:
    told = before_start(now(stopped_s=90.0))
    assert "about 4 min more" in told[0]
    assert "do not jump the contactor" in told[0]
    assert before_start(now(stopped_s=400.0)) == ()


def test_a_cool_house_is_said_before_the_start() -> None:
    assert any("cool already (66 degF)" in each for each in before_start(now(return_cel=19.0)))
    assert any("cool already" in each for each in before_start(now(return_cel=23.0, setting_cel=24.0)))
    assert before_start(now(return_cel=24.0, setting_cel=23.0)) == ()


@given(st.floats(0, 1e7), st.floats(0, 1e6), st.one_of(st.none(), st.floats(-20, 45)))
def test_waits_end(off_s: float, since_s: float, outdoor: float | None) -> None:
    waits = now(off_s=off_s, powered_s=since_s, outdoor_cel=outdoor)
    assert 0.0 <= crankcase_wait_s(waits) <= CRANKCASE_WAIT_S
    assert since_s < CRANKCASE_WAIT_S or crankcase_wait_s(waits) == 0.0
    assert 0.0 <= off_delay_left_s(now(stopped_s=since_s)) <= ANTI_SHORT_CYCLE_S


def test_every_quick_observation_that_a_task_offers_is_in_the_catalogue() -> None:
    offered = {sign for row in catalogue().tasks.values() for sign in row.signs}
    assert offered
    assert offered - signs().keys() == set()


def test_every_quick_observation_is_whole() -> None:
    assert len(signs()) > 30
    for row in signs().values():
        assert row.urgency in URGENCIES
        assert row.about
        assert row.words == row.words.strip().rstrip(".")
        assert row.words[0].islower()
    with pytest.raises(UnknownSign, match="'rodent_damage'"):
        sign("rodent_damages")
