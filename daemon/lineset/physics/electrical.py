"""Electrical quantities of single-phase motors, heaters and run capacitors. SI units: A, V, Hz, F, VA, J.

Line voltage and a capacitor's stored charge are dangerous: figures here never say that a part is safe to touch.
"""

from __future__ import annotations

import itertools
import math

from lineset.physics.errors import OutOfRange

# A field meter's frequency reading outside this is not a supply: 50 Hz and 60 Hz systems, with a generator's drift.
LOWEST_HZ, HIGHEST_HZ = 40.0, 70.0


def capacitance(current_a: float, voltage_v: float, frequency_hz: float) -> float:
    """Capacitance [F] from the current [A] through a capacitor and the voltage [V] across its own two terminals.

    C = I / (2 pi f V), from the reactance 1 / (2 pi f C) of an ideal capacitor under a sinusoidal voltage. Both are
    RMS values read at the same time. Raises OutOfRange for a negative current, no voltage, or no supply frequency.
    """
    if not current_a >= 0.0:
        raise OutOfRange(
            "capacitance", value=current_a, low=0.0, high=math.inf, unit="A",
            remedy="Give the RMS current of the capacitor's own lead, without a sign.",
        )  # fmt: skip
    if not voltage_v > 0.0:
        raise OutOfRange(
            "capacitance", value=voltage_v, low=0.0, high=math.inf, unit="V",
            remedy="The voltage across the capacitor's terminals must be above zero: it is read under load.",
        )  # fmt: skip
    if not LOWEST_HZ <= frequency_hz <= HIGHEST_HZ:
        raise OutOfRange(
            "capacitance", value=frequency_hz, low=LOWEST_HZ, high=HIGHEST_HZ, unit="Hz",
            remedy="Give the supply's frequency, 50 Hz or 60 Hz.",
        )  # fmt: skip
    return current_a / (2.0 * math.pi * frequency_hz * voltage_v)


def apparent_power(current_a: float, voltage_v: float) -> float:
    """Apparent power [VA] of a single-phase load from RMS current [A] and RMS voltage [V]; not its real power."""
    return current_a * voltage_v


def stored_energy(capacitance_f: float, peak_voltage_v: float) -> float:
    """Energy [J] held by a capacitor [F] charged to a peak voltage [V]: C V^2 / 2."""
    return 0.5 * capacitance_f * peak_voltage_v**2


def power_factor(real_power_w: float, apparent_power_va: float) -> float:
    """Real over apparent power. Raises OutOfRange above 1.05 or below 0: then they are not of the same conductors."""
    if not apparent_power_va > 0.0:
        raise OutOfRange(
            "power factor", value=apparent_power_va, low=0.0, high=math.inf, unit="VA",
            remedy="Current and voltage must be above zero.",
        )  # fmt: skip
    value = real_power_w / apparent_power_va
    if not 0.0 <= value <= 1.05:
        raise OutOfRange(
            "power factor", value=value, low=0.0, high=1.05, unit="1",
            remedy="Power, current and voltage must be of the same conductors at the same moment.",
        )  # fmt: skip
    return value


def strip_current(rated_w: float, rated_v: float, voltage_v: float) -> float:
    """Current [A] that a resistance strip of a rated power [W] at a rated voltage [V] draws at a voltage [V].

    I = P V / V_rated^2, the strip taken as a constant resistance (definition); a cold one draws a few percent more.
    """
    if not (rated_w > 0.0 and rated_v > 0.0 and voltage_v > 0.0):
        raise OutOfRange(
            "heat strip current", value=min(rated_w, rated_v, voltage_v), low=0.0, high=math.inf, unit="W, V",
            remedy="Rated power, rated voltage and voltage must be above zero.",
        )  # fmt: skip
    return rated_w * voltage_v / rated_v**2


def voltage_unbalance(first_v: float, second_v: float, third_v: float) -> tuple[float, tuple[float, float, float]]:
    """Voltage unbalance of a three-phase supply as a part of one, and its derivatives by the three line voltages [V].

    The largest deviation from the average, over the average (NEMA MG 1, as quoted by several public pages). It is a
    ratio of 0.01 for 1 %. Raises OutOfRange when a voltage is not above zero.
    """
    volts = (first_v, second_v, third_v)
    if not all(0.0 < volt < math.inf for volt in volts):
        raise OutOfRange(
            "voltage unbalance", value=min(volts), low=0.0, high=math.inf, unit="V",
            remedy="A phase without voltage is a lost phase: stop the unit and find it before anything else.",
        )  # fmt: skip
    mean = sum(volts) / 3.0
    worst = max(range(3), key=lambda i: abs(volts[i] - mean))
    sign = 1.0 if volts[worst] >= mean else -1.0
    # sign (V / mean - 1); the mean moves by a third with each voltage
    value = sign * (volts[worst] / mean - 1.0)
    slopes = tuple(sign * ((1.0 if i == worst else 0.0) - volts[worst] / mean / 3.0) / mean for i in range(3))
    return value, (slopes[0], slopes[1], slopes[2])


# NEMA MG 1, figure of the derating factor over unbalance, read from a curve, from memory; one maker's page has 0.90
# where this has 0.88. Rows of (unbalance, factor).
DERATING = ((0.0, 1.0), (0.01, 1.0), (0.02, 0.95), (0.03, 0.88), (0.04, 0.82), (0.05, 0.75))


def derating_factor(unbalance: float) -> float:
    """Part of a three-phase motor's power that is left at a voltage unbalance (0.02 for 2 %); advisory, from memory.

    Raises OutOfRange above 5 %, where a motor should not run at all.
    """
    if not 0.0 <= unbalance <= DERATING[-1][0]:
        raise OutOfRange(
            "voltage unbalance", value=unbalance, low=0.0, high=DERATING[-1][0], unit="1",
            remedy="Above 5 % a motor should not be run; find the cause in the supply or the connections.",
        )  # fmt: skip
    for (left, high), (right, low) in itertools.pairwise(DERATING):
        if unbalance <= right:
            return high + (low - high) * (unbalance - left) / (right - left)
    return DERATING[-1][1]


def yearly_fade(rated_f: float, measured_f: float, years: float) -> float:
    """Part of its rated capacitance [F] that a capacitor has lost a year, from its age [years]; negative when it grew.

    Definition; a rated capacitor starts anywhere in its tolerance, so that young parts say little.
    """
    if not (rated_f > 0.0 and years > 0.0):
        raise OutOfRange(
            "capacitance fade", value=min(rated_f, years), low=0.0, high=math.inf, unit="F, years",
            remedy="Rating and age must be above zero.",
        )  # fmt: skip
    return (1.0 - measured_f / rated_f) / years
