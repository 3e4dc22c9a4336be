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
    a thirtieth of `hold_s` are averaged, of a twentieth where `tail_s` is the shorter of the two.
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
        0.05e-6, 0.01, 2, 0.65, 0.8, "a sixth of a 6 % capacitor tolerance; a meter is quick on the bench"
    ),
    Q.RESISTANCE: Band(0.02, 0.01, 5, 1, 2, "a percent of a winding"),
    Q.FREQUENCY: Band(0.05, 0, 5, 1, 2, "a thousandth of line frequency"),
    Q.POWER: Band(15, 0.015, 60, 20, 240, "one and a half percent of input power"),
    Q.APPARENT_POWER: Band(15, 0.015, 60, 20, 240, "one and a half percent of apparent power"),
    Q.AIR_SPEED: Band(0.05, 0.02, 20, 8, 80, "two percent of airflow"),
    Q.VOLUME_FLOW: Band(0.005, 0.02, 20, 8, 80, "two percent of airflow"),
    Q.RATIO: Band(0.03, 0.01, 180, 60, 600, "one percent of a ratio of pressures"),
    # Of the rest every value is computed. Each band is about what the bands of its inputs come to in a room at 24 degC
    # and 50 %RH with a two-ton system (checked by the tests): a tighter one would never settle though they have.
    Q.HUMIDITY_RATIO: Band(2e-4, 0, 180, 60, 1000, "what 0.2 K and 1 %RH of a room's air come to"),
    Q.ENTHALPY: Band(700, 0, 180, 60, 1000, "what 0.2 K and 1 %RH of a room's air come to; 0.25 K of wet bulb"),
    Q.DENSITY: Band(0.001, 0, 180, 60, 1000, "what 0.2 K comes to; a thousandth of an airflow's mass"),
    Q.MASS_FLOW: Band(1.5e-4, 0.01, 180, 60, 1000, "1 %RH of the condensate; the pressures' bands of the refrigerant"),
    Q.HEAT_RATE: Band(400, 0.065, 180, 60, 1000, "two airs to 0.2 K and 1 %RH; a third of the +/- 20 % it is known to"),
    Q.EFFICIENCY: Band(0.1, 0.065, 180, 60, 1000, "as the capacity that it is worked out from"),
    Q.REFRIGERANT_ENTHALPY: Band(600, 0, 180, 60, 1000, "what 0.3 K of a line and the pressures' bands come to"),
    Q.FRACTION: Band(0.015, 0.015, 180, 60, 600, "one and a half percent of a rating, as the running amps themselves"),
}
_AIR = Band(0.2, 0, 180, 60, 1000, "a split of two airs to 0.3 K")
_HIGH = Band(15e3, 0, 180, 60, 600, "about 0.3 K of saturation temperature at the condenser")
_RUNNING = Band(0.15, 0.015, 180, 60, 600, "a compressor's amps follow the pressures; a clamp that stays on")
_OF_PRESSURES = Band(15, 0.015, 180, 60, 600, "one and a half percent of power, as slow as the pressures it is read by")
_FLOW = Band(2e-4, 0.022, 180, 60, 1000, "two percent: what the lines' 0.3 K and the power's band come to")
_DUTY = Band(40, 0.022, 180, 60, 1000, "as the refrigerant's flow")
_WAYS = ("from_power", "from_power_estimate", "from_map", "from_map_estimate")
_OF_RISE = Band(0.005, 0.02, 180, 60, 1000, "two percent of airflow, as slow as the airs that it is worked out from")
_OF_BENCH = Band(0.01, 0.01, 2, 0.65, 0.8, "one percent of a capacitor's marking, as quick as its meter")
KINDS: dict[str, Band] = {
    "outdoor_air_temperature": _AIR,
    "condenser_leaving_temperature": _AIR,
    "return_air_temperature": _AIR,
    "supply_air_temperature": _AIR,
    "liquid_service_pressure": _HIGH,
    "discharge_pressure": _HIGH,
    "running_current": _RUNNING,
    # computed values whose quantity alone would have them judged sooner, or closer, than their inputs can settle
    "compressor_map_current": _RUNNING,
    "compressor_map_current_estimate": _RUNNING,
    "compressor_map_power": _OF_PRESSURES,
    "compressor_map_power_estimate": _OF_PRESSURES,
    "suction_density": Band(0.35, 0, 180, 60, 1000, "what the suction pressure's 7 kPa come to"),
    **{f"refrigerant_mass_flow_{way}": _FLOW for way in _WAYS},
    **{f"refrigerant_capacity_{way}": _DUTY for way in _WAYS},
    "airflow_from_heat_rise": _OF_RISE,
    "airflow_from_rated_heat_rise": _OF_RISE,
    "sensible_heat_ratio": Band(0.04, 0, 180, 60, 1000, "what 0.2 K and 1 %RH of two airs come to"),
    "herm_capacitance_over_rating": _OF_BENCH,
    "fan_capacitance_over_rating": _OF_BENCH,
    "blower_capacitance_over_rating": _OF_BENCH,
}
# Where a clamp may stay on a motor's lead: its amps follow pressures and air, so that ten calm seconds prove little.
# A capacitor's leads, the start winding's and the strips' amps follow the volts alone; there the spot band holds.
MOTOR_LEADS = frozenset(
    {
        "compressor_common_current",
        "compressor_run_current",
        "outdoor_unit_current",
        "outdoor_fan_current",
        "blower_current",
    }
)


def band_of(quantity: Quantity, name: str = "") -> Band | None:
    """The band of a quantity at a point or of a derived value (instance left out); None where nothing settles."""
    return KINDS.get(name.partition(".")[0]) or BANDS.get(quantity)


def staying_kind(point: str) -> str:
    """The kind whose band judges a clamp that stays at this point; "" where a clamp that stays is like one that roams.

    How long a clamp has been there makes the choice, and nobody has to tell: a clamp on its round is read within
    seconds, so the spot band of its quantity judges it first. Once the longer band has proved its own, or its whole
    horizon has passed since the clamp was put there, that one judges alone: a clamp that was left on is read as one.
    """
    return "running_current" if point.partition(".")[0] in MOTOR_LEADS else ""
