"""Refrigerants by name: their saturation curves, their safety class, the caution that goes with it.

The curves are precomputed (`python -m lineset.physics.generate_curves`), shipped as data files and read when first
asked for. A refrigerant without a shipped curve has one made through CoolProp at that moment, which takes seconds
and needs CoolProp; look-ups afterwards are the same.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from lineset.physics.errors import CurveError, PhysicsError, UnknownRefrigerant
from lineset.physics.refrigerant_state import States
from lineset.physics.saturation import Line, Saturation

SafetyClass = Literal["A1", "A2L", "A3"]
FORMAT = 2
_BUBBLE: Literal["bubble"] = "bubble"
_DEW: Literal["dew"] = "dew"
CURVES = Path(__file__).with_name("curves")


@dataclass(frozen=True, slots=True)
class Refrigerant:
    """A refrigerant with a shipped curve. `fluid` is CoolProp's name for it, `other_names` how else people say it."""

    name: str
    safety_class: SafetyClass
    fluid: str
    other_names: tuple[str, ...] = ()


# Safety groups: ANSI/ASHRAE Standard 34. Those of, R-134a, R-290, R-404A, R-410A, R-454B and R-1234yf were
# read in a list quoting the 2022 edition; those of the other blends are from memory.
# Fluids: R-410A, R-407C and R-404A are CoolProp's pseudo-pure equations (within 0.01 K of its mixtures). The others are
# its predefined mixtures, whose compositions by mass are the published ones (ANSI/ASHRAE Standard 34, from memory;
# R-422D read): R-417A is R-125/134a/600 46.6/50/3.4, R-421A R-125/134a 58/42, R-422B R-125/134a/600a 55/42/3, R-422D
# R-125/134a/600a 65.1/31.5/3.4, R-427A R-32/125/143a/134a 15/25/10/50.
REFRIGERANTS: dict[str, Refrigerant] = {
    row.name: row
    for row in (
        Refrigerant("R-22", "A1", "R22"),
        Refrigerant("R-407C", "A1", "R407C"),
        Refrigerant("R-417A", "A1", "R417A.mix"),
        Refrigerant("R-421A", "A1", "R421A.mix"),
        Refrigerant("R-422B", "A1", "R422B.mix"),
        Refrigerant("R-422D", "A1", "R422D.mix"),
        Refrigerant("R-427A", "A1", "R427A.mix"),
        Refrigerant("R-410A", "A1", "R410A"),
        Refrigerant("R-32", "A2L", "R32"),
        Refrigerant("R-454B", "A2L", "R454B.mix"),
        Refrigerant("R-290", "A3", "R290", ("propane",)),
        Refrigerant("R-134a", "A1", "R134a"),
        Refrigerant("R-404A", "A1", "R404A"),
        Refrigerant("R-448A", "A1", "R448A.mix"),
        Refrigerant("R-449A", "A1", "R449A.mix"),
        Refrigerant("R-1234yf", "A2L", "R1234yf"),
    )
}

# Common practice, no source: the usual sentence for each class, never in place of the maker's or the law's.
CAUTIONS: dict[SafetyClass, str] = {
    "A1": "Refrigerant under pressure: wear eye protection and gloves, keep the space ventilated; it displaces air.",
    "A2L": (
        "A2L, mildly flammable, under pressure: ventilate, keep flames, sparks and hot surfaces away, check for leaked "
        "refrigerant before working, use gauges, recovery machine and detector rated for A2L; wear eye protection and "
        "gloves."
    ),
    "A3": (
        "A3, highly flammable, under pressure: no flame, spark or live switching nearby, ventilate at floor level, "
        "check for leaked refrigerant before working, use equipment rated for A3 only; wear eye protection and gloves."
    ),
}
_UNKNOWN_CAUTION = (
    "Refrigerant under pressure; its safety class is not known here: read the cylinder and the nameplate, and treat it "
    "as flammable until you have."
)


def _key(name: str) -> str:
    return re.sub(r"^(refrigerant|hcfc|hfc|hfo|hc|r)(?=\d)", "", re.sub(r"[^a-z0-9]", "", name.lower()))


_BY_KEY = {_key(text): row.name for row in REFRIGERANTS.values() for text in (row.name, *row.other_names)}
_LOADED: dict[str, Saturation] = {}
_REFUSED: dict[str, PhysicsError] = {}
_MOST_REFUSED = 100


def canonical_name(name: str) -> str | None:
    """The name of the shipped refrigerant meant by `name` ("R410A", "r-410a", "410A"), or None."""
    return _BY_KEY.get(_key(name))


def safety_class(name: str) -> SafetyClass | None:
    """Safety group of ANSI/ASHRAE Standard 34, or None where it is not known here."""
    found = canonical_name(name)
    return REFRIGERANTS[found].safety_class if found else None


def caution(name: str) -> str:
    """The usual caution for a refrigerant: never in place of the maker's instructions, local code or the law."""
    found = safety_class(name)
    return CAUTIONS[found] if found else _UNKNOWN_CAUTION


