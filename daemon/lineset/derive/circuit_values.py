"""Derived values of the refrigerant side: states, mass flow and capacity. All as ranges, never a verdict's subject."""

from __future__ import annotations

from typing import NamedTuple

from lineset.derive import circuit_formulas as circuit
from lineset.derive.declared import Derived, Formula
from lineset.derive.refrigerant_values import DEFINITION, PROPERTIES
from lineset_drivers.quantity import Quantity

Q = Quantity
_STATE = (
    f"enthalpy counted from 200 kJ/kg in the saturated liquid at 0 degC; only differences mean anything; {PROPERTIES}"
)
_VAPOR = (
    "cooling, running; superheated vapor of -45 to 67 degC dew temperature, up to 130 degC: at or below the dew "
    "temperature the vapor is wet and its state unknown; oil not counted"
)
_LIQUID = (
    "cooling, running; liquid of 0 to 67 degC bubble temperature, up to 40 K below it: above the bubble temperature "
    "the line holds vapor and its state is unknown; oil not counted"
)
_NO_VERDICT = (
    "a range, and no verdict; cooling, steady, one fixed-speed compressor without vapor injection; between the outdoor "
    "unit's valves, so that heat taken up by the vapor line counts and the blower's heat is not taken off; oil in "
    "circulation and pressure drops are covered by the interval, not modelled"
)
_VAPOR_LINE = ("vapor_service_pressure", "vapor_line_temperature")
_LIQUID_LINE = ("liquid_service_pressure", "liquid_line_temperature")


class _Way(NamedTuple):
    """One way to a mass flow: its names, inputs, formulas and words."""

    name: str
    title: str
    inputs: tuple[str, ...]
    own_liquid_port: bool
    flow: Formula
    capacity: Formula
    formula: str
    validity: str
    source: str
    estimate: bool = False
    nameplate: tuple[str, ...] = ()


_BALANCE = (
    f"energy balance; the shell loses {circuit.HEAT_LOSS:.0%} +/- {circuit.HEAT_LOSS_HALF_WIDTH:.0%} of the power "
    f"(from memory; 2 and 3 % measured in J. Eng. Development 18(5), 2014); {PROPERTIES}"
)
_CORRECTED = (
    "ANSI/AHRI Standard 540, ten coefficients of the maker; correction for suction density by Dabiri and Rice 1981, "
    f"ASHRAE Transactions 87(2), 771-782 (from memory); {PROPERTIES}"
)
_PORTS_ESTIMATE = (
    "an estimate: the liquid port lies below discharge pressure by the condenser's drop, and the vapor port above "
    "suction pressure"
)
_RATED = (
    "the map's mass flow x (1 + 0.75 (suction density / density at the map's rated superheat - 1)), rated superheat 20 "
    "degF unless the sheet's is given"
)
_WAYS = (
    _Way(
        "from_power", "from compressor power",
        ("compressor_power", "discharge_pressure", "discharge_line_temperature", "common_suction_pressure",
         "vapor_line_temperature"),
        True, circuit.flow_from_power(whole_unit=False),
        circuit.capacity_from_power(whole_unit=False, own_liquid_port=True),
        "0.95 x compressor power / (discharge - suction enthalpy)",
        "power of the compressor alone; discharge clamp close to the compressor and insulated", _BALANCE,
    ),
    _Way(
        "from_power_estimate", "from the outdoor unit's power",
        ("power", "liquid_service_pressure", "discharge_line_temperature", *_VAPOR_LINE),
        False, circuit.flow_from_power(whole_unit=True),
        circuit.capacity_from_power(whole_unit=True, own_liquid_port=False),
        "0.95 x 0.92 x power of the outdoor unit / (discharge - suction enthalpy)",
        "the fan's share of the power is assumed as 8 +/- 3 %; discharge clamp close to the compressor and insulated; "
        f"{_PORTS_ESTIMATE}", _BALANCE, estimate=True,
    ),
    _Way(
        "from_map", "from the compressor's map",
        ("discharge_pressure", "common_suction_pressure", "vapor_line_temperature"),
        True, circuit.flow_from_map, circuit.capacity_from_map(own_liquid_port=True), _RATED,
        "a compressor like new, within 5 % of its map", _CORRECTED, nameplate=("compressor_map",),
    ),
    _Way(
        "from_map_estimate", "from the compressor's map and the service ports",
        ("liquid_service_pressure", *_VAPOR_LINE),
        False, circuit.flow_from_map, circuit.capacity_from_map(own_liquid_port=False), _RATED,
        f"a compressor like new, within 5 % of its map; {_PORTS_ESTIMATE}", _CORRECTED, estimate=True,
        nameplate=("compressor_map",),
    ),
)  # fmt: skip


