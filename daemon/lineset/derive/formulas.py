"""The formulas behind the catalogue, with analytic partial derivatives. A few microseconds each.

Every function here takes the context and the inputs' SI values and returns an Evaluated, or raises NotDerivable.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from lineset.derive.declared import Context, Evaluated, NotDerivable
from lineset.physics.electrical import capacitance
from lineset.physics.errors import OutOfRange
from lineset.physics.saturation import Line

# Under load a run capacitor carries at least the supply's voltage, 115 V class at the lowest; less means that the
# motor is not running, and I/V would be the quotient of two zeros (common practice, no source).
LOWEST_CAPACITOR_V = 90.0
# A running compressor raises the pressure; what gauges and the ports' drops may hide of that is a tenth (judgement).
LOWEST_RATIO = 0.9

# No line is this much colder than its vapor, or hotter than its liquid, in a running system: flash gas, a wet vapor
# line and the usual errors of gauge and probe come to a few kelvins (a measured rooftop unit shows 4 K). What is
# further off is a wrong port, a wrong refrigerant, an absolute pressure read as gauge, or a probe off its pipe.
IMPOSSIBLE_K = -10.0


def _saturation(line: Line, gauge_pa: float, context: Context) -> tuple[float, float]:
    try:
        return line.with_slope(gauge_pa + context.barometric_pa)
    except OutOfRange as error:
        raise NotDerivable(str(error)) from error


def _finite(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise NotDerivable(f"{what}: an input is not a number")
    return value


def dew_temperature(context: Context, values: Sequence[float]) -> Evaluated:
    """Dew temperature at a gauge pressure."""
    value, slope = _saturation(context.saturation.dew, values[0], context)
    return Evaluated(value, (slope,), slope)


def bubble_temperature(context: Context, values: Sequence[float]) -> Evaluated:
    """Bubble temperature at a gauge pressure."""
    value, slope = _saturation(context.saturation.bubble, values[0], context)
    return Evaluated(value, (slope,), slope)


def glide(context: Context, values: Sequence[float]) -> Evaluated:
    """Dew minus bubble temperature at a gauge pressure."""
    dew, dew_slope = _saturation(context.saturation.dew, values[0], context)
    bubble, bubble_slope = _saturation(context.saturation.bubble, values[0], context)
    slope = dew_slope - bubble_slope
    return Evaluated(dew - bubble, (slope,), slope)


def above_dew(context: Context, values: Sequence[float]) -> Evaluated:
    """Line temperature minus dew temperature, from gauge pressure and line temperature. Negative values stay so."""
    dew, slope = _saturation(context.saturation.dew, values[0], context)
    return Evaluated(_finite(values[1] - dew, "superheat"), (-slope, 1.0), -slope)


def below_bubble(context: Context, values: Sequence[float]) -> Evaluated:
    """Bubble temperature minus line temperature, from gauge pressure and line temperature. Negative values stay so."""
    bubble, slope = _saturation(context.saturation.bubble, values[0], context)
    return Evaluated(_finite(bubble - values[1], "subcooling"), (slope, -1.0), slope)


def superheat(context: Context, values: Sequence[float]) -> Evaluated:
    """Line temperature minus dew temperature of a running system. Refused where no vapor line can be so cold."""
    found = above_dew(context, values)
    if found.value < IMPOSSIBLE_K:
        raise NotDerivable(
            f"superheat: the line is at {_shown(values[1])} and vapor at this pressure condenses at "
            f"{_shown(values[1] - found.value)}: no vapor line is so much colder. Check that the gauge is on this port "
            "and at zero in open air, that its reading is gauge pressure and not absolute, the refrigerant's name, and "
            "that the probe touches the pipe"
        )
    return found


def subcooling(context: Context, values: Sequence[float]) -> Evaluated:
    """Bubble temperature minus line temperature of a running system. Refused where no liquid line can be so hot."""
    found = below_bubble(context, values)
    if found.value < IMPOSSIBLE_K:
        raise NotDerivable(
            f"subcooling: the line is at {_shown(values[1])} and liquid at this pressure boils at "
            f"{_shown(values[1] + found.value)}: no liquid line is so much hotter. Check that the gauge is on "
            "this port, its zero and its unit, the refrigerant's name, and that the probe is on the liquid line, out "
            "of the sun"
        )
    return found


def _shown(cel: float) -> str:
    return f"{cel * 1.8 + 32.0:.0f} degF ({cel:.0f} degC)"


def difference(context: Context, values: Sequence[float]) -> Evaluated:
    """First minus second temperature."""
    return Evaluated(_finite(values[0] - values[1], "temperature difference"), (1.0, -1.0))


def pressure_ratio(context: Context, values: Sequence[float]) -> Evaluated:
    """Absolute high over absolute low pressure, from two gauge pressures."""
    barometer = context.barometric_pa
    high, low = values[0] + barometer, values[1] + barometer
    if not (0.0 < low < math.inf and 0.0 < high < math.inf):
        raise NotDerivable("compression ratio: a pressure is at or below a perfect vacuum; check the gauge's zero")
    if high < LOWEST_RATIO * low:
        raise NotDerivable(
            "compression ratio: the high side reads below the low side; the hoses or the two gauges are exchanged, or "
            "the system runs in the other mode"
        )
    ratio = high / low
    return Evaluated(ratio, (1.0 / low, -ratio / low), (1.0 - ratio) / low)


def capacitance_under_load(context: Context, values: Sequence[float]) -> Evaluated:
    """I / (2 pi f V) from the current of the capacitor's own lead and the voltage across its own terminals."""
    current, voltage = values
    frequency = context.line_frequency_hz
    if not voltage >= LOWEST_CAPACITOR_V:
        raise NotDerivable(
            f"capacitance under load: {voltage:.4g} V across the capacitor is below {LOWEST_CAPACITOR_V:g} V; "
            "the motor is not running on it, or the leads are not on its terminals"
        )
    try:
        value = _finite(capacitance(current, voltage, frequency), "capacitance under load")
    except OutOfRange as error:
        raise NotDerivable(str(error)) from error
    return Evaluated(
        value, (1.0 / (2.0 * math.pi * frequency * voltage), -value / voltage), frequency=-value / frequency
    )


def apparent_power(context: Context, values: Sequence[float]) -> Evaluated:
    """RMS current times RMS voltage."""
    current, voltage = values
    if not (0.0 <= current < math.inf and 0.0 <= voltage < math.inf):
        raise NotDerivable("apparent power: current and voltage are RMS values and cannot be negative")
    return Evaluated(current * voltage, (voltage, current))
