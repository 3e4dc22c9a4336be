"""The published moist-air values of tests/data/thermo/moist_air.csv, and what two models make of them."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import perfect_gas_air as perfect

from lineset.physics import moist_air, water, wet_bulb
from lineset.physics.air import standard_pressure

FILE = Path(__file__).parent / "data" / "thermo" / "moist_air.csv"
PSI = 6894.757293168361
_IP_ZERO_CEL = -160.0 / 9.0  # 0 degF: where the IP tables' enthalpy of dry air is zero


@dataclass(frozen=True)
class Published:
    """One published property of one state; `printed` in the table's own unit."""

    row: str
    source: str
    kind: str
    note: str
    suspect: str
    state: str
    output: str
    printed: float
    halfstep: float
    given: tuple[tuple[str, float], ...]
    pressure: float


def rows() -> list[Published]:
    """All rows of the file."""
    with FILE.open() as file:
        return [_published(row) for row in csv.DictReader(file)]


def _published(row: dict[str, str]) -> Published:
    given = tuple((row[f"given{i}"], float(row[f"given{i}_value"])) for i in (1, 2) if row[f"given{i}"])
    pressure = float(row["pressure"] or "nan") * (PSI if row["unit_system"] == "IP" else 1.0)
    return Published(
        row["row_id"], row["source_id"], row["source_kind"], row["note"], row["suspect"], row["state"], row["output"],
        float(row["value_printed"]), float(row["halfstep"]), given, pressure,
    )  # fmt: skip


def _cel(name: str, value: float) -> float:
    return (value - 32.0) / 1.8 if name.endswith("degF") else value


def real(row: Published) -> float:
    """What lineset's physics gives, in the row's own unit."""
    first, value = row.given[0]
    if first.startswith("altitude"):
        pascal = standard_pressure(value * (0.3048 if first.endswith("ft") else 1.0))
        return pascal / {"p_std_Pa": 1.0, "p_std_psia": PSI, "p_std_inHg": 3386.389}[row.output]
    t, p = _cel(first, value), row.pressure
    if row.output.startswith("p_ws"):
        return water.saturation_pressure(t)[0] / (PSI if row.output.endswith("psia") else 1.0)
    second, other = row.given[1]
    if second == "rh_frac":
        w = moist_air.humidity_ratio(t, 100.0 * other, p).value
    elif second.startswith("t_wb"):
        w = wet_bulb.ratio_from_wet_bulb(t, _cel(second, other), p).value
    else:
        w = other
    match row.output.split("_")[0]:
        case "w":
            return w
        case "h":
            h = moist_air.enthalpy(t, w, p).value
            zero = moist_air.enthalpy(_IP_ZERO_CEL, 0.0, p).value
            return (h - zero) / 2326.0 if row.output.startswith("h_Btu") else h / 1e3
        case "v":
            v = moist_air.volume(t, w, p).value
            return v * 0.45359237 / 0.3048**3 if row.output.startswith("v_ft3") else v
        case "rh":
            return moist_air.relative_humidity(t, w, p).value / 100.0
    found = (wet_bulb.dew_point if row.output.startswith("t_dp") else wet_bulb.wet_bulb)(t, w, p).value
    return found * 1.8 + 32.0 if row.output.endswith("degF") else found


def plain(row: Published) -> float | None:
    """What a perfect-gas mixture gives, in the row's own unit; None for the standard atmosphere, which is no gas."""
    first, value = row.given[0]
    if first.startswith("altitude"):
        return None
    t, p = _cel(first, value), row.pressure
    if row.output.startswith("p_ws"):
        return perfect.saturation_pressure(t) / (PSI if row.output.endswith("psia") else 1.0)
    second, other = row.given[1]
    if second == "rh_frac":
        w = perfect.humidity_ratio(t, 100.0 * other, p)
    elif second.startswith("t_wb"):
        w = perfect.ratio_from_wet_bulb(t, _cel(second, other), p)
    else:
        w = other
    match row.output.split("_")[0]:
        case "w":
            return w
        case "h":
            h = perfect.enthalpy(t, w)
            return (h - perfect.enthalpy(_IP_ZERO_CEL, 0.0)) / 2326.0 if row.output.startswith("h_Btu") else h / 1e3
        case "v":
            v = perfect.volume(t, w, p)
            return v * 0.45359237 / 0.3048**3 if row.output.startswith("v_ft3") else v
        case "rh":
            return w * p / (0.621945 + w) / perfect.saturation_pressure(t)
    found = perfect.dew_point(w, p) if row.output.startswith("t_dp") else perfect.wet_bulb(t, w, p)
    return found * 1.8 + 32.0 if row.output.endswith("degF") else found
