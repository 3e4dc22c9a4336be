"""A mass of refrigerant as a person writes it: "6 oz", "2 lb 6 oz", "0.17 kg". SI inside: kg."""

from __future__ import annotations

import re

# NIST SP 811, appendix B.8: the avoirdupois pound and ounce.
_KG = {"kg": 1.0, "g": 1e-3, "lb": 0.45359237, "lbs": 0.45359237, "oz": 0.028349523125}
_PART = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(kg|g|lbs|lb|oz)(?![a-z])\.?", re.IGNORECASE)
HEAVIEST_KG = 100.0
"""More is a slip of unit or digit: no house or light commercial system holds it (judgement)"""


class MassError(ValueError):
    """A mass that cannot be read; says what would."""


def mass_kg(text: str) -> float:
    """The mass meant by `text` [kg]. Raises MassError."""
    total, at, units = 0.0, 0, []
    while at < len(text.rstrip()):
        found = _PART.match(text, at)
        if found is None:
            raise MassError(f"{text!r} is no amount of refrigerant; write it with its unit: 6 oz, 2 lb 6 oz, 0.17 kg")
        total += float(found[1]) * _KG[found[2].lower()]
        units.append(found[2].lower())
        at = found.end()
    if not units or total <= 0.0:
        raise MassError(f"{text!r} is no amount of refrigerant; write what the scale showed, more than nothing: 6 oz")
    if len(units) > 1 and not (units[0] in ("lb", "lbs") and units[1:] == ["oz"]):
        raise MassError(f"{text!r} mixes units; write one, or pounds and ounces: 2 lb 6 oz")
    if total > HEAVIEST_KG:
        raise MassError(f"{text!r} is more than any house or light commercial system holds; look at digits and unit")
    return total


def mass_shown(kilograms: float, units: str = "customary") -> str:
    """A mass for people: "2 lb 6.0 oz", or "1.077 kg"."""
    if units == "si":
        return f"{kilograms:.3f} kg"
    ounces = round(kilograms / _KG["oz"], 1)
    pounds, rest = divmod(ounces, 16.0)
    return f"{pounds:.0f} lb {rest:.1f} oz" if pounds else f"{rest:.1f} oz"
