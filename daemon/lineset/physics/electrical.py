"""Electrical quantities of single-phase motors, heaters and run capacitors. SI units: A, V, Hz, F, VA, J.

Line voltage and a capacitor's stored charge are dangerous: figures here never say that a part is safe to touch.
"""

from __future__ import annotations

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
