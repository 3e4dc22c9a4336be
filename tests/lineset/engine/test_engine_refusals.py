"""What cannot be is refused while a visit runs, by the same words as `lineset calc`; what is old is told, not kept."""

from __future__ import annotations

import pytest
from engine_entries import Bench

from lineset.cli.calc_answer import CalcError, answer
from lineset.contract import entry as e

EYE = "by-eye"


def qualities(outputs: list[e.OutputBody]) -> dict[str, tuple[str, str]]:
    return {each.name: (each.quality, each.reason) for each in outputs if isinstance(each, e.QualityChanged)}


def asked(name: str, **typed: str) -> str:
    refrigerant = typed.pop("refrigerant", "")
    with pytest.raises(CalcError) as refused:
        answer(name, typed, refrigerant=refrigerant)
    return str(refused.value)


def enter(bench: Bench, point: str, value: float, text: str) -> list[e.OutputBody]:
    return bench.push(e.Entered(instrument=EYE, system="main", point=point, value=value, text=text))


def test_a_gauge_on_the_wrong_port_makes_no_superheat_and_says_where_to_look() -> None:
    bench = Bench().open().place_all()
    said = qualities(bench.running(40.0, low=400.0, high=420.0))
    quality, reason = said["total_superheat"]
    assert quality == "invalid"
    for words in ("no vapor line is so much colder", "gauge is on this port", "not absolute", "touches the pipe"):
        assert words in reason
    typed = asked(
        "superheat", vapor_pressure="400 psig", vapor_temperature="52 degF", refrigerant="R-410A"
    )  # fmt: skip
    assert typed.partition(":")[0] == reason.partition(":")[0] == "superheat"
    assert typed.rpartition("Check")[2] == reason.rpartition("Check")[2]
    # and it is there again when the hoses are where they belong
    back = qualities(bench.running(40.0))
    assert back["total_superheat"][0] == "good"


def test_exchanged_hoses_make_no_ratio() -> None:
    bench = Bench().open().place_all()
    quality, reason = qualities(bench.running(40.0, low=360.0, high=120.0))["compression_ratio_estimate"]
    assert quality == "invalid"
    assert "exchanged" in reason


def test_a_wet_bulb_above_its_dry_bulb_is_refused() -> None:
    bench = Bench().open()
    enter(bench, "return_air_temperature", 23.9, "75 degF")
    quality, reason = qualities(enter(bench, "return_air_wet_bulb", 26.7, "80 degF"))["return_humidity_from_wet_bulb"]
    assert quality == "invalid"
    assert "cannot be above its dry bulb" in reason
    assert "(75.0 degF)" in reason
    assert "cannot be above its dry bulb" in asked("humidity", return_air="75 degF", return_wet_bulb="80 degF")


def test_a_pressure_beyond_the_curve_is_refused_with_the_gauge_and_the_name_to_look_at() -> None:
    bench = Bench().open()
    said = qualities(enter(bench, "liquid_service_pressure", 6.2e6, "900 psig"))
    quality, reason = said["liquid_bubble_temperature"]
    assert quality == "invalid"
    assert reason in asked("bubble", liquid_pressure="6200 kPa", refrigerant="R-410A")
    assert "Check the gauge, its port and the refrigerant's name" in reason


def test_a_silent_gauge_makes_its_values_stale() -> None:
    bench = Bench().open().place_all()
    bench.running(40.0)
    said: dict[str, tuple[str, str]] = {}
    for _ in range(40):  # the gauges fall silent, the rest goes on
        bench.t_s += 0.5
        said |= qualities(bench.frame("pipes", t1=52.0, t2=98.0))
        said |= qualities(bench.frame("power", power=2800.0, voltage=240.0))
    assert said["vapor_service_pressure"][0] == "stale"
    assert said["total_superheat"][0] == "stale"
    assert said["subcooling"][0] == "stale"
    assert "vapor_line_temperature" not in said
