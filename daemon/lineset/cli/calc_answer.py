"""What `lineset calc` was asked, brought to SI, computed with its uncertainty."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from lineset.cli import calc_ratings
from lineset.cli.calc_options import KEY_OF, OPTIONS, SHORT, TARGET_NAMES, flags
from lineset.derive import formulas
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import WEATHER_U_PA, Context, Derived, NotDerivable
from lineset.derive.propagate import budget
from lineset.equipment.display import unit_shown
from lineset.equipment.points import POINTS
from lineset.measure.source import KINDS, Parts, coverage95, source, split
from lineset.measure.uncertainty import Z95
from lineset.physics.air import standard_pressure
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import curve
from lineset_drivers.errors import UnitError, ValueTextError
from lineset_drivers.quantity import Quantity, parse_measured

Q = Quantity
# The lowest town lies at 43 m below sea level, the highest near 5100 m; weather adds its few kPa.
_LOWEST_BAROMETER, _HIGHEST_BAROMETER = 45_000.0, 110_000.0
_ABSOLUTE_ZERO = -273.15


class CalcError(ValueError):
    """A question that cannot be answered; says what is wrong and what to type."""


class Given(NamedTuple):
    """One input as typed and in SI; `u` is its standard uncertainty, None when none was typed."""

    text: str
    value: float
    u: float | None
    quantity: Quantity
    title: str


class Contribution(NamedTuple):
    """One source's part in an uncertainty: its name, for people, standard uncertainty (SI), share of the variance."""

    source: str
    title: str
    u: float
    share: float


@dataclass(frozen=True, slots=True)
class Answer:
    """A computed value with all it came from."""

    derived: Derived
    value: float
    u: float | None
    inputs: dict[str, Given]
    refrigerant: str
    barometer: Given | None
    frequency: Given | None
    saturation: float | None  # Cel, where a line temperature was compared with it
    parts: Parts  # source -> what it contributes to `u`, with its sign, SI; empty where `u` is None
    ratings: dict[str, str] = field(default_factory=dict)  # options of the ratings used, as typed

    @property
    def interval95(self) -> tuple[float, float] | None:
        """95 % interval in SI, or None where no input carried an uncertainty."""
        if self.u is None:
            return None
        half = coverage95(self.parts) * self.u
        return self.value - half, self.value + half

    def budget(self) -> list[Contribution]:
        """What each source contributes to the uncertainty, the largest first."""
        if not self.u:
            return []
        variance = self.u * self.u
        found = [
            Contribution(name, self._told(name), abs(effect), effect * effect / variance)
            for name, effect in self.parts.items()
            if effect
        ]
        return sorted(found, key=lambda each: -each.share)

    def _told(self, name: str) -> str:
        kind, whose = split(name)
        of = self.inputs.get(whose.rpartition("/")[2])
        return KINDS[kind] if of is None else f"{of.title}: {KINDS[kind]}"


def names() -> list[str]:
    """Every name that can be asked for: short ones first."""
    return list(dict.fromkeys([*(name.replace("_", "-") for name in (*SHORT, *TARGET_NAMES)), *CATALOGUE]))


def candidates(name: str) -> tuple[Derived, ...]:
    """What `name` can mean. Raises CalcError with near names when it means nothing."""
    key = name.strip().lower().replace("-", "_").replace(" ", "_")
    found = SHORT.get(key) or ((CATALOGUE[key],) if key in CATALOGUE else ())
    found = found or tuple(each for meant in SHORT.values() for each in meant if each.name == key)
    if not found:
        known = [*SHORT, *TARGET_NAMES, *CATALOGUE]
        near = difflib.get_close_matches(key, known, n=3, cutoff=0.5) or [each for each in known if key and key in each]
        hint = f"did you mean {' or '.join(each.replace('_', '-') for each in near[:3])}? " if near else ""
        raise CalcError(f"nothing is called {name!r}; {hint}`lineset calc --list` names all")
    return found


def measured(flag: str, text: str, quantity: Quantity, title: str) -> Given:
    """An option's text as an input in SI. Raises CalcError, naming the option."""
    if re.fullmatch(r"[-+]?\d*\.?\d*", text.strip()):
        unit = unit_shown(quantity)
        raise CalcError(f'{flag}: {text!r} has no unit; write it with one, such as "{text.strip() or 1} {unit}"')
    try:
        found = parse_measured(text, quantity)
    except (UnitError, ValueTextError) as error:
        raise CalcError(f"{flag}: {error}") from error
    if not math.isfinite(found.value):
        raise CalcError(f"{flag}: {text!r} is not a finite number")
    if quantity is Q.TEMPERATURE and found.value < _ABSOLUTE_ZERO:
        raise CalcError(f"{flag}: {text!r} is below absolute zero; check the number and its unit")
    return Given(found.text, found.value, None if found.half_width is None else found.half_width / Z95, quantity, title)


