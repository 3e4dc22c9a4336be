"""The formulas of motors, capacitors, strips and supply, with analytic partial derivatives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from lineset.derive.declared import Context, Evaluated, Formula, NotDerivable
from lineset.derive.formulas import capacitance_under_load
from lineset.physics import electrical
from lineset.physics.errors import OutOfRange

# Below this a clamp's own zero is a good part of the reading (common practice, no source).
LEAST_POLE_A = 1.0


def _positive(what: str, *values: float) -> None:
    if not all(0.0 <= value < math.inf for value in values):
        raise NotDerivable(f"{what}: an input is negative or not a number; RMS values have no sign")


def power_factor(context: Context, values: Sequence[float]) -> Evaluated:
    """Real power over RMS current times RMS voltage."""
    power, current, voltage = values
    _positive("power factor", power, current, voltage)
    try:
        value = electrical.power_factor(power, electrical.apparent_power(current, voltage))
    except OutOfRange as error:
        raise NotDerivable(str(error)) from error
    return Evaluated(value, (1.0 / (current * voltage), -value / current, -value / voltage))


def resistance(context: Context, values: Sequence[float]) -> Evaluated:
    """Voltage drop over the current that causes it."""
    drop, current = values
    _positive("contactor resistance", drop)
    if not LEAST_POLE_A <= current < math.inf:
        raise NotDerivable(f"contactor resistance: {current:.3g} A is too little; measure the drop while the unit runs")
    return Evaluated(drop / current, (1.0 / current, -drop / current**2))


def drop(context: Context, values: Sequence[float]) -> Evaluated:
    """Steady minus lowest voltage."""
    _positive("voltage drop", *values)
    return Evaluated(values[0] - values[1], (1.0, -1.0))


def share_of(field: str, key: str) -> Formula:
    """A reading over its rating, `field` of the Nameplate, `key` of its description."""

    def compute(context: Context, values: Sequence[float]) -> Evaluated:
        rating = _rating(context, field, key)
        _positive("share of a rating", values[0])
        return Evaluated(values[0] / rating, (1.0 / rating,))

    return compute


def capacitance_share(field: str, key: str) -> Formula:
    """Capacitance under load over the capacitor's marking."""

    def compute(context: Context, values: Sequence[float]) -> Evaluated:
        rating = _rating(context, field, key)
        found = capacitance_under_load(context, values)
        return Evaluated(
            found.value / rating, tuple(each / rating for each in found.partials), frequency=found.frequency / rating
        )

    return compute


def _rating(context: Context, field: str, key: str) -> float:
    rating: float | None = getattr(context.nameplate, field)
    if rating is None:
        raise NotDerivable(f"the nameplate's {key} is not given for this system; read it on the label")
    return rating


def _strip_share(which: int | None, context: Context, values: Sequence[float]) -> Evaluated:
    current, voltage = values
    plate = context.nameplate
    if not plate.heat_strip_w:
        raise NotDerivable("heat strip current: the nameplate's heat_strip_kw is not given")
    if which is None and len(plate.heat_strip_w) > 1:
        raise NotDerivable(
            f"heat strip current: the nameplate has {len(plate.heat_strip_w)} strips; say which one the clamp is on "
            "(heat_strip_current.1 is the first)"
        )
    number = which or 1
    if number > len(plate.heat_strip_w):
        raise NotDerivable(f"heat strip current: the nameplate has no strip {number} (heat_strip_kw)")
    _positive("heat strip current", current)
    try:
        expected = electrical.strip_current(plate.heat_strip_w[number - 1], plate.heat_strip_rated_v, voltage)
    except OutOfRange as error:
        raise NotDerivable(str(error)) from error
    share = _finite_share(current, expected)
    return Evaluated(share, (1.0 / expected, -share / voltage))


def _finite_share(current: float, expected: float) -> float:
    if not 0.0 < expected < math.inf:
        raise NotDerivable("heat strip current: the voltage is not a number")
    return current / expected


strip_share: Formula = partial(_strip_share, None)


def strip_share_of(number: int) -> Formula:
    """The same for strip `number` of the nameplate's list."""
    return partial(_strip_share, number)


def expected_strip_current(context: Context, values: Sequence[float]) -> Evaluated:
    """Current of all the nameplate's strips together at a voltage."""
    plate = context.nameplate
    if not plate.heat_strip_w:
        raise NotDerivable("heat strip current: the nameplate's heat_strip_kw is not given")
    try:
        value = electrical.strip_current(sum(plate.heat_strip_w), plate.heat_strip_rated_v, values[0])
    except OutOfRange as error:
        raise NotDerivable(str(error)) from error
    if not math.isfinite(value):
        raise NotDerivable("heat strip current: the voltage is not a number")
    return Evaluated(value, (value / values[0],))


def voltage_unbalance(context: Context, values: Sequence[float]) -> Evaluated:
    """Largest deviation of three line voltages from their average, over the average."""
    try:
        value, slopes = electrical.voltage_unbalance(*values)
    except OutOfRange as error:
        raise NotDerivable(str(error)) from error
    return Evaluated(value, slopes)
