"""What `lineset calc` takes: an option for each kind of reading, and the short names of what can be asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace

from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Derived
from lineset.equipment.points import POINTS
from lineset_drivers.quantity import Quantity

Q = Quantity


@dataclass(frozen=True, slots=True)
class Option:
    """One option of the command: how it is typed, what it measures, and which points it can stand for."""

    flag: str
    quantity: Quantity
    points: tuple[str, ...]
    title: str


_POINT_OF = {
    "vapor_pressure": "vapor_service_pressure",
    "vapor_temperature": "vapor_line_temperature",
    "liquid_pressure": "liquid_service_pressure",
    "liquid_temperature": "liquid_line_temperature",
    "suction_pressure": "common_suction_pressure",
    "discharge_pressure": "discharge_pressure",
    "discharge_temperature": "discharge_line_temperature",
    "outdoor_air": "outdoor_air_temperature",
    "leaving_air": "condenser_leaving_temperature",
    "return_air": "return_air_temperature",
    "return_humidity": "return_air_humidity",
    "return_wet_bulb": "return_air_wet_bulb",
    "supply_air": "supply_air_temperature",
    "supply_humidity": "supply_air_humidity",
    "supply_wet_bulb": "supply_air_wet_bulb",
    "return_static": "return_static",
    "supply_static": "supply_static",
    "velocity": "supply_air_velocity",
    "airflow": "airflow",
    "power": "power",
    "compressor_power": "compressor_power",
    "blower_power": "blower_power",
    "contactor_drop": "contactor_drop",
    "start_voltage": "compressor_inrush_voltage",
    "voltage_ab": "line_voltage_ab",
    "voltage_bc": "line_voltage_bc",
    "voltage_ca": "line_voltage_ca",
}
# One option for every conductor or capacitor: what is asked for says which one it is.
_ANY_OF = (("current", Q.CURRENT), ("voltage", Q.VOLTAGE), ("capacitance", Q.CAPACITANCE))
# Places that are no point of a system.
_ANYWHERE = (
    ("pressure", Q.PRESSURE_GAUGE, "gauge pressure"),
    ("air", Q.TEMPERATURE, "air temperature"),
    ("humidity", Q.RELATIVE_HUMIDITY, "relative humidity"),
    ("wet_bulb", Q.TEMPERATURE, "wet bulb"),
)


def _flag(key: str) -> str:
    return "--" + key.replace("_", "-")


def _options() -> dict[str, Option]:
    found = {
        key: Option(_flag(key), POINTS[name].quantity, (name,), POINTS[name].title) for key, name in _POINT_OF.items()
    }
    own = set(_POINT_OF.values())
    for key, quantity in _ANY_OF:
        names = (p for row in CATALOGUE.values() for p in row.inputs if POINTS[p].quantity is quantity and p not in own)
        found[key] = Option(_flag(key), quantity, (*dict.fromkeys(names), key), key)
    for key, quantity, title in _ANYWHERE:
        found[key] = Option(_flag(key), quantity, (key,), title)
    return found


OPTIONS = _options()
KEY_OF = {name: key for key, option in OPTIONS.items() for name in option.points}
# What a reading ought to be: see calc_targets.py.
TARGET_NAMES = ("target_superheat", "target_split", "target_subcooling")
# What stands at no point of a system, and the value of the catalogue that it is worked out like.
LIKE: dict[str, str] = {}


def _at(name: str, inputs: tuple[str, ...], like: str, title: str, validity: str = "", formula: str = "") -> Derived:
    base = CATALOGUE[like]
    LIKE[name] = like
    return replace(
        base, name=name, inputs=inputs, title=title, validity=validity or base.validity,
        formula=formula or base.formula, instanced=(),
    )  # fmt: skip


_ANY_PORT = (
    "inside the refrigerant's saturation curve; the pressure says nothing about which state the refrigerant is in"
)
_CAPACITOR = (
    "motor running; current of the capacitor's own lead (never a motor's common conductor) and voltage across the "
    "capacitor's own terminals (never line voltage)"
)


def _air(part: str, title: str, *, dry: bool = True, wick: bool = True) -> tuple[Derived, ...]:
    """A property of the air: returning, supplied, or anywhere, by its humidity or by its wet bulb."""
    found: list[Derived] = []
    if dry:
        found += [CATALOGUE[f"{side}_{part}"] for side in ("return", "supply")]
        found.append(_at(f"air_{part.removeprefix('air_')}", ("air", "humidity"), f"return_{part}", title))
    if wick:
        found += [CATALOGUE[f"{side}_{part}_from_wet_bulb"] for side in ("return", "supply")]
        like = f"return_{part}_from_wet_bulb"
        found.append(_at(f"air_{part}_from_wet_bulb", ("air", "wet_bulb"), like, f"{title}, from a wet bulb"))
    return tuple(found)


def _by_airflow(name: str) -> tuple[Derived, ...]:
    return tuple(CATALOGUE[f"{name}{how}"] for how in ("", "_from_velocity", "_from_blower_table"))


def _by_refrigerant(what: str) -> tuple[Derived, ...]:
    ways = ("from_power", "from_power_estimate", "from_map", "from_map_estimate")
    return tuple(CATALOGUE[f"refrigerant_{what}_{way}"] for way in ways)


# Short names: the first candidate whose inputs are all given answers.
SHORT: dict[str, tuple[Derived, ...]] = {
    "superheat": (CATALOGUE["total_superheat"],),
    "split": (CATALOGUE["temperature_split"],),
    "dew": (
        CATALOGUE["vapor_dew_temperature"],
        CATALOGUE["suction_dew_temperature"],
        CATALOGUE["discharge_dew_temperature"],
        *(
            _at("dew_temperature", (name,), "vapor_dew_temperature", "dew temperature", _ANY_PORT)
            for name in ("liquid_service_pressure", "pressure")
        ),
    ),
    "bubble": (
        CATALOGUE["liquid_bubble_temperature"],
        *(
            _at("bubble_temperature", (name,), "liquid_bubble_temperature", "bubble temperature", _ANY_PORT)
            for name in ("vapor_service_pressure", "common_suction_pressure", "discharge_pressure", "pressure")
        ),
    ),
    "glide": (
        CATALOGUE["condensing_glide"],
        *(
            _at("glide", (name,), "condensing_glide", "glide", _ANY_PORT)
            for name in ("vapor_service_pressure", "common_suction_pressure", "discharge_pressure", "pressure")
        ),
    ),
    "standing": (CATALOGUE["standing_over_outdoor"],),
    "evaporator_difference": (CATALOGUE["evaporator_temperature_difference"],),
    "compression_ratio": (CATALOGUE["compression_ratio"], CATALOGUE["compression_ratio_estimate"]),
    "map_power": (CATALOGUE["compressor_map_power"], CATALOGUE["compressor_map_power_estimate"]),
    "map_flow": (CATALOGUE["compressor_map_mass_flow"], CATALOGUE["compressor_map_mass_flow_estimate"]),
    "map_current": (CATALOGUE["compressor_map_current"], CATALOGUE["compressor_map_current_estimate"]),
    "wet_bulb": _air("wet_bulb", "wet bulb", wick=False),
    "dew_point": _air("dew_point", "dew point"),
    "humidity_ratio": _air("humidity_ratio", "humidity ratio"),
    "enthalpy": _air("enthalpy", "enthalpy"),
    "air_density": _air("air_density", "air density", wick=False),
    "humidity": _air("humidity", "relative humidity", dry=False),
    "static": (CATALOGUE["total_external_static"],),
    "airflow": (
        CATALOGUE["airflow_from_heat_rise"],
        CATALOGUE["airflow_from_rated_heat_rise"],
        CATALOGUE["airflow_from_velocity"],
        CATALOGUE["airflow_from_blower_table"],
    ),
    "capacity": _by_airflow("total_capacity"),
    "refrigerant_capacity": _by_refrigerant("capacity"),
    "refrigerant_flow": _by_refrigerant("mass_flow"),
    "discharge_enthalpy": (CATALOGUE["discharge_enthalpy"], CATALOGUE["discharge_enthalpy_estimate"]),
    "condensate": _by_airflow("condensate_rate"),
    "shr": (CATALOGUE["sensible_heat_ratio"],),
    "eer": (*_by_airflow("cooling_efficiency"), CATALOGUE["cooling_efficiency_estimate"]),
    "cop": (*_by_airflow("cooling_efficiency"), CATALOGUE["cooling_efficiency_estimate"]),
    "capacitance": (
        _at("capacitance_under_load", ("current", "voltage"), "herm_capacitance_under_load", "capacitance under load",
            _CAPACITOR, "current of the capacitor's own lead / (2 pi line frequency x volts across its terminals)"),
    ),
    "apparent_power": (
        _at("apparent_power", ("current", "voltage"), "compressor_apparent_power", "apparent power",
            "single phase; not real power, except of a resistance", "current x voltage"),
    ),
    "power_factor": (CATALOGUE["outdoor_unit_power_factor"],),
    "unbalance": (CATALOGUE["voltage_unbalance"],),
    "strip_current": (CATALOGUE["heat_strips_expected_current"],),
}  # fmt: skip


def flags(derived: Derived) -> list[str]:
    """The options that carry the inputs of a derived value, in their order."""
    return [OPTIONS[KEY_OF[name]].flag for name in derived.inputs]


def listed() -> list[Derived]:
    """Everything that can be asked for: the catalogue, then what stands at no point of a system."""
    made = [each for meant in SHORT.values() for each in meant if each.name not in CATALOGUE]
    return [*CATALOGUE.values(), *{each.name: each for each in made}.values()]


def like(derived: Derived) -> Derived:
    """The value of the catalogue that this one is worked out like; itself when it is one."""
    return CATALOGUE[LIKE.get(derived.name, derived.name)]
