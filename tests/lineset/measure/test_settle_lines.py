"""The line through the newest blocks, and the hand-held meter that it settles."""

from __future__ import annotations

import random

from lineset.measure.lines import line
from lineset.measure.settle import detector
from lineset_drivers.quantity import Quantity


def test_the_line_finds_slope_and_present_value_and_widens_with_fewer_blocks() -> None:
    chance = random.Random(1)
    ts = [float(n) for n in range(28)]
    xs = [5.0 + 0.2 * t + chance.gauss(0.0, 0.05) for t in ts]
    whole, few = line(ts, xs, 28, 0.01, 0.0), line(ts, xs, 8, 0.01, 0.0)
    assert abs(whole.slope - 0.2) < 3.0 * whole.slope_u
    assert abs(whole.value - (5.0 + 0.2 * 27.0)) < 3.0 * whole.value_u
    assert few.slope_u > 2.0 * whole.slope_u


def test_a_round_from_wire_to_wire_is_no_swing_and_settles_at_each_wire() -> None:
    watch = detector(Quantity.CURRENT, resolution=0.01, point="herm_lead_current")
    assert watch is not None
    chance = random.Random(2)
    found = []
    for n in range(1, 801):
        on = (n // 100) % 2 == 1  # 20 s in the air, 20 s on a wire
        value = 6.0 + chance.gauss(0.0, 0.01) if on else 0.0
        if watch.push(n * 200_000_000, value) and watch.settled and on:
            found.append(watch.fit().mean)
    assert len(found) == 4
    assert all(abs(value - 6.0) < 0.05 for value in found)
