"""What rows of the database are called and how they are shown: titles, values in customary units, spans for a plot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lineset.equipment.display import shown
from lineset.shop.answers import Series
from lineset.station.events import QUANTITY_OF_UNIT, quantity_of, title_of
from lineset.visit.observations import signs
from lineset_drivers.quantity import SI_UNIT, Quantity

# remarks of people in entries that are told otherwise
_REMARKS: Mapping[str, tuple[str, ...]] = {
    "closed": ("reason", "missing"),
    "phase": ("reason",),
    "refrigerant": ("note", "certified", "amount"),
    "task": ("note",),
    "opened": ("config", "technician"),
}


def title(name: str) -> str:
    """What a point or derived value is called; one that this program does not know goes by its name."""
    try:
        return title_of(name)
    except (KeyError, ValueError):
        return name.replace("_", " ")


def quantity(name: str) -> Quantity | None:
    """The quantity of a point or derived value; None for one that this program does not know."""
    try:
        return quantity_of(name)
    except (KeyError, ValueError):
        return None


def sign_words(sign: str) -> str:
    """The words of a quick observation; one that is not known any more goes by its id."""
    known = signs().get(sign)
    return sign if known is None else known.words


def settled(row: Mapping[str, Any]) -> dict[str, str]:
    """Title and text of a row of settled values."""
    name, value = row["name"], row["value"]
    of = quantity(name)
    if value is None or of is None:
        return {"title": title(name), "text": ""}
    half = (row["high"] - row["low"]) / 2.0 / 1.96 if row["low"] is not None and row["high"] is not None else row["u"]
    return {"title": title(name), "text": shown(value, of, "customary", half)}


def check(row: Mapping[str, Any]) -> dict[str, str]:
    """Text of a verdict's value."""
    of = QUANTITY_OF_UNIT.get(row["unit"])
    return {"text": "" if row["value"] is None or of is None else shown(row["value"], of, "customary", row["u"])}


def without_words(kind: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """An entry without what people wrote in it."""
    held_back = (*_REMARKS.get(kind, ()), "by")
    return {key: value for key, value in body.items() if key not in held_back}


def series(name: str, system: str, rows: Sequence[Mapping[str, Any]]) -> Series:
    """Spans of one value, in SI and as people read it."""
    of = quantity(name)
    low = tuple(float(row["low"]) for row in rows)
    high = tuple(float(row["high"]) for row in rows)
    unit = "" if of is None else SI_UNIT[of]
    shown_unit, shown_low, shown_high = (str(rows[0]["unit"]) if rows else ""), low, high
    if of is not None and rows:
        shown_low, shown_unit = _as_read(low, of)
        shown_high, _ = _as_read(high, of)
    return Series(
        name=name,
        system=system,
        title=title(name),
        unit=unit or (str(rows[0]["unit"]) if rows else ""),
        t=tuple(round(float(row["t"]), 3) for row in rows),
        low=low,
        high=high,
        count=tuple(int(row["n"]) for row in rows),
        shown_unit=shown_unit,
        shown_low=shown_low,
        shown_high=shown_high,
    )


def _as_read(values: Sequence[float], of: Quantity) -> tuple[tuple[float, ...], str]:
    parts = [shown(value, of, "customary").partition(" ") for value in values]
    return tuple(float(number) for number, _, _ in parts), parts[0][2]