def curve(name: str) -> Saturation:
    """Saturation of the refrigerant called `name`, spelled as people spell it. Loaded once, then kept.

    Raises UnknownRefrigerant, with the nearest names, or CurveError when its curve is damaged or cannot be made.
    """
    loaded = _LOADED.get(name)
    if loaded is None:
        found = canonical_name(name)
        key = found or _key(name)
        loaded = _LOADED.get(key)
        if loaded is None:
            if (refused := _REFUSED.get(key)) is not None:
                raise type(refused)(str(refused))
            loaded = _LOADED[key] = _shipped(found) if found else _of_coolprop(made_by_coolprop(name))
        _LOADED[name] = loaded
    return loaded


def needs_coolprop(name: str) -> bool:
    """Whether `curve` would have to make the curve, or to find out that it cannot: that takes seconds."""
    return canonical_name(name) is None and _key(name) not in _LOADED and _key(name) not in _REFUSED


def learn(name: str, found: dict[str, Any] | PhysicsError) -> None:
    """What `made_by_coolprop` came to in another process is what `curve` goes by here. Raises CurveError."""
    if isinstance(found, PhysicsError):
        if len(_REFUSED) >= _MOST_REFUSED:
            _REFUSED.clear()
        _REFUSED[_key(name)] = found
    else:
        _LOADED[_key(name)] = _of_coolprop(found)


def curve_file(name: str) -> Path:
    """Where the curve of the shipped refrigerant `name` (as in REFRIGERANTS) is kept."""
    return CURVES / f"{name.lower()}.json"


def digest(body: dict[str, Any]) -> str:
    """SHA-256 over everything of a curve but its digest, written in one fixed way."""
    kept = {key: value for key, value in body.items() if key != "sha256"}
    return hashlib.sha256(json.dumps(kept, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def from_data(body: dict[str, Any], origin: str) -> Saturation:
    """A Saturation from a curve file's content. Raises CurveError, naming `origin`, when it cannot be trusted."""
    try:
        if body["format"] != FORMAT:
            raise CurveError(f"{origin}: format {body['format']!r} is not {FORMAT}; {_REINSTALL}")
        if body["sha256"] != digest(body):
            raise CurveError(f"{origin}: its digest does not match its content; {_REINSTALL}")
        refrigerant = body["refrigerant"]
        bubble, dew = (
            Line(refrigerant, phase, part["low_Pa"], part["high_Pa"], part["temperature_Cel"], part["slope_K"])
            for phase, part in ((_BUBBLE, body["bubble"]), (_DEW, body["dew"]))
        )
        states = body.get("states")
        critical = body["critical"]["temperature_Cel"]
        return Saturation(
            refrigerant, bubble, dew,
            critical_temperature_cel=critical,
            critical_pressure_pa=body["critical"]["pressure_Pa"],
            sha256=body["sha256"],
            source=f"CoolProp {body['coolprop']}, fluid {body['fluid']}",
            states=None if states is None else States(bubble, dew, critical, states),
        )  # fmt: skip
    except (KeyError, TypeError) as error:
        raise CurveError(f"{origin}: not a curve ({error!r}); {_REINSTALL}") from error


_REINSTALL = "install lineset again, or make the curves anew with `python -m lineset.physics.generate_curves`"


def _shipped(name: str) -> Saturation:
    file = curve_file(name)
    try:
        body = json.loads(file.read_bytes())
    except (OSError, ValueError) as error:
        raise CurveError(f"{file}: cannot read the curve of {name} ({error}); {_REINSTALL}") from error
    if not isinstance(body, dict):
        raise CurveError(f"{file}: not a curve; {_REINSTALL}")
    return from_data(body, str(file))


def _of_coolprop(body: dict[str, Any]) -> Saturation:
    return from_data(body, f"CoolProp's fluid {body.get('fluid')}")


def made_by_coolprop(name: str) -> dict[str, Any]:
    """The curve of a refrigerant that has none shipped, as a curve file holds it.

    Raises UnknownRefrigerant, CurveError.
    """
    # Late: CoolProp costs 75 MiB and up to two seconds, which only a refrigerant without a shipped curve should pay.
    from lineset.physics.coolprop_fluid import NotAFluid
    from lineset.physics.generate_curves import sample

    digits = _key(name)
    if not re.fullmatch(r"\d{2,4}[a-z]{0,5}", digits):
        raise UnknownRefrigerant(_unknown(name))
    tail = digits.lstrip("0123456789")
    number = digits[: len(digits) - len(tail)]
    # Blends carry a capital letter (R-513A), isomers of pure fluids a small one (R-152a, R-1234ze(E)).
    isomer = f"{tail[:-1]}({tail[-1].upper()})" if tail[2:] in ("e", "z", "ee", "zz") else tail
    fluids = (f"R{number}{tail.upper()}.mix", f"R{number}{tail.upper()}", f"R{number}{tail}", f"R{number}{isomer}")
    shown = f"R-{number}{tail.upper() if number[0] in '45' else isomer}"
    for fluid in dict.fromkeys(fluids):
        try:
            return sample(shown, fluid, need_states=False)
        except NotAFluid:
            continue
    raise UnknownRefrigerant(_unknown(name))


def _unknown(name: str) -> str:
    near = difflib.get_close_matches(_key(name), _BY_KEY, n=2, cutoff=0.5)
    hint = f"Did you mean {' or '.join(_BY_KEY[key] for key in near)}? " if near else ""
    return f"no refrigerant is called {name!r}. {hint}Curves are shipped for {', '.join(REFRIGERANTS)}."
