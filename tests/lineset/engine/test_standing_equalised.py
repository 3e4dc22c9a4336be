"""The standing pressure says something only where lines and outdoor air have come to one temperature."""

from __future__ import annotations

import pytest
from engine_entries import Bench

from lineset.contract import entry as e


def _standing(line_cel: float) -> dict[str, float]:
    bench = Bench().open().place_all()
    air = e.Entered(instrument="eye", system="main", point="outdoor_air_temperature", value=24.0, text="24.0")
    bench.push(air)
    bench.standing(30)
    fahrenheit = line_cel * 1.8 + 32.0
    bench.frame("pipes", t1=fahrenheit, t2=fahrenheit)
    bench.engine.take_live()
    bench.push(air)
    return {each.name: each.value for each in bench.engine.take_live() if each.derived and each.value is not None}


def test_lines_at_the_airs_temperature() -> None:
    assert "standing_over_outdoor" in _standing(24.5)


@pytest.mark.parametrize("line_cel", [14.0, 38.0])
def test_a_line_that_is_still_cold_or_warm_says_that_the_stop_is_fresh(line_cel: float) -> None:
    assert "standing_over_outdoor" not in _standing(line_cel)
