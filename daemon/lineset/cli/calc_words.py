"""The answer of `lineset calc` as text for people and as JSON for programs."""

from __future__ import annotations

from typing import Any

from lineset.cli import calc_ratings
from lineset.cli.calc_answer import Answer, Given
from lineset.cli.calc_options import SHORT, flags, like, listed
from lineset.derive.declared import Derived
from lineset.derive.sensitivity import moves
from lineset.equipment.display import Units, per_unit, shown, spread_shown
from lineset.physics.refrigerant import CAUTIONS, caution, curve, safety_class
from lineset_drivers.quantity import SI_UNIT, Quantity

_LIVE = (
    "Line voltage and stored charge: readings under load are taken live; protective equipment, covers back on, and "
    "capacitors discharged before anything is touched."
)
_ELECTRICAL = (Quantity.CAPACITANCE, Quantity.CURRENT, Quantity.VOLTAGE, Quantity.POWER)


def cautions(answer: Answer) -> list[str]:
    """The usual cautions of the trade for what was measured here."""
    found = [caution(answer.refrigerant)] if answer.refrigerant else []
    if not found and any(given.quantity is Quantity.PRESSURE_GAUGE for given in answer.inputs.values()):
        found.append(CAUTIONS["A1"] + " Read the nameplate: A2L and A3 refrigerants burn.")
    if any(given.quantity in _ELECTRICAL for given in answer.inputs.values()):
        found.append(_LIVE)
    return found


def _input(given: Given) -> dict[str, Any]:
    found: dict[str, Any] = {"value": given.value, "unit": SI_UNIT[given.quantity], "given": given.text}
    if given.u is not None:
        found["uncertainty"] = given.u
    return found


def as_data(answer: Answer) -> dict[str, Any]:
    """The answer for programs: SI values with RFC 8428 unit symbols (Cel for temperatures, K for differences).

    `uncertainty` is the standard uncertainty; it, `interval95` and the `budget` (what each source contributes, and its
    share of the variance) are there when an input carried one.
    """
    derived = answer.derived
    found: dict[str, Any] = {
        "name": derived.name,
        "title": derived.title,
        "value": answer.value,
        "unit": derived.si_unit,
        "quantity": str(derived.quantity),
        "estimate": derived.estimate,
        "range": derived.as_range,
    }
    if answer.u is not None and answer.interval95 is not None:
        found |= {"uncertainty": answer.u, "interval95": list(answer.interval95)}
        found["budget"] = [
            {"source": each.source, "uncertainty": each.u, "share": each.share} for each in answer.budget()
        ]
    if answer.saturation is not None:
        found["saturation_temperature"] = {"value": answer.saturation, "unit": "Cel"}
    found["inputs"] = {name: _input(given) for name, given in answer.inputs.items()}
    for name, given in (("barometric_pressure", answer.barometer), ("line_frequency", answer.frequency)):
        if given is not None:
            found["inputs"][name] = _input(given)
    if answer.ratings:
        found["ratings"] = dict(answer.ratings)
    if answer.refrigerant:
        saturation = curve(answer.refrigerant)
        found["refrigerant"] = {
            "name": answer.refrigerant,
            "safety_class": safety_class(answer.refrigerant),
            "properties": saturation.source,
            "curve_sha256": saturation.sha256,
        }
    return found | {
        "formula": derived.formula,
        "validity": derived.validity,
        "source": derived.source,
        "cautions": cautions(answer),
    }


def _both(value: float, quantity: Quantity, units: Units, u: float | None = None) -> str:
    other: Units = "si" if units == "customary" else "customary"
    first, second = shown(value, quantity, units, u), shown(value, quantity, other, u)
    return first if first == second else f"{first}  ({second})"


def _table(rows: list[tuple[str, str]]) -> list[str]:
    width = max(len(left) for left, _ in rows)
    return [f"  {left:<{width}}  {right}" for left, right in rows]