def _altitude_m(text: str) -> float:
    match = re.fullmatch(r"\s*([-+]?\d+(?:\.\d*)?)\s*(ft|m)\s*", text)
    if match is None:
        raise CalcError(f'--altitude: cannot read {text!r}; write it like "5000 ft" or "1500 m"')
    return float(match[1]) * (0.3048 if match[2] == "ft" else 1.0)


def site_barometer(altitude: str | None, barometer: str | None) -> Given:
    """Barometric pressure [Pa]: typed, or of the standard atmosphere at an altitude. Raises CalcError."""
    if barometer is not None:
        if altitude is not None:
            raise CalcError("give --barometer or --altitude, not both: the barometer's reading has the altitude in it")
        found = measured("--barometer", barometer, Q.PRESSURE_ABSOLUTE, "barometric pressure")
        if not _LOWEST_BAROMETER <= found.value <= _HIGHEST_BAROMETER:
            raise CalcError(
                f"--barometer: {barometer!r} is outside {_LOWEST_BAROMETER / 1e3:.0f} .. "
                f"{_HIGHEST_BAROMETER / 1e3:.0f} kPa; give the pressure at the site, not one reduced to sea level"
            )
        return found
    try:
        value = standard_pressure(_altitude_m(altitude or "0 m"))
    except PhysicsError as error:
        raise CalcError(f"--altitude: {error}") from error
    text = f"standard atmosphere at {altitude.strip() if altitude else 'sea level'}"
    return Given(text, value, None, Q.PRESSURE_ABSOLUTE, "barometric pressure")


def _choose(name: str, typed: Mapping[str, str], refrigerant: str, ratings: Mapping[str, str]) -> Derived:
    found = candidates(name)
    given = {point for key in typed for point in OPTIONS[key].points}
    whole = [derived for derived in found if given.issuperset(derived.inputs)]
    for derived in whole:
        if not calc_ratings.missing(derived.needs_nameplate, ratings):
            return derived
    if whole:
        wanted = " and ".join(calc_ratings.missing(whole[0].needs_nameplate, ratings))
        raise CalcError(f"{whole[0].title} needs {wanted}")
    # Nothing fits: complain about the meaning that lacks least.
    derived = min(found, key=lambda each: len(set(each.inputs) - given))
    missing = [OPTIONS[KEY_OF[each]] for each in derived.inputs if each not in given]
    asked = [f'{option.flag} "VALUE {unit_shown(option.quantity)}" ({option.title})' for option in missing]
    asked += calc_ratings.missing(derived.needs_nameplate, ratings)
    if derived.needs_refrigerant and not refrigerant:
        asked.append("--refrigerant NAME (on the nameplate)")
    wanted = " and ".join(asked)
    also = ""
    if len(found) > 1:
        ways = dict.fromkeys(" ".join(flags(each)) for each in found)
        also = f"; one of these sets is needed: {', or '.join(ways)}"
    raise CalcError(f"{derived.title} needs {wanted}{also}")


def _pressure(key: str, text: str, barometer: Given) -> tuple[Given, bool]:
    """A port's pressure as gauge pressure, and whether it was typed as absolute."""
    option = OPTIONS[key]
    try:  # a bare "kPa" or "bar" is read as gauge pressure: a port is read by a gauge
        return measured(option.flag, text, Q.PRESSURE_GAUGE, option.title), False
    except CalcError as error:
        refused = error
    try:
        absolute = measured(option.flag, text, Q.PRESSURE_ABSOLUTE, option.title)
    except CalcError:
        raise refused from None
    return absolute._replace(value=absolute.value - barometer.value, quantity=Q.PRESSURE_GAUGE), True


# Where vapor is read, superheat counts from dew; where liquid is read, subcooling from bubble.
_OTHER_LINE = {
    ("bubble_temperature", "vapor_service_pressure"): "dew",
    ("bubble_temperature", "common_suction_pressure"): "dew",
    ("dew_temperature", "liquid_service_pressure"): "bubble",
}
_GLIDE_K = 0.3  # below it both lines are one to any gauge


