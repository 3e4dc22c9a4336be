"""What a system's nameplates, labels and maker's sheets say, as far as derived values and checks need it.

A description gives figures in the units that nameplates use, each named in its key; the record holds SI. Everything
is optional: what is not given makes the values that hang on it say so, never a guess.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import msgspec

from lineset.equipment.errors import SystemDescriptionError

MotorKind = Literal["", "psc", "ecm_torque", "ecm_airflow", "shaded_pole", "three_phase"]
MOTOR_KINDS = ("psc", "ecm_torque", "ecm_airflow", "shaded_pole", "three_phase")
# Marking of most run capacitors (common practice, no source); 5 % and 10 % occur.
USUAL_CAPACITOR_TOLERANCE = 0.06
_TON_W = 12000 * 1055.05585262 / 3600
_INWC_PA = 249.0889
_CFM_M3_S = 0.3048**3 / 60
_POUND_KG = 0.45359237
_MAP_KEYS = ("temperature", "power_w", "mass_flow_lb_h", "mass_flow_kg_h", "current_a", "superheat_f", "return_gas_f")


class CompressorMap(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Ten coefficients each (AHRI 540), of dew temperatures in degF or degC; mass flow is in kg/s. Empty: not given.

    `superheat_k` [K] or `return_gas_cel` [Cel] is the suction's state that the map was rated at; None: not given.
    """

    fahrenheit: bool = True
    power_w: tuple[float, ...] = ()
    mass_flow_kg_s: tuple[float, ...] = ()
    current_a: tuple[float, ...] = ()
    superheat_k: float | None = None
    return_gas_cel: float | None = None