def _state(
    name: str, title: str, inputs: tuple[str, ...], quantity: Quantity, formula: str, validity: str, compute: Formula,
    *, estimate: bool = False,
) -> Derived:  # fmt: skip
    return Derived(
        name, title, inputs, quantity, formula, validity, PROPERTIES if quantity is Q.DENSITY else _STATE, compute,
        needs_refrigerant=True, needs_run=True, needs_mode=("cool",), estimate=estimate, each_second=True,
    )  # fmt: skip


ROWS = (
    _state(
        "suction_density", "suction density at the vapor valve", _VAPOR_LINE, Q.DENSITY,
        "density of the vapor at its pressure and temperature", _VAPOR, circuit.vapor_density,
    ),
    _state(
        "suction_enthalpy", "suction enthalpy at the vapor valve", _VAPOR_LINE, Q.REFRIGERANT_ENTHALPY,
        "enthalpy of the vapor at its pressure and temperature", _VAPOR, circuit.vapor_enthalpy,
    ),
    _state(
        "discharge_enthalpy", "discharge enthalpy", ("discharge_pressure", "discharge_line_temperature"),
        Q.REFRIGERANT_ENTHALPY, "enthalpy of the vapor at its pressure and temperature", _VAPOR, circuit.vapor_enthalpy,
    ),
    _state(
        "discharge_enthalpy_estimate", "discharge enthalpy, from the liquid port",
        ("liquid_service_pressure", "discharge_line_temperature"), Q.REFRIGERANT_ENTHALPY,
        "enthalpy of the vapor at the liquid port's pressure and the discharge temperature",
        f"{_VAPOR}; an estimate: the liquid port lies below discharge pressure by the condenser's drop",
        circuit.vapor_enthalpy, estimate=True,
    ),
    _state(
        "liquid_enthalpy", "liquid enthalpy at the liquid valve", _LIQUID_LINE, Q.REFRIGERANT_ENTHALPY,
        "enthalpy of the liquid at its pressure and temperature", _LIQUID, circuit.liquid_enthalpy,
    ),
    _state(
        "refrigerating_effect", "heat taken up by the refrigerant from valve to valve", (*_VAPOR_LINE, *_LIQUID_LINE),
        Q.REFRIGERANT_ENTHALPY, "suction enthalpy at the vapor valve - liquid enthalpy at the liquid valve",
        f"{_VAPOR}; {_LIQUID}", circuit.refrigerating_effect,
    ),
    *(
        Derived(
            f"refrigerant_mass_flow_{way.name}", f"refrigerant mass flow {way.title}", way.inputs, Q.MASS_FLOW,
            way.formula, f"{way.validity}; {_NO_VERDICT}", way.source, way.flow, needs_refrigerant=True,
            needs_run=True, needs_mode=("cool",), needs_nameplate=way.nameplate, estimate=way.estimate, as_range=True,
            each_second=True,
        )
        for way in _WAYS
    ),
    *(
        Derived(
            f"refrigerant_capacity_{way.name}", f"refrigerant-side capacity {way.title}",
            (*way.inputs, *(_LIQUID_LINE if way.own_liquid_port else _LIQUID_LINE[1:])), Q.HEAT_RATE,
            f"mass flow x (suction - liquid enthalpy); mass flow = {way.formula}", f"{way.validity}; {_NO_VERDICT}",
            f"{DEFINITION}; {way.source}", way.capacity, needs_refrigerant=True, needs_run=True, needs_mode=("cool",),
            needs_nameplate=way.nameplate, estimate=way.estimate, as_range=True, each_second=True,
        )
        for way in _WAYS
    ),
)  # fmt: skip
