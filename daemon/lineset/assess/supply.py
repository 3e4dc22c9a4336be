"""Ranges of the supply's volts, and what unbalanced volts cost a motor. From memory: advice, never a verdict.

ANSI C84.1 ranges: service (at the meter) and utilization (at the equipment); range A is the usual, B the tolerable.
"""

from __future__ import annotations

from lineset.assess.errors import OutsideTable

# (nominal V, service or utilization, range) -> (low V, high V); ANSI C84.1, from memory
SUPPLY_RANGES: dict[tuple[int, str, str], tuple[float, float]] = {
    (120, "service", "A"): (114.0, 126.0),
    (120, "service", "B"): (110.0, 127.0),
    (120, "utilization", "A"): (108.0, 126.0),
    (120, "utilization", "B"): (104.0, 127.0),
    (240, "service", "A"): (228.0, 252.0),
    (240, "service", "B"): (220.0, 254.0),
    (240, "utilization", "A"): (216.0, 252.0),
    (240, "utilization", "B"): (208.0, 254.0),
    (208, "service", "A"): (197.0, 218.0),
    (208, "service", "B"): (191.0, 220.0),
    (208, "utilization", "A"): (187.0, 218.0),
    (208, "utilization", "B"): (180.0, 220.0),
}

# unbalance, part of one -> part of the rated power; NEMA MG-1, read from a curve, from memory
_DERATING = (1.0, 1.0, 0.95, 0.88, 0.82, 0.75)


def derating(unbalance: float) -> float:
    """What part of its rated power a motor may give at a voltage unbalance (part of one).

    Linear between the curve's points. Raises OutsideTable above 0.05, where a motor must not run.
    """
    percent = unbalance * 100.0
    if not 0.0 <= percent <= 5.0 + 1e-9:
        raise OutsideTable(
            f"a voltage unbalance of {percent:.1f} % is outside 0 to 5 %",
            look_at="line_voltage",
            remedy="Do not run the motor; look at the supply and its connections",
        )
    at = min(int(percent), 4)
    return _DERATING[at] + (percent - at) * (_DERATING[at + 1] - _DERATING[at])
