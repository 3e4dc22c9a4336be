"""The catalogue of derived values: every one that lineset can compute from readings, in a fixed order.

To add one: write its formula with its partial derivatives in formulas.py, declare it here, add a test.
"""

from __future__ import annotations

from lineset.derive import formulas
from lineset.derive.declared import Derived
from lineset_drivers.quantity import Quantity

Q = Quantity

_CURVE = "inside the refrigerant's saturation curve (-61 degC to 80 degC, or 2 K below the critical point)"
_PROPERTIES = "saturation curve made from CoolProp (Bell et al. 2014, Ind. Eng. Chem. Res. 53, 2498-2508)"
_DEFINITION = "definition; common practice of the trade, no source"
_ADDED = "gauge pressure + barometric pressure"

_ROWS = (
    Derived(
        "vapor_dew_temperature", "saturation temperature (dew) at the vapor port", ("vapor_service_pressure",),
        Q.TEMPERATURE, f"dew temperature at ({_ADDED})", f"{_CURVE}; the evaporating temperature in cooling, less "
        "the pressure drop of the vapor line", _PROPERTIES, formulas.dew_temperature, needs_refrigerant=True,
    ),
    Derived(
        "liquid_bubble_temperature", "saturation temperature (bubble) at the liquid port", ("liquid_service_pressure",),
        Q.TEMPERATURE, f"bubble temperature at ({_ADDED})", f"{_CURVE}; the condensing temperature in cooling, less "
        "the pressure drop to the port", _PROPERTIES, formulas.bubble_temperature, needs_refrigerant=True,
    ),
    Derived(
        "suction_dew_temperature", "saturation temperature (dew) at the common suction port",
        ("common_suction_pressure",), Q.TEMPERATURE, f"dew temperature at ({_ADDED})",
        f"{_CURVE}; the evaporating temperature in cooling and in heating", _PROPERTIES,
        formulas.dew_temperature, needs_refrigerant=True,
    ),
    Derived(
        "discharge_dew_temperature", "saturation temperature (dew) at the discharge port", ("discharge_pressure",),
        Q.TEMPERATURE, f"dew temperature at ({_ADDED})", f"{_CURVE}; where condensing begins", _PROPERTIES,
        formulas.dew_temperature, needs_refrigerant=True,
    ),
    Derived(
        "total_superheat", "total superheat", ("vapor_service_pressure", "vapor_line_temperature"),
        Q.TEMPERATURE_DIFFERENCE, f"vapor line temperature - dew temperature at ({_ADDED})",
        f"cooling, running; {_CURVE}; measured at the outdoor unit, so it includes what the vapor line picked up; "
        "near or below zero the vapor is wet or a reading is off", f"{_DEFINITION}; {_PROPERTIES}",
        formulas.above_dew, needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "subcooling", "subcooling", ("liquid_service_pressure", "liquid_line_temperature"),
        Q.TEMPERATURE_DIFFERENCE, f"bubble temperature at ({_ADDED}) - liquid line temperature",
        f"cooling, running; {_CURVE}; can be negative: flash gas, non-condensables or a reading that is off",
        f"{_DEFINITION}; {_PROPERTIES}", formulas.below_bubble, needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "discharge_superheat", "discharge superheat", ("discharge_pressure", "discharge_line_temperature"),
        Q.TEMPERATURE_DIFFERENCE, f"discharge line temperature - dew temperature at ({_ADDED})",
        f"running; {_CURVE}", f"{_DEFINITION}; {_PROPERTIES}", formulas.above_dew,
        needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "condensing_over_outdoor", "condensing over outdoor air temperature",
        ("liquid_service_pressure", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        f"bubble temperature at ({_ADDED}) - outdoor air temperature", f"cooling, running; {_CURVE}",
        f"{_DEFINITION}; {_PROPERTIES}", formulas.below_bubble, needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "liquid_line_approach", "liquid line over outdoor air temperature",
        ("liquid_line_temperature", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        "liquid line temperature - outdoor air temperature", "cooling, running", _DEFINITION, formulas.difference,
        needs_run=True,
    ),
    Derived(
        "temperature_split", "temperature split", ("return_air_temperature", "supply_air_temperature"),
        Q.TEMPERATURE_DIFFERENCE, "return air temperature - supply air temperature",
        "blower running, both probes in mixed air; positive in cooling, negative (a rise) in heating", _DEFINITION,
        formulas.difference,
    ),
    Derived(
        "outdoor_coil_rise", "air temperature rise over the outdoor coil",
        ("condenser_leaving_temperature", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        "outdoor coil leaving air temperature - outdoor air temperature", "cooling, outdoor fan running", _DEFINITION,
        formulas.difference, needs_run=True,
    ),
    Derived(
        "compression_ratio", "compression ratio", ("discharge_pressure", "common_suction_pressure"), Q.RATIO,
        "absolute discharge pressure / absolute suction pressure", "compressor running", _DEFINITION,
        formulas.pressure_ratio, needs_run=True,
    ),
    Derived(
        "compression_ratio_estimate", "compression ratio, estimated from the service ports",
        ("liquid_service_pressure", "vapor_service_pressure"), Q.RATIO,
        "absolute liquid port pressure / absolute vapor port pressure", "compressor running in cooling; an estimate: "
        "the liquid port is below discharge pressure by the condenser's drop, the vapor port above suction by the "
        "valves'", _DEFINITION, formulas.pressure_ratio, estimate=True, needs_run=True,
    ),
    Derived(
        "herm_capacitance_under_load", "HERM capacitance under load", ("herm_lead_current", "capacitor_herm_voltage"),
        Q.CAPACITANCE, "HERM lead current / (2 pi line frequency x volts across HERM and C)",
        "compressor running; current of the capacitor's own HERM lead (never the compressor's common conductor) and "
        "voltage across the capacitor's own terminals (never line voltage), both settled in the same run",
        "reactance of an ideal capacitor; common practice of the trade", formulas.capacitance_under_load,
        paired=True, needs_run=True,
    ),
    Derived(
        "fan_capacitance_under_load", "FAN capacitance under load",
        ("fan_capacitor_lead_current", "capacitor_fan_voltage"), Q.CAPACITANCE,
        "FAN lead current / (2 pi line frequency x volts across FAN and C)",
        "outdoor fan running; current of the capacitor's own FAN lead (never the fan's common conductor) and voltage "
        "across the capacitor's own terminals (never line voltage), both settled in the same run",
        "reactance of an ideal capacitor; common practice of the trade", formulas.capacitance_under_load,
        paired=True, needs_run=True,
    ),
    *(
        Derived(
            f"{load}_apparent_power", f"{title} apparent power", (current, "line_voltage"), Q.APPARENT_POWER,
            f"{current.replace('_', ' ')} x line voltage", validity, _DEFINITION, formulas.apparent_power,
            instanced=instanced, paired=True, needs_run=runs,
        )
        for load, title, current, validity, instanced, runs in (
            (
                "compressor", "compressor", "compressor_common_current", "single phase, running; not real power", (),
                True,
            ),
            ("outdoor_fan", "outdoor fan", "outdoor_fan_current", "single phase, running; not real power", (), True),
            ("blower", "blower", "blower_current", "blower fed from the measured line; not real power", (), False),
            (
                "heat_strip", "heat strip", "heat_strip_current",
                "strip fed from the measured line; a resistance, so it is the real power too", ("heat_strip_current",),
                False,
            ),
        )
    ),
)  # fmt: skip

CATALOGUE: dict[str, Derived] = {row.name: row for row in _ROWS}
