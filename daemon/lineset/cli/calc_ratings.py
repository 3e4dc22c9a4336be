"""The ratings that `lineset calc` takes for values which are worked out with a nameplate or a maker's sheet."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from lineset.equipment.nameplate import BLANK, CompressorMap, Nameplate
from lineset_drivers.errors import UnitError, ValueTextError
from lineset_drivers.quantity import Quantity, parse_measured

Q = Quantity
_POUND_H = 0.45359237 / 3600


class RatingError(ValueError):
    """A rating that cannot be used; says which option and what to type."""


class Rating(NamedTuple):
    """One option: which fields of the Nameplate it gives, how to write it, and what it is."""

    fields: tuple[str, ...]
    example: str
    title: str
    read: Callable[[str], Any]


def _one(quantity: Quantity) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = parse_measured(text, quantity).value
        if not value > 0.0:
            raise ValueTextError(f"{text!r} is not above zero")
        return value

    return read


def _strips(text: str) -> tuple[float, ...]:
    return tuple(_one(Q.POWER)(part) for part in text.split(","))


def _table(text: str) -> tuple[tuple[float, float], ...]:
    rows = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\S+\s*[A-Za-z]\S*)\s+(\S+\s*[A-Za-z]\S*)\s*", part)
        if match is None:
            raise ValueTextError(f"cannot read the row {part.strip()!r}")
        rows.append((parse_measured(match[1], Q.PRESSURE_DIFFERENCE).value, _one(Q.VOLUME_FLOW)(match[2])))
    if len(rows) < 2 or any(left[0] >= right[0] for left, right in itertools.pairwise(rows)):
        raise ValueTextError("give two rows or more, each at a higher static than the one before")
    return tuple(rows)


def _coefficients(text: str) -> tuple[float, ...]:
    try:
        found = tuple(float(part) for part in re.split(r"[\s,;]+", text.strip()))
    except ValueError as error:
        raise ValueTextError(str(error)) from error
    if len(found) != 10:
        raise ValueTextError(f"{len(found)} coefficients were given; AHRI 540 has ten, C1 to C10")
    return found


RATINGS: dict[str, Rating] = {
    "rated_current": Rating(
        ("compressor_rla_a", "outdoor_fan_fla_a", "blower_fla_a"), "14.1 A", "rated current (RLA or FLA)",
        _one(Q.CURRENT),
    ),
    "capacitor_rating": Rating(
        ("herm_capacitor_f", "fan_capacitor_f", "blower_capacitor_f"), "45 uF", "microfarads marked",
        _one(Q.CAPACITANCE),
    ),
    "strip_power": Rating(("heat_strip_w",), "5 kW, 5 kW", "rated power of the heat strips", _strips),
    "strip_voltage": Rating(("heat_strip_rated_v",), "240 V", "rated voltage of the heat strips", _one(Q.VOLTAGE)),
    "duct_area": Rating(("duct_area_m2",), "2.0 ft2", "free area of the duct", _one(Q.AREA)),
    "blower_table": Rating(
        ("blower_table",), "0.3 inWC 1240 cfm, 0.5 inWC 1180 cfm", "the maker's blower table", _table
    ),
    "compressor_map": Rating(("compressor_map",), "C1, C2 ... C10", "the compressor's map", _coefficients),
}  # fmt: skip
_KEY_OF = {field: key for key, rating in RATINGS.items() for field in rating.fields}


def flag(key: str) -> str:
    """How an option is typed."""
    return "--" + key.replace("_", "-")


def flags_for(fields: tuple[str, ...]) -> list[str]:
    """The options that give these fields of the Nameplate."""
    return list(dict.fromkeys(flag(_KEY_OF[field]) for field in fields))


def missing(fields: tuple[str, ...], typed: Mapping[str, str]) -> list[str]:
    """What to type for the fields of the Nameplate that are needed and not given, in words."""
    keys = dict.fromkeys(_KEY_OF[field] for field in fields)
    return [f'{flag(key)} "{RATINGS[key].example}" ({RATINGS[key].title})' for key in keys if key not in typed]


def unused(fields: tuple[str, ...], typed: Mapping[str, str]) -> list[str]:
    """The options typed that none of these fields comes from."""
    used = {_KEY_OF[field] for field in fields}
    if "heat_strip_w" in fields:
        used.add("strip_voltage")
    return [flag(key) for key in typed if key not in used]


def _superheat(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        value = parse_measured(text, Q.TEMPERATURE_DIFFERENCE).value
    except (UnitError, ValueTextError) as error:
        raise RatingError(f'--map-superheat: {error}; write it like "20 degF"') from error
    if not 0.0 <= value <= 40.0:
        raise RatingError(f"--map-superheat: {text!r} is not between 0 and 40 K; read it on the map's sheet")
    return value


def nameplate(typed: Mapping[str, str], map_temperature: str | None, map_superheat: str | None = None) -> Nameplate:
    """The Nameplate with what was typed. Raises RatingError."""
    if map_temperature is not None and map_temperature not in ("degF", "degC"):
        raise RatingError(f"--map-temperature: {map_temperature!r} is neither degF nor degC")
    found: dict[str, Any] = {}
    for key, text in typed.items():
        rating = RATINGS[key]
        try:
            value = rating.read(text)
        except (UnitError, ValueTextError) as error:
            raise RatingError(f'{flag(key)}: {error}; write it like "{rating.example}"') from error
        if key == "compressor_map":
            fahrenheit = map_temperature != "degC"
            per_second = _POUND_H if fahrenheit else 1.0 / 3600.0
            value = CompressorMap(
                fahrenheit=fahrenheit, power_w=value, mass_flow_kg_s=tuple(c * per_second for c in value),
                current_a=value, superheat_k=_superheat(map_superheat),
            )  # fmt: skip
        found |= dict.fromkeys(rating.fields, value)
    return Nameplate(**found) if found else BLANK