def as_text(answer: Answer, units: Units = "customary") -> str:
    """The answer for people: the value first, then what it came from, what it holds for, and the caution."""
    derived = answer.derived
    lines = [f"{derived.title}: {_both(answer.value, derived.quantity, units)}"]
    if derived.estimate:
        lines[0] += "  (an estimate)"
    if derived.as_range:
        lines[0] += "  (the middle of a range, no verdict)"
    if answer.u is not None and answer.interval95 is not None:
        low, high = (shown(end, derived.quantity, units) for end in answer.interval95)
        lines.append(
            f"  95 % interval: {low} .. {high}; standard uncertainty {spread_shown(answer.u, derived.quantity, units)}"
        )
    rows = [(given.title, _both(given.value, given.quantity, units, given.u)) for given in answer.inputs.values()]
    if answer.saturation is not None:
        rows.append(("saturation temperature", _both(answer.saturation, Quantity.TEMPERATURE, units)))
    if answer.refrigerant:
        group = safety_class(answer.refrigerant)
        rows.append(("refrigerant", f"{answer.refrigerant}, {'safety class ' + group if group else 'class not known'}"))
    if answer.barometer is not None:
        given = answer.barometer
        pressure = _both(given.value, given.quantity, units, given.u)
        rows.append((given.title, pressure + (f", {given.text}" if given.text.startswith("standard") else "")))
    rows += [(calc_ratings.RATINGS[key].title, text) for key, text in answer.ratings.items()]
    if answer.frequency is not None:
        given = answer.frequency
        rows.append((given.title, shown(given.value, given.quantity, units, given.u)))
    lines += ["from", *_table(rows)]
    if contributions := answer.budget():
        rows = [
            (each.title, f"{each.share:4.0%}  {spread_shown(each.u, derived.quantity, units)}")
            for each in contributions
        ]
        lines += ["uncertainty comes from (share of the variance, standard uncertainty)", *_table(rows)]
    rows = [("formula", derived.formula), ("holds for", derived.validity)]
    if answer.refrigerant:
        rows.append(("properties", curve(answer.refrigerant).source))
    lines += ["how", *_table(rows)]
    lines += [f"Caution: {each}" for each in cautions(answer)]
    return "\n".join(lines)


def _short_names(name: str) -> list[str]:
    return [short.replace("_", "-") for short, meant in SHORT.items() if any(each.name == name for each in meant)]


def _sensitivity(derived: Derived) -> list[tuple[str, str, float]]:
    """Per input: what one of its display units moves the value by in words, and its slope in SI, typically."""
    base = like(derived)
    names = dict(zip(base.inputs, derived.inputs, strict=True))
    return [
        (name, f"{per_unit(move.slope, move.quantity, derived.quantity)} of {name.replace('_', ' ')}", move.slope)
        for move in moves(base)
        for name in (names.get(move.by, move.by),)
    ]


def list_data() -> list[dict[str, Any]]:
    """Everything that can be asked for, for programs."""
    return [
        {
            "name": each.name,
            "short_names": _short_names(each.name),
            "title": each.title,
            "unit": each.si_unit,
            "quantity": str(each.quantity),
            "inputs": list(each.inputs),
            "options": flags(each),
            "needs_refrigerant": each.needs_refrigerant,
            "needs_mode": list(each.needs_mode),
            "needs_stopped": each.needs_stopped,
            "ratings": calc_ratings.flags_for(each.needs_nameplate),
            "estimate": each.estimate,
            "range": each.as_range,
            "each_second": each.each_second,
            "sensitivity": {name: slope for name, _, slope in _sensitivity(each)},
            "formula": each.formula,
            "validity": each.validity,
            "source": each.source,
        }
        for each in listed()
    ]


def list_text() -> str:
    """Everything that can be asked for, for people."""
    blocks = []
    for each in listed():
        short = _short_names(each.name)
        head = each.name + (f"  (or: {', '.join(short)})" if short else "")
        refrigerant = ["--refrigerant"] if each.needs_refrigerant else []
        options = " ".join([*flags(each), *refrigerant, *calc_ratings.flags_for(each.needs_nameplate)])
        moved = "; ".join(words for _, words, _ in _sensitivity(each))
        rows = [("what", each.title), ("inputs", options), ("formula", each.formula), ("holds for", each.validity),
                ("source", each.source), ("moves by", f"{moved} (at typical readings)")]  # fmt: skip
        if each.each_second:
            rows.append(("in a visit", "worked out once a second, and at once when an input settles or is entered"))
        blocks.append("\n".join([head, *_table(rows)]))
    return "\n\n".join(blocks)
