"""Derived values of the air side: states of the air, static, airflow, capacity, efficiency."""

from __future__ import annotations

from lineset.derive import air_formulas as air
from lineset.derive import formulas
from lineset.derive.declared import Derived
from lineset_drivers.quantity import Quantity

Q = Quantity
_DEFINITION = "definition; common practice of the trade, no source"
_REAL = (
    "real moist air: virial coefficients of Hyland and Wexler 1983 (ASHRAE Transactions 89(2A)), saturation of IAPWS "
    "SR1-86 and R14-08"
)
_AIR = "-40 to 80 degC, at the site's pressure; below 0 degC over ice"
_RANGE = (
    "a range, near +/- 20 % with ordinary probes, and no verdict; cooling, steady, both probes in mixed air; between "
    "return and supply plenum it is net of the blower's heat"
)
_HANDBOOK = f"ASHRAE Handbook Fundamentals, chapter 1, moist air cooling and dehumidification; {_REAL}"

# property -> (title, quantity, formula, what it holds for beyond the range of moist air)
_OF_HUMIDITY = {
    "wet_bulb": ("wet bulb", Q.TEMPERATURE, "adiabatic saturation temperature",
                 "a ventilated wick reads within some 0.2 K of it"),
    "dew_point": ("dew point", Q.TEMPERATURE, "temperature at which air of this humidity ratio is saturated",
                  "the frost point below 0 degC"),
    "humidity_ratio": ("humidity ratio", Q.HUMIDITY_RATIO,
                       "0.621945 x / (1 - x), x = relative humidity x enhancement factor x saturation pressure / "
                       "barometric pressure", "per mass of dry air"),
    "enthalpy": ("enthalpy", Q.ENTHALPY, "enthalpy of dry air and vapor as a real mixture",
                 "per mass of dry air; Btu/lb counts dry air from 0 degF, kJ/kg from 0 degC"),
    "air_density": ("air density", Q.DENSITY, "(1 + humidity ratio) / volume per mass of dry air", "of the moist air"),
}  # fmt: skip
_OF_WET_BULB = {
    "humidity": ("relative humidity", Q.RELATIVE_HUMIDITY, "vapor's mole fraction over that at saturation"),
    "dew_point": ("dew point", Q.TEMPERATURE, "temperature at which air of this humidity ratio is saturated"),
    "humidity_ratio": ("humidity ratio", Q.HUMIDITY_RATIO, "the air's that saturates to this wet bulb adiabatically"),
    "enthalpy": ("enthalpy", Q.ENTHALPY, "enthalpy of dry air and vapor as a real mixture"),
}

_FLOW_WORDS = {
    "": ("", "airflow at the return air's state"),
    "_from_velocity": (", airflow from velocity", "airflow from the supply duct's mean velocity and its free area"),
    "_from_blower_table": (
        ", airflow from the blower table",
        "airflow from the maker's blower table at the total external static",
    ),
}
_FLOW_NAMEPLATE = {"": (), "_from_velocity": ("duct_area_m2",), "_from_blower_table": ("blower_table",)}
_PARTS = (
    ("total_capacity", "total capacity", "total", Q.HEAT_RATE,
     "dry air flow x ((h1 - h2) - (w1 - w2) x enthalpy of the condensate)"),
    ("sensible_capacity", "sensible capacity", "sensible", Q.HEAT_RATE,
     "dry air flow x enthalpy difference at the supply air's humidity ratio"),
    ("latent_capacity", "latent capacity", "latent", Q.HEAT_RATE, "total - sensible capacity"),
    ("condensate_rate", "condensate rate", "condensate", Q.MASS_FLOW, "dry air flow x (w1 - w2)"),
)  # fmt: skip

