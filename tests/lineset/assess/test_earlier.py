"""What an earlier visit is condensed to: which run of it counts, and when it counts as sound."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from lineset.assess.earlier import KEPT, Condensed, condense
from lineset.assess.features import FEATURES
from lineset.contract import entry as e
from lineset.equipment.system import SystemRecord

NS = 1_000_000_000
OPENED = e.Opened(
    station="s",
    visit="v",
    wall_ns=0,
    version="0",
    fingerprint="f",
    systems=(SystemRecord(id="a", refrigerant="R-410A"),),
    phase="before",
)


def settled(name: str, value: float, **more: object) -> e.Settled:
    usual: dict[str, object] = {
        "system": "a", "phase": "before", "name": name, "value": value, "unit": "Cel", "u": 0.3, "low": value - 0.6,
        "high": value + 0.6, "run": "running", **more,
    }  # fmt: skip
    return e.Settled(**usual)  # type: ignore[arg-type]


def run(state: str, system: str = "a") -> e.RunChanged:
    return e.RunChanged(system=system, state=state, mode="cool" if state == "running" else "")


def finding(id_: str, state: str = "open", system: str = "a") -> e.Finding:
    return e.Finding(system=system, phase="before", id=id_, title=id_.replace("_", " "), state=state)


def check(name: str, state: str) -> e.Checked:
    return e.Checked(system="a", phase="before", name=name, title=name, state=state, reason="")


WEATHER = (settled("outdoor_air_temperature", 30.0), settled("return_air_temperature", 24.0))
SOUND_RUN = (run("running"), *WEATHER, settled("vapor_line_temperature", 11.0), finding("nothing_found"))


def of(*bodies: e.AnyBody, every_s: float = 10.0) -> Condensed:
    def entries() -> Iterable[e.Entry]:
        for n, body in enumerate((OPENED, *bodies), start=1):
            yield e.Entry(n, round(n * every_s * NS), body)

    return condense(entries(), "a")


def test_a_sound_run_is_kept_with_what_had_settled_in_it() -> None:
    found = of(*SOUND_RUN, settled("capacitor_herm_voltage", 330.0), run("stopped"))
    assert found.sound
    assert found.phase == "before"
    assert found.values == {
        "outdoor_air_temperature": (30.0, 0.3),
        "return_air_temperature": (24.0, 0.3),
        "vapor_line_temperature": (11.0, 0.3),
    }


def test_all_that_features_are_made_of_is_kept() -> None:
    assert {point for row in FEATURES.values() for point in row.points} <= KEPT


@pytest.mark.parametrize(
    ("bodies", "words"),
    [
        ((run("running"), *WEATHER), "did not run steadily"),
        ((*SOUND_RUN, finding("nothing_found", "withdrawn"), finding("low_charge")), "low charge"),
        ((*SOUND_RUN, check("temperature_split", "fail")), "temperature_split"),
        ((*SOUND_RUN, e.Phased(phase="work")), "work was done"),
        ((*SOUND_RUN, e.Phased(phase="drying"), run("stopped")), "work was done"),
        ((run("running"), WEATHER[0], finding("nothing_found")), "return air temperature had not settled"),
    ],
)  # fmt: skip
def test_what_was_not_sound_is_no_measure_for_later(bodies: tuple[e.AnyBody, ...], words: str) -> None:
    found = of(*bodies)
    assert not found.sound
    assert words in found.reason
    assert found.values == {}


def test_a_check_that_failed_and_passed_later_does_not_count() -> None:
    assert of(*SOUND_RUN, check("subcooling", "fail"), check("subcooling", "pass")).sound


def test_after_work_the_run_of_the_phase_after_counts() -> None:
    found = of(
        run("running"), *WEATHER, finding("outdoor_coil"), run("stopped"), e.Phased(phase="work"),
        e.Phased(phase="after"), run("running"), settled("outdoor_air_temperature", 32.0), WEATHER[1],
        finding("nothing_found"), run("stopped"),
    )  # fmt: skip
    assert found.sound
    assert found.worked
    assert found.phase == "after"
    assert found.values["outdoor_air_temperature"] == (32.0, 0.3)


def test_another_system_and_another_run_do_not_mix_in() -> None:
    found = of(
        *SOUND_RUN,
        settled("liquid_line_temperature", 35.0, system="b"),
        finding("low_charge", system="b"),
        run("stopped", "b"),
        run("stopped"),
        run("starting"),
        run("running"),
        settled("outdoor_air_temperature", 33.0),
    )
    assert found.values == {}, "of the second run return air never settled"
    assert "return air" in found.reason


def test_readings_at_rest_are_none_of_a_run_but_a_person_may_have_said_the_weather() -> None:
    found = of(
        settled("vapor_line_temperature", 28.0, run="stopped"),
        settled("return_air_temperature", 24.5, run="stopped", origin="entered"),
        run("running"),
        WEATHER[0],
        finding("nothing_found"),
    )
    assert found.values == {"return_air_temperature": (24.5, 0.3), "outdoor_air_temperature": (30.0, 0.3)}


def test_what_went_on_drifting_is_left_out_and_what_only_the_stop_moved_is_kept() -> None:
    drifting = e.Unsettled(system="a", phase="before", name="vapor_line_temperature", reason="it drifts")
    assert "vapor_line_temperature" not in of(*SOUND_RUN, drifting, run("stopped"), every_s=100.0).values
    assert "vapor_line_temperature" in of(*SOUND_RUN, drifting, run("stopped"), every_s=10.0).values
    again = of(*SOUND_RUN, drifting, settled("vapor_line_temperature", 12.0), run("stopped"), every_s=100.0)
    assert again.values["vapor_line_temperature"] == (12.0, 0.3)
