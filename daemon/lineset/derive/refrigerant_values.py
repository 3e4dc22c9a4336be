"""Derived values of the refrigerant circuit."""

from __future__ import annotations

from lineset.derive import compressor_formulas, formulas
from lineset.derive.declared import Derived
from lineset_drivers.quantity import Quantity

Q = Quantity

CURVE = "inside the refrigerant's saturation curve (-61 degC to 80 degC, or 2 K below the critical point)"
PROPERTIES = "saturation curve made from CoolProp (Bell et al. 2014, Ind. Eng. Chem. Res. 53, 2498-2508)"
DEFINITION = "definition; common practice of the trade, no source"
_ADDED = "gauge pressure + barometric pressure"
_MAP = "ANSI/AHRI Standard 540, ten coefficients of the maker"

ROWS = (
    Derived(
        "vapor_dew_temperature", "saturation temperature (dew) at the vapor port", ("vapor_service_pressure",),
        Q.TEMPERATURE, f"dew temperature at ({_ADDED})", f"{CURVE}; the evaporating temperature in cooling, less "
        "the pressure drop of the vapor line", PROPERTIES, formulas.dew_temperature, needs_refrigerant=True,
    ),
    Derived(
        "liquid_bubble_temperature", "saturation temperature (bubble) at the liquid port", ("liquid_service_pressure",),
        Q.TEMPERATURE, f"bubble temperature at ({_ADDED})", f"{CURVE}; the condensing temperature in cooling, less "
        "the pressure drop to the port", PROPERTIES, formulas.bubble_temperature, needs_refrigerant=True,
    ),
    Derived(
        "suction_dew_temperature", "saturation temperature (dew) at the common suction port",
        ("common_suction_pressure",), Q.TEMPERATURE, f"dew temperature at ({_ADDED})",
        f"{CURVE}; the evaporating temperature in cooling and in heating", PROPERTIES,
        formulas.dew_temperature, needs_refrigerant=True,
    ),
    Derived(
        "discharge_dew_temperature", "saturation temperature (dew) at the discharge port", ("discharge_pressure",),
        Q.TEMPERATURE, f"dew temperature at ({_ADDED})", f"{CURVE}; where condensing begins", PROPERTIES,
        formulas.dew_temperature, needs_refrigerant=True,
    ),
    Derived(
        "total_superheat", "total superheat", ("vapor_service_pressure", "vapor_line_temperature"),
        Q.TEMPERATURE_DIFFERENCE, f"vapor line temperature - dew temperature at ({_ADDED})",
        f"cooling, running; {CURVE}; measured at the outdoor unit, so it includes what the vapor line picked up; "
        "near or below zero the vapor is wet or a reading is off", f"{DEFINITION}; {PROPERTIES}",
        formulas.superheat, needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "subcooling", "subcooling", ("liquid_service_pressure", "liquid_line_temperature"),
        Q.TEMPERATURE_DIFFERENCE, f"bubble temperature at ({_ADDED}) - liquid line temperature",
        f"cooling, running; {CURVE}; can be negative: flash gas, non-condensables or a reading that is off",
        f"{DEFINITION}; {PROPERTIES}", formulas.subcooling, needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "discharge_superheat", "discharge superheat", ("discharge_pressure", "discharge_line_temperature"),
        Q.TEMPERATURE_DIFFERENCE, f"discharge line temperature - dew temperature at ({_ADDED})",
        f"running; {CURVE}", f"{DEFINITION}; {PROPERTIES}", formulas.superheat,
        needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "discharge_superheat_estimate", "discharge superheat, from the liquid port",
        ("liquid_service_pressure", "discharge_line_temperature"), Q.TEMPERATURE_DIFFERENCE,
        f"discharge line temperature - dew temperature at ({_ADDED})",
        f"running in cooling; {CURVE}; an estimate: the liquid port lies below discharge pressure by the condenser's "
        "drop, so that it reads some 1 K high", f"{DEFINITION}; {PROPERTIES}", formulas.above_dew, estimate=True,
        needs_refrigerant=True, needs_run=True, needs_mode=("cool",),
    ),
    Derived(
        "condensing_over_outdoor", "condensing over outdoor air temperature",
        ("liquid_service_pressure", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        f"bubble temperature at ({_ADDED}) - outdoor air temperature", f"cooling, running; {CURVE}",
        f"{DEFINITION}; {PROPERTIES}", formulas.below_bubble, needs_refrigerant=True, needs_run=True,
    ),
    Derived(
        "liquid_line_approach", "liquid line over outdoor air temperature",
        ("liquid_line_temperature", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        "liquid line temperature - outdoor air temperature", "cooling, running", DEFINITION, formulas.difference,
        needs_run=True,
    ),
    Derived(
        "outdoor_coil_rise", "air temperature rise over the outdoor coil",
        ("condenser_leaving_temperature", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        "outdoor coil leaving air temperature - outdoor air temperature", "cooling, outdoor fan running", DEFINITION,
        formulas.difference, needs_run=True,
    ),
    Derived(
        "compression_ratio", "compression ratio", ("discharge_pressure", "common_suction_pressure"), Q.RATIO,
        "absolute discharge pressure / absolute suction pressure", "compressor running", DEFINITION,
        formulas.pressure_ratio, needs_run=True,
    ),
    Derived(
        "compression_ratio_estimate", "compression ratio, estimated from the service ports",
        ("liquid_service_pressure", "vapor_service_pressure"), Q.RATIO,
        "absolute liquid port pressure / absolute vapor port pressure", "compressor running in cooling; an estimate: "
        "the liquid port is below discharge pressure by the condenser's drop, the vapor port above suction by the "
        "valves'", DEFINITION, formulas.pressure_ratio, estimate=True, needs_run=True,
    ),
    Derived(
        "condensing_glide", "glide at the liquid port's pressure", ("liquid_service_pressure",),
        Q.TEMPERATURE_DIFFERENCE, f"dew - bubble temperature at ({_ADDED})",
        f"{CURVE}; nought for a pure refrigerant; an evaporator sees part of its own only, since refrigerant enters it "
        "partly boiled", PROPERTIES, formulas.glide, needs_refrigerant=True,
    ),
    Derived(
        "evaporator_temperature_difference", "return air over evaporating temperature, from the vapor port",
        ("vapor_service_pressure", "return_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        f"return air temperature - dew temperature at ({_ADDED})",
        f"cooling, running; {CURVE}; an estimate: the evaporator's pressure is above the port's by the vapor line's "
        "drop, some 1 K of saturation temperature", f"{DEFINITION}; {PROPERTIES}", formulas.above_dew,
        needs_refrigerant=True, needs_run=True, estimate=True, needs_mode=("cool",),
    ),
    Derived(
        "standing_over_outdoor", "saturation temperature of the standing pressure over outdoor air",
        ("vapor_service_pressure", "outdoor_air_temperature"), Q.TEMPERATURE_DIFFERENCE,
        f"bubble temperature at ({_ADDED}) - outdoor air temperature",
        f"{CURVE}; only after a stop so long that coils, lines and air are of one temperature, the outdoor coil out of "
        "the sun, liquid still in the system; of a blend the truth lies up to its glide higher; clearly above nought "
        "suggests non-condensables, clearly below an empty system or unequal temperatures; in a visit only while each "
        "line that is read is within 3 K of the outdoor air",
        f"{DEFINITION}; {PROPERTIES}", formulas.below_bubble, needs_refrigerant=True, needs_stopped=True,
    ),
    *(
        Derived(
            f"compressor_map_{name}{suffix}", f"{title} by the compressor's map{words}", ports, quantity,
            f"ten-coefficient polynomial of the dew temperatures at ({_ADDED})",
            "compressor running, fixed speed; at the superheat and subcooling of the map's own rating, within 5 % of a "
            f"new compressor{more}", f"{_MAP}; {PROPERTIES}", compressor_formulas.of_map(field),
            needs_refrigerant=True, needs_run=True, needs_nameplate=("compressor_map",), estimate=bool(suffix),
            as_range=True, each_second=True,
        )
        for suffix, words, ports, more in (
            ("", "", ("discharge_pressure", "common_suction_pressure"), ""),
            (
                "_estimate", ", from the service ports", ("liquid_service_pressure", "vapor_service_pressure"),
                "; an estimate: the liquid port lies below discharge pressure by the condenser's drop, and the vapor "
                "port above suction pressure",
            ),
        )
        for name, title, field, quantity in (
            ("power", "compressor power", "power_w", Q.POWER),
            ("mass_flow", "refrigerant mass flow", "mass_flow_kg_s", Q.MASS_FLOW),
            ("current", "compressor current", "current_a", Q.CURRENT),
        )
    ),
)  # fmt: skip