def _refuse_the_other_line(derived: Derived, refrigerant: str, inputs: Mapping[str, Given], site: Given) -> None:
    """Refuse a blend's bubble temperature at a port that holds vapor, and its dew temperature where liquid is."""
    port, given = next(iter(inputs.items()))
    right = _OTHER_LINE.get((derived.name, port))
    if right is None:
        return
    try:
        glide = curve(refrigerant).glide(given.value + site.value)
    except PhysicsError:
        return  # the value itself is refused, and says why
    if glide > _GLIDE_K:
        raise CalcError(
            f"{derived.title}: {refrigerant} glides {glide * 1.8:.1f} degF ({glide:.1f} K), and at the {given.title} "
            f"the {right} temperature is the one to hold a line against: ask for `{right}`. If the other line is "
            "meant, give the pressure with --pressure"
        )


def answer(
    name: str,
    typed: Mapping[str, str],
    *,
    refrigerant: str = "",
    frequency: str | None = None,
    altitude: str | None = None,
    barometer: str | None = None,
    ratings: Mapping[str, str] | None = None,
    map_temperature: str | None = None,
    map_superheat: str | None = None,
) -> Answer:
    """Compute what was asked. `typed` holds the options' texts by key of OPTIONS, `ratings` by key of RATINGS.

    Raises CalcError.
    """
    ratings = ratings or {}
    derived = _choose(name, typed, refrigerant, ratings)
    site = site_barometer(altitude, barometer)
    inputs: dict[str, Given] = {}
    absolute = []
    for point in derived.inputs:
        key = KEY_OF[point]
        option = OPTIONS[key]
        title = POINTS[point].title if point in POINTS else option.title
        if option.quantity is Q.PRESSURE_GAUGE:
            given, was_absolute = _pressure(key, typed[key], site)
            absolute.append(was_absolute)
        else:
            given = measured(option.flag, typed[key], option.quantity, title)
        inputs[point] = given._replace(title=title)
    unused = [OPTIONS[key].flag for key in typed if not set(OPTIONS[key].points) & set(derived.inputs)]
    unused += calc_ratings.unused(derived.needs_nameplate, ratings)
    if unused:
        raise CalcError(f"{derived.title} does not use {', '.join(unused)}; leave it out, or ask for another value")
    if any(absolute) and not all(absolute):
        raise CalcError("give all pressures as gauge, or all as absolute: the barometer would count for one only")
    if derived.needs_refrigerant and not refrigerant:
        raise CalcError(f"{derived.title} needs --refrigerant, such as --refrigerant R-410A; read it on the nameplate")
    _refuse_the_other_line(derived, refrigerant, inputs, site)
    supply = measured("--frequency", frequency or "60 Hz", Q.FREQUENCY, "line frequency")
    try:
        plate = calc_ratings.nameplate(ratings, map_temperature, map_superheat)
    except calc_ratings.RatingError as error:
        raise CalcError(str(error)) from error
    # An absolute pressure has no barometer in it, so the barometer's uncertainty must not come in by conversion.
    us = [given.u for given in inputs.values()]
    site_u = 0.0 if any(absolute) else site.u or 0.0
    if not any(absolute) and barometer is None and any(us):
        site_u = WEATHER_U_PA  # as in a visit without a barometer: the standard atmosphere, and weather on top of it
    context = Context(refrigerant, supply.value, site.value, site_u, supply.u or 0.0, plate)
    try:
        parts = [{source("stated", name): given.u} if given.u else {} for name, given in inputs.items()]
        found = budget(derived, context, [given.value for given in inputs.values()], parts)
        saturation = None
        above, below = (formulas.above_dew, formulas.superheat), (formulas.below_bubble, formulas.subcooling)
        for compared, like in ((above, formulas.dew_temperature), (below, formulas.bubble_temperature)):
            if derived.compute in compared:
                saturation = like(context, [next(iter(inputs.values())).value]).value
    except NotDerivable as error:
        raise CalcError(error.reason) from error
    has_u = any(u is not None for u in us) or bool(found.barometric and site.u) or bool(found.frequency and supply.u)
    return Answer(
        derived, found.value, found.u if has_u else None, inputs,
        curve(refrigerant).refrigerant if derived.needs_refrigerant else "",
        site if found.barometric else None, supply if found.frequency else None, saturation,
        found.parts if has_u else {}, dict(ratings),
    )  # fmt: skip
