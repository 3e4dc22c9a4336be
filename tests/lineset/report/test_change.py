"""What a difference before and after is worth: coverage of the claim, by simulating the errors it is made of."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_visit import settled

from lineset.contract import entry as e
from lineset.report.change import KEPT, changes, difference

PARTS = st.fixed_dictionaries(
    {
        "accuracy clamp/current": st.floats(0.01, 1.0),
        "installation power/jaw": st.floats(0.01, 1.0),
        "repeatability power": st.floats(0.01, 1.0),
        "resolution power": st.floats(0.001, 0.1),
    }
)


def window(value: float, parts: dict[str, float], phase: str) -> e.Settled:
    u = math.sqrt(sum(part * part for part in parts.values()))
    return settled("power", value, "W", u, phase, budget=parts)


@pytest.mark.parametrize("seed", range(6))
def test_when_nothing_changed_changed_is_said_in_one_of_twenty_at_most(seed: int) -> None:
    """The errors of both readings are drawn as the module says that they are shared; the true value stays."""
    chance = random.Random(seed)
    parts = {
        "accuracy power/power": chance.choice([0.05, 0.5, 2.0]),
        "installation power/jaw": chance.choice([0.05, 0.5, 2.0]),
        "repeatability power": chance.choice([0.05, 0.5]),
        "resolution power": 0.03,
    }
    limit = math.sqrt(3.0)
    pairs, said = 4000, 0
    for _ in range(pairs):
        errors = [0.0, 0.0]
        for name, part in parts.items():
            kept = KEPT.get(name.split()[0], 1.0)
            flat = not name.startswith("repeatability")

            def draw(flat: bool = flat) -> float:
                return chance.uniform(-limit, limit) if flat else chance.gauss(0.0, 1.0)

            common = math.sqrt(1.0 - kept * kept) * draw()
            for n in range(2):
                errors[n] += part * (common + kept * draw())
        before, after = window(100.0 + errors[0], parts, "before"), window(100.0 + errors[1], parts, "after")
        said += difference(before, after).shown
    # 5 % and three standard deviations of the simulation itself
    assert said / pairs <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / pairs)


@given(PARTS, st.floats(-1e3, 1e3), st.floats(-5.0, 5.0))
def test_sharing_never_widens_and_the_difference_is_the_difference(
    parts: dict[str, float], value: float, change: float
) -> None:
    before, after = window(value, parts, "before"), window(value + change, parts, "after")
    shared = difference(before, after)
    apart = difference(before, after, moved=True)
    assert shared.value == pytest.approx(change, abs=1e-9)
    assert shared.u <= apart.u <= math.hypot(before.u, after.u) + 1e-12
    assert difference(after, before).value == pytest.approx(-change, abs=1e-9)


@given(PARTS)
def test_a_scale_error_that_grows_with_the_reading_does_not_cancel_whole(parts: dict[str, float]) -> None:
    grown = {name: 2.0 * part for name, part in parts.items()}
    same = difference(window(1.0, parts, "before"), window(1.0, parts, "after"))
    assert difference(window(1.0, parts, "before"), window(2.0, grown, "after")).u > same.u


def test_another_instrument_shares_nothing() -> None:
    before = window(1.0, {"accuracy one/power": 1.0}, "before")
    after = window(1.0, {"accuracy other/power": 1.0}, "after")
    assert difference(before, after).u == pytest.approx(math.sqrt(2.0))


def test_a_record_without_budgets_shares_nothing() -> None:
    before, after = settled("power", 1.0, "W", 3.0), settled("power", 1.0, "W", 4.0, "after")
    assert difference(before, after).u == pytest.approx(5.0)


def test_a_plain_difference_under_other_weather_is_not_laid_to_the_work() -> None:
    before = {"power": window(2800.0, {"repeatability power": 1.0}, "before")}
    after = {"power": window(2600.0, {"repeatability power": 1.0}, "after")}
    outdoors = (
        settled("outdoor_air_temperature", 30.0, "Cel", 0.3),
        settled("outdoor_air_temperature", 35.0, "Cel", 0.3),
    )
    alike = (settled("outdoor_air_temperature", 30.0, "Cel", 0.3), settled("outdoor_air_temperature", 30.1, "Cel", 0.3))
    indoors = (settled("return_wet_bulb", 17.0, "Cel", 0.3), settled("return_wet_bulb", 17.0, "Cel", 0.3))
    said = {
        name: changes(before, after, {}, conditions=conditions)[0].verdict
        for name, conditions in {
            "other": {"outdoor_air_temperature": outdoors, "return_wet_bulb": indoors},
            "alike": {"outdoor_air_temperature": alike, "return_wet_bulb": indoors},
            "unknown": {},
        }.items()
    }
    assert said == {"other": "changed_with_conditions", "alike": "changed", "unknown": "changed_with_conditions"}