ROWS = (
    Derived(
        "temperature_split", "temperature split", ("return_air_temperature", "supply_air_temperature"),
        Q.TEMPERATURE_DIFFERENCE, "return air temperature - supply air temperature",
        "blower running, both probes in mixed air; positive in cooling, negative (a rise) in heating", _DEFINITION,
        formulas.difference,
    ),
    *(
        Derived(
            f"{side}_{name}", f"{side} air {title.removeprefix('air ')}",
            (f"{side}_air_temperature", f"{side}_air_humidity"), quantity, formula, f"{_AIR}; {more}", _REAL,
            air.state_of(air.OF_HUMIDITY[name]),
        )
        for side in ("return", "supply")
        for name, (title, quantity, formula, more) in _OF_HUMIDITY.items()
    ),
    *(
        Derived(
            f"{side}_{name}_from_wet_bulb", f"{side} air {title}, from its wet bulb",
            (f"{side}_air_temperature", f"{side}_air_wet_bulb"), quantity, formula,
            f"{_AIR}; the wick wet, clean and in moving air", _REAL, air.state_of(air.OF_WET_BULB[name]),
        )
        for side in ("return", "supply")
        for name, (title, quantity, formula) in _OF_WET_BULB.items()
    ),
    Derived(
        "total_external_static", "total external static pressure", ("return_static", "supply_static"),
        Q.PRESSURE_DIFFERENCE, "supply static - return static, each against the room",
        "blower running at the tap in question, filter and panels in place; the return's reading is negative; outside "
        "the cabinet: between its openings", _DEFINITION, air.total_external_static,
    ),
    Derived(
        "airflow_from_heat_rise", "airflow from electric heat rise",
        ("heat_strip_feed_current", "air_handler_voltage", "return_air_temperature", "supply_air_temperature"),
        Q.VOLUME_FLOW, "current x voltage x volume of the return air / (enthalpy of the supply - of the return air)",
        "at the return air's state and for this blower tap only; strips on and steady, no cooling, coil dry, supply "
        "probe out of the strips' sight, all heat into the air; current and voltage read at one moment; humidity "
        "taken as 0.007 kg/kg, which changes it by less than 0.2 %",
        f"energy balance; common practice of the trade, no source; {_REAL}", air.airflow_from_heat_rise,
        needs_mode=("heat", "emergency"),
    ),
    Derived(
        "airflow_from_rated_heat_rise", "airflow from the strips' rated heat",
        ("air_handler_voltage", "return_air_temperature", "supply_air_temperature"), Q.VOLUME_FLOW,
        "rated power x (voltage / rated voltage) squared x volume of the return air / enthalpy rise",
        "as the airflow from electric heat rise, all strips of the nameplate energised; an estimate: strips differ "
        "from their rating by 5 % or more, and the blower's own heat is left out",
        f"energy balance; common practice of the trade, no source; {_REAL}", air.airflow_from_rated_heat_rise,
        estimate=True, needs_nameplate=("heat_strip_w",), needs_mode=("heat", "emergency"),
    ),
    Derived(
        "airflow_from_velocity", "airflow from velocity", ("supply_air_velocity",), Q.VOLUME_FLOW,
        "mean velocity x free area of the duct",
        "the mean of a traverse in a straight run; at the supply air's state", _DEFINITION, air.airflow_from_velocity,
        needs_nameplate=("duct_area_m2",),
    ),
    Derived(
        "airflow_from_blower_table", "airflow from the blower table", ("return_static", "supply_static"),
        Q.VOLUME_FLOW, "maker's airflow at the total external static, straight between the table's rows",
        "a clean blower at the tap of the table, static measured where the maker measures it; not beyond its ends",
        "the maker's table; definition", air.airflow_from_blower_table, needs_nameplate=("blower_table",),
    ),
    *(
        Derived(
            f"{name}{how}", f"{title}{_FLOW_WORDS[how][0]}", (*air.FLOWS[how][0], *air.AIR_INPUTS), quantity,
            f"{formula}; {_FLOW_WORDS[how][1]}", _RANGE, _HANDBOOK, air.duty(how, part), as_range=True,
            each_second=True, needs_mode=("cool",), needs_nameplate=_FLOW_NAMEPLATE[how],
        )
        for how in air.FLOWS
        for name, title, part, quantity, formula in _PARTS
    ),
    *(
        Derived(
            f"cooling_efficiency{how}", f"cooling efficiency{_FLOW_WORDS[how][0]}",
            (*air.FLOWS[how][0], *air.AIR_INPUTS, "power", "blower_power"), Q.EFFICIENCY,
            f"total capacity / (outdoor unit's + blower's power); {_FLOW_WORDS[how][1]}",
            f"{_RANGE}; as COP, or times 3.412 as EER; at the conditions of the moment, not of a rating", _HANDBOOK,
            air.efficiency(how, blower_measured=True), as_range=True, needs_run=True, needs_mode=("cool",),
            each_second=True, needs_nameplate=_FLOW_NAMEPLATE[how],
        )
        for how in air.FLOWS
    ),
    Derived(
        "cooling_efficiency_estimate", "cooling efficiency, blower's power assumed",
        (*air.FLOWS[""][0], *air.AIR_INPUTS, "power"), Q.EFFICIENCY,
        "total capacity / (outdoor unit's power + 365 W per 1000 cfm for the blower)",
        f"{_RANGE}; the blower's power is assumed (10 CFR 430 subpart B appendix M, from memory) and may be half or "
        "twice that", _HANDBOOK, air.efficiency("", blower_measured=False), estimate=True, as_range=True,
        each_second=True, needs_run=True, needs_mode=("cool",),
    ),
    Derived(
        "sensible_heat_ratio", "sensible heat ratio", air.AIR_INPUTS, Q.RATIO, "sensible / total capacity",
        "cooling, steady; needs no airflow; two humidity probes that disagree by 3 % move it by some 0.1", _HANDBOOK,
        air.sensible_heat_ratio, as_range=True, each_second=True, needs_mode=("cool",),
    ),
    Derived(
        "apparatus_dew_point", "apparatus dew point", air.AIR_INPUTS, Q.TEMPERATURE,
        "where the line from return to supply state meets saturation",
        "cooling with a wet coil; none where the line misses saturation", f"definition (from memory); {_REAL}",
        air.apparatus_dew_point, as_range=True, each_second=True, needs_mode=("cool",),
    ),
    Derived(
        "bypass_factor", "bypass factor", air.AIR_INPUTS, Q.RATIO,
        "(supply air - apparatus dew point) / (return air - apparatus dew point)",
        "cooling with a wet coil; very sensitive to the supply air's humidity", f"definition (from memory); {_REAL}",
        air.bypass_factor, as_range=True, each_second=True, needs_mode=("cool",),
    ),
)  # fmt: skip