class Nameplate(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Ratings of one system, SI. None, empty or "" is: not given.

    `capacitor_tolerance` is the half width of the capacitors' marking as a part of one, None where the label was not
    read: `allowed_capacitor_part` then takes the usual one, and whoever uses it says so; `blower_table` rows are (total
    external static [Pa], airflow [m3/s]) of the tap in use, rising static.
    """

    capacity_w: float | None = None
    herm_capacitor_f: float | None = None
    fan_capacitor_f: float | None = None
    blower_capacitor_f: float | None = None
    capacitor_tolerance: float | None = None
    compressor_rla_a: float | None = None
    outdoor_fan_fla_a: float | None = None
    blower_fla_a: float | None = None
    compressor_motor: MotorKind = ""
    outdoor_fan_motor: MotorKind = ""
    blower_motor: MotorKind = ""
    heat_strip_w: tuple[float, ...] = ()
    heat_strip_rated_v: float = 240.0
    subcooling_target_k: float | None = None
    superheat_target_k: float | None = None
    duct_area_m2: float | None = None
    rated_voltage_v: float | None = None
    airflow_target_m3_s: float | None = None
    static_target_pa: float | None = None
    year_made: int | None = None
    year_installed: int | None = None
    blower_table: tuple[tuple[float, float], ...] = ()
    compressor_map: CompressorMap | None = None

    @property
    def allowed_capacitor_part(self) -> float:
        """The capacitors' tolerance as a part of one: the label's, or the usual one where that is not given."""
        return USUAL_CAPACITOR_TOLERANCE if self.capacitor_tolerance is None else self.capacitor_tolerance


BLANK = Nameplate()

# key of the description -> (field of the record, factor to SI, lowest, highest, in the key's own unit); the limits are
# those of house and light commercial equipment, widened (judgement).
NUMBERS: dict[str, tuple[str, float, float, float]] = {
    "capacity_tons": ("capacity_w", _TON_W, 0.5, 30.0),
    "herm_capacitor_uf": ("herm_capacitor_f", 1e-6, 1.0, 200.0),
    "fan_capacitor_uf": ("fan_capacitor_f", 1e-6, 1.0, 50.0),
    "blower_capacitor_uf": ("blower_capacitor_f", 1e-6, 1.0, 50.0),
    "capacitor_tolerance_pct": ("capacitor_tolerance", 0.01, 1.0, 20.0),
    "compressor_rla_a": ("compressor_rla_a", 1.0, 0.5, 300.0),
    "outdoor_fan_fla_a": ("outdoor_fan_fla_a", 1.0, 0.1, 50.0),
    "blower_fla_a": ("blower_fla_a", 1.0, 0.1, 50.0),
    "heat_strip_rated_v": ("heat_strip_rated_v", 1.0, 100.0, 600.0),
    "subcooling_target_f": ("subcooling_target_k", 5 / 9, 0.0, 40.0),
    "superheat_target_f": ("superheat_target_k", 5 / 9, 0.0, 60.0),
    "duct_area_ft2": ("duct_area_m2", 0.3048**2, 0.1, 50.0),
    "rated_voltage_v": ("rated_voltage_v", 1.0, 100.0, 600.0),
    "airflow_target_cfm": ("airflow_target_m3_s", _CFM_M3_S, 100.0, 10_000.0),
    "static_target_inwc": ("static_target_pa", _INWC_PA, 0.05, 3.0),
}
YEARS = {"year_made": (1950, 2100), "year_installed": (1950, 2100)}
# 300 to 450 cfm a ton are usual (300 at least for a charge test); beyond half and twice that a figure is misread.
_LEAST_CFM_PER_TON, _MOST_CFM_PER_TON = 150.0, 900.0
_MOTORS = ("compressor_motor", "outdoor_fan_motor", "blower_motor")
KEYS = (*NUMBERS, *YEARS, *_MOTORS, "heat_strip_kw", "blower_table", "compressor_map")


def nameplate(described: object) -> Nameplate:
    """The record of a nameplate from its description. Raises SystemDescriptionError with key and remedy."""
    if not isinstance(described, Mapping):
        raise SystemDescriptionError(f"system: nameplate is a table of ratings, not {described!r}")
    unknown = [key for key in described if key not in KEYS]
    if unknown:
        raise SystemDescriptionError(f"system: the nameplate's key {unknown[0]!r} is not known; use {', '.join(KEYS)}")
    found: dict[str, Any] = {}
    for key, (field, factor, low, high) in NUMBERS.items():
        if key in described:
            found[field] = factor * _number(key, described[key], low, high)
    for key, (first, last) in YEARS.items():
        if key in described:
            year = _number(key, described[key], first, last)
            if year != int(year):
                raise SystemDescriptionError(f"system: nameplate {key} is a whole year such as 2014, not {year:g}")
            found[key] = int(year)
    for key in _MOTORS:
        if key in described:
            if described[key] not in MOTOR_KINDS:
                raise SystemDescriptionError(
                    f"system: nameplate {key} {described[key]!r} is not known; use {', '.join(MOTOR_KINDS)}"
                )
            found[key] = described[key]
    if "heat_strip_kw" in described:
        rows = _list("heat_strip_kw", described["heat_strip_kw"], "the kW of each strip, such as [5.0, 5.0]")
        found["heat_strip_w"] = tuple(1e3 * _number("heat_strip_kw", each, 0.5, 50.0) for each in rows)
    if "blower_table" in described:
        found["blower_table"] = _blower_table(described["blower_table"])
    if "compressor_map" in described:
        found["compressor_map"] = _compressor_map(described["compressor_map"])
    plate = Nameplate(**found) if found else BLANK
    _refuse_contradictions(plate)
    return plate


def _refuse_contradictions(plate: Nameplate) -> None:
    """What cannot be true of one unit together. Common practice, no source."""
    if plate.herm_capacitor_f and plate.fan_capacitor_f and plate.herm_capacitor_f < plate.fan_capacitor_f:
        raise SystemDescriptionError(
            f"system: nameplate herm_capacitor_uf {plate.herm_capacitor_f * 1e6:g} is below fan_capacitor_uf "
            f"{plate.fan_capacitor_f * 1e6:g}: a compressor's section is the larger one; read both off the capacitor"
        )
    if plate.compressor_rla_a and plate.outdoor_fan_fla_a and plate.compressor_rla_a < plate.outdoor_fan_fla_a:
        raise SystemDescriptionError(
            f"system: nameplate compressor_rla_a {plate.compressor_rla_a:g} is below outdoor_fan_fla_a "
            f"{plate.outdoor_fan_fla_a:g}: a compressor draws more than its fan; read both off the nameplate"
        )
    if plate.year_made and plate.year_installed and plate.year_installed < plate.year_made:
        raise SystemDescriptionError(
            f"system: nameplate year_installed {plate.year_installed} is before year_made {plate.year_made}; the "
            "nameplate's serial number often tells the year it was made"
        )
    if plate.capacity_w and plate.blower_table:
        flow, tons = plate.blower_table[0][1] / _CFM_M3_S, plate.capacity_w / _TON_W
        if not _LEAST_CFM_PER_TON <= flow / tons <= _MOST_CFM_PER_TON:
            raise SystemDescriptionError(
                f"system: nameplate blower_table begins with {flow:.0f} cfm for capacity_tons {tons:g}: that is "
                f"{flow / tons:.0f} cfm a ton; check the tap's row, its unit and the tons"
            )


def _number(key: str, value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SystemDescriptionError(f"system: nameplate {key} takes numbers, not {value!r}; leave the unit out")
    if not low <= value <= high:
        raise SystemDescriptionError(
            f"system: nameplate {key} {value:g} is outside {low:g} to {high:g}; check the label and the key's unit"
        )
    return float(value)


def _list(key: str, value: object, wanted: str) -> Sequence[Any]:
    if not isinstance(value, list | tuple) or not value:
        raise SystemDescriptionError(f"system: nameplate {key} is a list: {wanted}")
    return value


def _blower_table(described: object) -> tuple[tuple[float, float], ...]:
    wanted = "rows of [inches of water, cfm], such as [[0.3, 1240], [0.5, 1180]]"
    found = []
    for row in _list("blower_table", described, wanted):
        if not isinstance(row, list | tuple) or len(row) != 2:
            raise SystemDescriptionError(f"system: nameplate blower_table has {row!r}; give {wanted}")
        static, flow = _number("blower_table", row[0], 0.0, 3.0), _number("blower_table", row[1], 50.0, 10_000.0)
        found.append((static * _INWC_PA, flow * _CFM_M3_S))
    if len(found) < 2 or any(left[0] >= right[0] for left, right in itertools.pairwise(found)):
        raise SystemDescriptionError(
            "system: nameplate blower_table needs two rows or more, each at a higher static than the one before"
        )
    return tuple(found)


def _compressor_map(described: object) -> CompressorMap:
    if not isinstance(described, Mapping):
        raise SystemDescriptionError("system: nameplate compressor_map is a table of lists of ten coefficients")
    unknown = [key for key in described if key not in _MAP_KEYS]
    if unknown:
        raise SystemDescriptionError(
            f"system: nameplate compressor_map has no {unknown[0]!r}; use {', '.join(_MAP_KEYS)}"
        )
    unit = described.get("temperature")
    if unit not in ("degF", "degC"):
        raise SystemDescriptionError(
            'system: nameplate compressor_map needs temperature = "degF" or "degC": what its coefficients take'
        )
    found: dict[str, Any] = {}
    for key, field, factor in (
        ("power_w", "power_w", 1.0),
        ("mass_flow_lb_h", "mass_flow_kg_s", _POUND_KG / 3600),
        ("mass_flow_kg_h", "mass_flow_kg_s", 1 / 3600),
        ("current_a", "current_a", 1.0),
    ):
        if key not in described:
            continue
        rows = _list(f"compressor_map {key}", described[key], "ten coefficients, C1 to C10")
        if len(rows) != 10:
            raise SystemDescriptionError(
                f"system: nameplate compressor_map {key} has {len(rows)} coefficients; AHRI 540 has ten, C1 to C10"
            )
        found[field] = tuple(factor * _number(f"compressor_map {key}", each, -1e9, 1e9) for each in rows)
    if not found:
        raise SystemDescriptionError(
            "system: nameplate compressor_map is empty; give power_w, mass_flow_lb_h or current_a"
        )
    if "superheat_f" in described and "return_gas_f" in described:
        raise SystemDescriptionError(
            "system: nameplate compressor_map takes superheat_f or return_gas_f, whichever the sheet states, not both"
        )
    if "superheat_f" in described:
        found["superheat_k"] = _number("compressor_map superheat_f", described["superheat_f"], 0.0, 60.0) / 1.8
    if "return_gas_f" in described:
        returned = _number("compressor_map return_gas_f", described["return_gas_f"], 0.0, 120.0)
        found["return_gas_cel"] = (returned - 32.0) / 1.8
    return CompressorMap(fahrenheit=unit == "degF", **found)
