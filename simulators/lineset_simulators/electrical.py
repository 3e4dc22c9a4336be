"""Motors with run capacitors, contactor, heat strips and the supply of the plant. SI units.

A permanent-split-capacitor motor is taken as two branches on the line: the run winding, which carries what active
power the start branch does not, and magnetises; and the start winding in series with the run capacitor, which leads.
The conductor to C carries their vector sum. Figures of residential motors: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

FREQUENCY_HZ = 60.0
OMEGA = 2 * math.pi * FREQUENCY_HZ


@dataclass(frozen=True)
class Motor:
    """A capacitor-run motor: its capacitor as it is and as it is marked (F), and its behaviour at 240 V.

    `boost` is capacitor volts over line volts at the marked capacitance; `lead_rad` how far the start branch leads
    the line; `magnetising_va` the run winding's reactive power; `locked_a` the current of the standing rotor.
    """

    capacitance: float
    marked: float
    boost: float
    lead_rad: float
    magnetising_va: float
    locked_a: float

    def with_capacitance(self, farads: float) -> Motor:
        return replace(self, capacitance=farads)

    def can_start(self) -> bool:
        """A run capacitor that has lost more than half leaves too little torque (common practice, no source)."""
        return self.capacitance > 0.5 * self.marked


@dataclass(frozen=True)
class Currents:
    """What flows in a motor's conductors (A), and the volts across its capacitor."""

    common: float = 0.0
    run: float = 0.0
    start: float = 0.0
    capacitor_volts: float = 0.0
    power: float = 0.0


STANDING = Currents()


def running(motor: Motor, volts: float, watts: float) -> Currents:
    """Currents at `volts` for `watts` of electrical power, the start branch included."""
    weakness = 1.0 - motor.capacitance / motor.marked
    across = motor.boost * volts * (1.0 - 0.25 * weakness)
    start = OMEGA * motor.capacitance * across
    start_w = min(start * volts * math.cos(motor.lead_rad), 0.6 * watts)
    start_var = -start * volts * math.sin(motor.lead_rad)
    # a weak capacitor lets the field go elliptic: the run winding slips more and heats
    run_w = watts * (1.0 + 0.10 * max(weakness, 0.0)) - start_w
    run_var = motor.magnetising_va * (volts / 240.0) ** 2 * (1.0 + 0.15 * max(weakness, 0.0))
    power = run_w + start_w
    return Currents(
        common=math.hypot(power, run_var + start_var) / volts,
        run=math.hypot(run_w, run_var) / volts,
        start=start,
        capacitor_volts=across,
        power=power,
    )


def locked(motor: Motor, volts: float) -> Currents:
    """Currents while the rotor stands and the line is on."""
    amperes = motor.locked_a * volts / 240.0
    across = 0.6 * volts
    return Currents(
        common=amperes,
        run=0.96 * amperes,
        start=OMEGA * motor.capacitance * across,
        capacitor_volts=across,
        power=0.5 * volts * amperes,
    )


COMPRESSOR = Motor(45e-6, 45e-6, 1.48, math.radians(50), 1560.0, 77.0)
OUTDOOR_FAN = Motor(5e-6, 5e-6, 1.38, math.radians(55), 190.0, 2.4)
BLOWER = Motor(10e-6, 10e-6, 1.36, math.radians(55), 400.0, 6.0)
