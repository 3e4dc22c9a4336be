"""What each fault means, what to do next, and what would tell it from another: the words of a diagnosis."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from lineset.assess.cause import Kind
from lineset.assess.signs import Fault


class Words(NamedTuple):
    """Title, kind, meaning and next step of one cause."""

    title: str
    kind: Kind
    meaning: str
    next_step: str


_CHARGE = (
    "rule out low indoor airflow and a dirty coil first; then follow the maker's charging procedure at its conditions"
)
FAULT_WORDS: Mapping[str, Words] = MappingProxyType(
    {
        Fault.LOW_INDOOR_AIRFLOW: Words(
            "Too little indoor air",
            Kind.AIR,
            "the indoor coil gets too little air: filter, coil, blower, closed registers or ducts",
            "look at the filter, then the coil's face, the blower's wheel and tap, registers and ducts; measure static "
            "pressures",
        ),
        Fault.OUTDOOR_COIL: Words(
            "The outdoor coil rejects its heat badly",
            Kind.AIR,
            "a dirty or blocked outdoor coil, or an outdoor fan that moves too little air",
            "look at the coil's faces between the fins, at what stands near it, at the fan's blade, speed and "
            "capacitor; clean with the power off and let the coil dry before judging anew",
        ),
        Fault.NON_CONDENSABLES: Words(
            "Gas that does not condense in the system",
            Kind.REFRIGERANT,
            "air or nitrogen in the circuit adds its pressure to that of the refrigerant",
            "with the compressor off and all temperatures equalised, hold standing pressure against saturation at the "
            "outdoor temperature; if it stands above, what follows is the maker's procedure of recovery and evacuation",
        ),
        Fault.RESTRICTION: Words(
            "A restriction in the liquid line",
            Kind.REFRIGERANT,
            "liquid backs up ahead of a clogged drier, a kinked line or a stuck metering device, and the indoor coil "
            "starves",
            "feel and measure along the liquid line for a drop in temperature across drier, kinks and screens",
        ),
        Fault.VALVE_LEAK: Words(
            "The compressor pumps too little",
            Kind.REFRIGERANT,
            "gas leaks back in the compressor (valves, scrolls), or through a reversing valve",
            "on a heat pump compare the temperatures at the reversing valve's suction ports; then measure the "
            "compressor's current and discharge temperature against the maker's figures at these conditions",
        ),
        Fault.HIGH_CHARGE: Words(
            "Signs of too much refrigerant",
            Kind.REFRIGERANT,
            "more liquid than the outdoor coil should hold",
            f"{_CHARGE}; a standing-pressure reading rules out gas that does not condense",
        ),
        Fault.LOW_CHARGE: Words(
            "Signs of too little refrigerant",
            Kind.REFRIGERANT,
            "less liquid than the system needs; refrigerant does not wear out, so if the charge is low it leaks",
            f"{_CHARGE}; look for the leak before anything else is decided",
        ),
    }
)

# point that is off -> (cause id, title, what to do)
OFF_WORDS: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "vapor_service_pressure": (
            "vapor_gauge_off",
            "The vapor-side gauge reads off",
            "take the hose off and look whether it reads zero; set its zero; or compare both gauges on one port",
        ),
        "liquid_service_pressure": (
            "liquid_gauge_off",
            "The liquid-side gauge reads off",
            "take the hose off and look whether it reads zero; set its zero; or compare both gauges on one port",
        ),
        "vapor_line_temperature": (
            "vapor_line_probe_off",
            "The vapor line probe does not feel the pipe",
            "clean the pipe, seat the clamp, insulate over it, and keep it out of the sun",
        ),
        "liquid_line_temperature": (
            "liquid_line_probe_off",
            "The liquid line probe does not feel the pipe",
            "clean the pipe, seat the clamp, insulate over it, and keep it out of the sun",
        ),
        "outdoor_air_temperature": (
            "outdoor_air_probe_off",
            "The outdoor air probe does not feel the air that enters the coil",
            "hang it in the shade, in the air that enters the coil, away from what it blows out",
        ),
        "supply_air_temperature": (
            "supply_air_probe_off",
            "The supply air probe is not in mixed air",
            "move it downstream, out of sight of the coil, to the middle of the duct; read several places",
        ),
        "return_air_temperature": (
            "return_air_probe_off",
            "The return air probe is not in mixed air",
            "put it at the blower's return side, past every branch and leak; read several places",
        ),
        "discharge_line_temperature": (
            "discharge_line_probe_off",
            "The discharge line probe does not feel the pipe",
            "seat the clamp on bare pipe within a hand's breadth of the compressor and insulate over it",
        ),
        "condenser_leaving_temperature": (
            "condenser_leaving_probe_off",
            "The probe in the outdoor coil's leaving air is not in mixed air",
            "hold it over the fan, halfway between hub and rim, and read several places",
        ),
    }
)

# what to read next for a feature that is missing
MEASURE: Mapping[str, str] = MappingProxyType(
    {
        "evaporating": "the vapor port's pressure",
        "superheat": "vapor line temperature at the vapor valve, with its pressure",
        "condensing": "the liquid port's pressure, with outdoor air",
        "subcooling": "liquid line temperature at the liquid valve, with its pressure",
        "discharge": "the discharge line's temperature near the compressor",
        "compression_heat": "the discharge line's temperature near the compressor",
        "coil_rise": "the air leaving the outdoor coil",
        "split": "supply air temperature, in mixed air",
        "filter_drop": "the pressure drop across the filter",
        "coil_drop": "the pressure drop across the indoor coil",
        "external_static": "return and supply static pressure",
        "standing_vapor": "the standing pressures, with the compressor off and all temperatures equalised",
        "standing_liquid": "the standing pressures, with the compressor off and all temperatures equalised",
    }
)

PAIRS: Mapping[frozenset[str], str] = MappingProxyType(
    {
        frozenset({Fault.HIGH_CHARGE, Fault.NON_CONDENSABLES}): MEASURE["standing_liquid"],
        frozenset({Fault.OUTDOOR_COIL, Fault.HIGH_CHARGE}): MEASURE["coil_rise"],
        frozenset({Fault.OUTDOOR_COIL, Fault.NON_CONDENSABLES}): MEASURE["coil_rise"],
        frozenset(
            {Fault.RESTRICTION, Fault.LOW_CHARGE}
        ): "the liquid line's temperature before and after the drier and at the indoor coil",
        frozenset({Fault.LOW_INDOOR_AIRFLOW, Fault.HIGH_CHARGE}): MEASURE["external_static"],
        frozenset({Fault.LOW_INDOOR_AIRFLOW, Fault.LOW_CHARGE}): MEASURE["external_static"],
        frozenset({Fault.LOW_INDOOR_AIRFLOW, Fault.RESTRICTION}): MEASURE["external_static"],
        frozenset({Fault.VALVE_LEAK, Fault.HIGH_CHARGE}): MEASURE["compression_heat"],
    }
)
