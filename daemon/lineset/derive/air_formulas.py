"""The formulas of the air side: states of the air, airflow, capacity, efficiency, with exact partial derivatives."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from lineset.derive.declared import Context, Evaluated, Formula, NotDerivable
from lineset.physics import air_side, moist_air, wet_bulb
from lineset.physics.errors import OutOfRange
from lineset.physics.gradient import Gradient, inputs
from lineset.physics.moist_air import Graded

Written = Callable[[Context, list[Gradient], Gradient], Gradient]
Property = Callable[[float, float, float], Graded]

# Blower watts per airflow where they are not measured: 365 W per 1000 cfm, the default of 10 CFR 430 subpart B,
# appendix M, for units rated without their own blower (from memory; real blowers take 150 to 600).
DEFAULT_BLOWER_W_PER_M3_S = 365.0 / (1000.0 * 0.3048**3 / 60.0)


def written(formula: Written) -> Formula:
    """A formula over Gradients (context, inputs, barometric pressure) as the catalogue takes it."""

    def compute(context: Context, values: Sequence[float]) -> Evaluated:
        *xs, p = inputs((*values, context.barometric_pa))
        try:
            found = formula(context, xs, p)
        except OutOfRange as error:
            raise NotDerivable(str(error)) from error
        if not math.isfinite(found.value):
            raise NotDerivable("an input is not a number")
        return Evaluated(found.value, found.slopes[:-1], found.slopes[-1])

    return compute


def state_of(formula: Property) -> Formula:
    """A property of air from a dry bulb and a humidity, at the site's pressure."""

    def compute(context: Context, values: Sequence[float]) -> Evaluated:
        try:
            found = formula(values[0], values[1], context.barometric_pa)
        except OutOfRange as error:
            raise NotDerivable(str(error)) from error
        return Evaluated(found.value, (found.by_temperature, found.by_humidity), found.by_pressure)

    return compute


def _density_of(t: float, rh: float, p: float) -> Graded:
    inner = moist_air.humidity_ratio(t, rh, p)
    return moist_air.density(t, inner.value, p).of(inner)


def _from_wick(outer: Property) -> Property:
    def found(t: float, wet: float, p: float) -> Graded:
        inner = wet_bulb.ratio_from_wet_bulb(t, wet, p)
        return outer(t, inner.value, p).of(inner)

    return found


# By relative humidity, and by a wet bulb read off a wick.
OF_HUMIDITY: dict[str, Property] = {
    "wet_bulb": wet_bulb.wet_bulb_of,
    "dew_point": wet_bulb.dew_point_of,
    "humidity_ratio": moist_air.humidity_ratio,
    "enthalpy": wet_bulb.enthalpy_of,
    "air_density": _density_of,
}
OF_WET_BULB: dict[str, Property] = {
    "humidity": _from_wick(moist_air.relative_humidity),
    "dew_point": _from_wick(wet_bulb.dew_point),
    "humidity_ratio": wet_bulb.ratio_from_wet_bulb,
    "enthalpy": _from_wick(moist_air.enthalpy),
}


def total_external_static(context: Context, values: Sequence[float]) -> Evaluated:
    """Supply minus return static pressure, both against the room: the return's is negative."""
    back, supply = values
    if not (math.isfinite(back) and math.isfinite(supply)):
        raise NotDerivable("total external static: an input is not a number")
    if back > 2.5:
        raise NotDerivable(
            f"total external static: the return plenum reads {back:.1f} Pa above the room; with the blower running it "
            "is below it: give the reading with its sign, or exchange the hoses"
        )
    return Evaluated(supply - back, (-1.0, 1.0))


# ------------------------------------------------------------------------------------------------------------ airflow


def _heat_rise(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
    current, voltage, back, supply = x
    return air_side.heat_rise_airflow(current * voltage, back, supply, p)


def _rated_heat_rise(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
    voltage, back, supply = x
    plate = context.nameplate
    if not plate.heat_strip_w:
        raise NotDerivable("airflow from heat rise: the nameplate's heat_strip_kw is not given")
    return air_side.heat_rise_airflow(
        voltage * voltage * (sum(plate.heat_strip_w) / plate.heat_strip_rated_v**2), back, supply, p
    )


def _from_velocity(context: Context, x: list[Gradient]) -> Gradient:
    area = context.nameplate.duct_area_m2
    if area is None:
        raise NotDerivable("airflow from velocity: the duct's area (nameplate duct_area_ft2) is not given")
    return air_side.duct_airflow(x[0], area)


def _from_table(context: Context, x: list[Gradient]) -> Gradient:
    table = context.nameplate.blower_table
    if not table:
        raise NotDerivable("airflow from blower table: the nameplate's blower_table is not given")
    total_external_static(context, (x[0].value, x[1].value))
    return air_side.blower_airflow(table, x[1] - x[0])


airflow_from_heat_rise = written(_heat_rise)
airflow_from_rated_heat_rise = written(_rated_heat_rise)
airflow_from_velocity = written(lambda context, x, p: _from_velocity(context, x))
airflow_from_blower_table = written(lambda context, x, p: _from_table(context, x))


# ----------------------------------------------------------------------------------------------------------- capacity

Flow = Callable[[Context, list[Gradient]], Gradient]
# How the airflow is known: its inputs, its formula, and whether it is the supply's air that was measured.
FLOWS: dict[str, tuple[tuple[str, ...], Flow, bool]] = {
    "": (("airflow",), lambda context, x: x[0], False),
    "_from_velocity": (("supply_air_velocity",), _from_velocity, True),
    "_from_blower_table": (("return_static", "supply_static"), _from_table, False),
}
AIR_INPUTS = ("return_air_temperature", "return_air_humidity", "supply_air_temperature", "supply_air_humidity")


def _states(x: list[Gradient], p: Gradient) -> tuple[air_side.Air, air_side.Air]:
    return air_side.air(x[0], x[1], p), air_side.air(x[2], x[3], p)


def _duty(how: str, context: Context, x: list[Gradient], p: Gradient) -> tuple[air_side.Duty, Gradient]:
    names, flow, leaving_air = FLOWS[how]
    entering, leaving = _states(x[len(names) :], p)
    volume = flow(context, x[: len(names)])
    dry_air = air_side.mass_flow(volume, leaving if leaving_air else entering)
    return air_side.cooling_duty(dry_air, entering, leaving), volume


def duty(how: str, part: str) -> Formula:
    """One part of a Duty ("total", "sensible", "latent", "condensate"), the airflow known as `how` says."""

    def formula(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
        found: Gradient = getattr(_duty(how, context, x, p)[0], part)
        return found

    return written(formula)


def efficiency(how: str, *, blower_measured: bool) -> Formula:
    """Net cooling over electric power in; the last inputs are the outdoor unit's power and, if measured, the blower's.

    Between return and supply plenum the blower's heat is in the air already, so the capacity measured there is net.
    """

    def formula(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
        found, volume = _duty(how, context, x, p)
        power = x[-2] + x[-1] if blower_measured else x[-1] + volume * DEFAULT_BLOWER_W_PER_M3_S
        if not power.value >= 100.0:
            raise NotDerivable(
                "efficiency: the power is below 100 W; the system is not running, or not all is measured"
            )
        return found.total / power

    return written(formula)


sensible_heat_ratio = written(lambda context, x, p: air_side.sensible_heat_ratio(*_states(x, p)))
apparatus_dew_point = written(lambda context, x, p: air_side.apparatus_dew_point(*_states(x, p)))
bypass_factor = written(lambda context, x, p: air_side.bypass_factor(*_states(x, p)))
