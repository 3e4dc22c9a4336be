"""What a verdict tolerates of a reading that is called settled: one table, each row with its reason.

Figures are our judgement (common practice, no source) from the tolerances that verdicts commonly have: superheat and
subcooling a few kelvins, amps and microfarads a few percent; about a tenth of it is given to not being settled.
"""

from __future__ import annotations

from typing import NamedTuple

from lineset_drivers.quantity import Quantity

Q = Quantity


class Band(NamedTuple):
    """What is tolerated, in SI units of the quantity.

    `band` (the larger of it and `relative` times the value) is how far a reading may still move, or swing to either
    side, from where it is going; over `hold_s` seconds, the verdict's horizon, its drift may not exceed it. `dwell_s`
    is the least time of readings before it is judged; `tail_s` the longest time constant of a creep that is reckoned
    with (probe, coil and room: a quarter of an hour; the circuit's charge: ten minutes; a meter: its own). Blocks of
    a thirtieth of `hold_s` are averaged.
    """

    band: float
    relative: float
    hold_s: float
    dwell_s: float
    tail_s: float
    reason: str


# by quantity, and by kind of point where it makes a difference
BANDS: dict[Quantity, Band] = {
    Q.TEMPERATURE: Band(0.3, 0, 180, 60, 1000, "a tenth of a 3 K superheat or subcooling tolerance"),
    Q.TEMPERATURE_DIFFERENCE: Band(0.4, 0, 180, 60, 1000, "a tenth of a 3 K tolerance, two probes deep"),
    Q.PRESSURE_GAUGE: Band(7e3, 0, 180, 60, 600, "about 0.3 K of saturation temperature at the suction"),
    Q.PRESSURE_ABSOLUTE: Band(7e3, 0, 180, 60, 600, "about 0.3 K of saturation temperature at the suction"),
    Q.PRESSURE_DIFFERENCE: Band(2.5, 0.03, 20, 8, 80, "a hundredth of an inch of water on a static budget"),
    Q.RELATIVE_HUMIDITY: Band(1.0, 0, 180, 60, 1000, "0.3 K of wet bulb indoors"),
    Q.CURRENT: Band(0.1, 0.01, 10, 2, 3, "a sixth of a 6 % capacitor tolerance; a hand holds the clamp"),
    Q.VOLTAGE: Band(1.0, 0.005, 10, 2, 3, "half a percent of line volts; a hand holds the probes"),
    Q.CAPACITANCE: Band(
        0.05e-6, 0.01, 2, 0.4, 0.8, "a sixth of a 6 % capacitor tolerance; a meter is quick on the bench"
    ),
    Q.RESISTANCE: Band(0.02, 0.01, 5, 1, 2, "a percent of a winding"),
    Q.FREQUENCY: Band(0.05, 0, 5, 1, 2, "a thousandth of line frequency"),
    Q.POWER: Band(15, 0.015, 60, 20, 240, "one and a half percent of input power"),
    Q.APPARENT_POWER: Band(15, 0.015, 60, 20, 240, "one and a half percent of apparent power"),
    Q.AIR_SPEED: Band(0.05, 0.02, 20, 8, 80, "two percent of airflow"),
    Q.VOLUME_FLOW: Band(0.005, 0.02, 20, 8, 80, "two percent of airflow"),
    Q.RATIO: Band(0.03, 0.01, 180, 60, 600, "one percent of a ratio of pressures"),
}
_AIR = Band(0.2, 0, 180, 60, 1000, "a split of two airs to 0.3 K")
_HIGH = Band(15e3, 0, 180, 60, 600, "about 0.3 K of saturation temperature at the condenser")
_RUNNING = Band(0.15, 0.015, 180, 60, 600, "a compressor's amps follow the pressures; a clamp that stays on")
KINDS: dict[str, Band] = {
    "outdoor_air_temperature": _AIR,
    "condenser_leaving_temperature": _AIR,
    "return_air_temperature": _AIR,
    "supply_air_temperature": _AIR,
    "liquid_service_pressure": _HIGH,
    "discharge_pressure": _HIGH,
    "running_current": _RUNNING,
}


def band_of(quantity: Quantity, point: str = "") -> Band | None:
    """The band of a quantity at a point (its instance left out); None where nothing settles."""
    return KINDS.get(point.partition(".")[0]) or BANDS.get(quantity)
