"""How figures and times are written in a report: display units with their proper signs, 95 % intervals, dates."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from lineset.derive.catalogue import CATALOGUE
from lineset.equipment.display import Units, shown, spread_shown
from lineset.equipment.language import Say
from lineset.equipment.points import POINTS
from lineset_drivers.quantity import Quantity

_SIGNS = (
    (re.compile(r"\+/-"), "±"),
    (re.compile(r"\bdegF\b"), "°F"),
    (re.compile(r"\bdegC\b"), "°C"),
    (re.compile(r"\buF\b"), "µF"),
    (re.compile(r"(?<=\d )ohm\b"), "Ω"),
)
_HELD = "\u00a0"  # a space at which no line ends
_BY_UNIT = {
    "Cel": Quantity.TEMPERATURE,
    "K": Quantity.TEMPERATURE_DIFFERENCE,
    "Pa": Quantity.PRESSURE_DIFFERENCE,
    "%RH": Quantity.RELATIVE_HUMIDITY,
    "A": Quantity.CURRENT,
    "V": Quantity.VOLTAGE,
    "F": Quantity.CAPACITANCE,
    "Ohm": Quantity.RESISTANCE,
    "W": Quantity.POWER,
    "m3/s": Quantity.VOLUME_FLOW,
    "1": Quantity.FRACTION,
    "Hz": Quantity.FREQUENCY,
}


def signs(text: str) -> str:
    """Proper signs for what a terminal writes in plain letters."""
    for plain, sign in _SIGNS:
        text = plain.sub(sign, text)
    return text


def quantity_of(name: str, unit: str) -> Quantity | None:
    """What a recorded value is; by its name, else by its unit (a record may know names that we do not)."""
    base = name.partition(".")[0]
    found = POINTS.get(base) or CATALOGUE.get(base)
    return found.quantity if found is not None else _BY_UNIT.get(unit)


@dataclass(frozen=True)
class Writing:
    """A language, and the units that figures are shown in."""

    say: Say
    language: str
    units: Units
    zone: tzinfo = UTC  # that dates and times are told in

    def value(self, name: str, unit: str, value: float, u: float | None = None) -> str:
        """A value as text, with its 95 % half width."""
        quantity = quantity_of(name, unit)
        if quantity is None:
            return f"{value:.4g}" + (f" ± {1.96 * u:.2g}" if u is not None else "") + f" {unit}"
        return signs(shown(value, quantity, self.units, u, self.say)).replace(" ", _HELD)

    def spread(self, name: str, unit: str, width: float) -> str:
        """A width or a difference of two values as text, with its sign where it is negative."""
        quantity = quantity_of(name, unit)
        if quantity is None:
            return f"{width:.3g}{_HELD}{unit}"
        if quantity is Quantity.TEMPERATURE:
            quantity = Quantity.TEMPERATURE_DIFFERENCE
        text = signs(spread_shown(width, quantity, self.units)).replace(" ", _HELD)
        return f"−{text}" if width < 0.0 and any(digit in "123456789" for digit in text) else text

    def moved(self, name: str, unit: str, by: float, half: float) -> str:
        """A difference with the half width of its interval: "−0.63 ± 0.23 A"."""
        number, _, rest = self.spread(name, unit, by).partition(_HELD)
        width = self.spread(name, unit, half).partition(_HELD)[0]
        return f"{number}{_HELD}±{_HELD}{width}{_HELD}{rest}".rstrip(_HELD)

    def interval(self, name: str, unit: str, low: float | None, high: float | None) -> str:
        """Bounds as text: "5.0 to 7.2 °F", "at least ...", "at most ..."."""
        if low is not None and high is not None:
            return self.say("{low} to {high}").format(
                low=self.value(name, unit, low), high=self.value(name, unit, high)
            )
        if low is not None:
            return self.say("at least {value}").format(value=self.value(name, unit, low))
        if high is not None:
            return self.say("at most {value}").format(value=self.value(name, unit, high))
        return ""

    def title(self, name: str) -> str:
        """The title of a point or derived value, instance included."""
        base, _, instance = name.partition(".")
        found = POINTS.get(base) or CATALOGUE.get(base)
        text = self.say(found.title) if found is not None else base.replace("_", " ")
        return f"{text} {instance}".rstrip()

    def date(self, when: datetime) -> str:
        """A day, written out."""
        when = when.astimezone(self.zone)
        months = self.say(MONTHS).split()
        return self.say(DATE).format(day=when.day, month=months[when.month - 1], year=when.year)

    def clock(self, when: datetime) -> str:
        """Time of day."""
        return f"{when.astimezone(self.zone):%H:%M:%S}"

    def day_and_clock(self, when: datetime) -> str:
        """Day and time of day, in figures."""
        return f"{when.astimezone(self.zone):%Y-%m-%d %H:%M:%S}"

    def month(self, years: float) -> str:
        """A month and year from years since 1970."""
        when = datetime.fromtimestamp(years * 365.25 * 86400.0, UTC)
        return self.say(MONTH).format(month=self.say(MONTHS).split()[when.month - 1], year=when.year)


MONTHS = "January February March April May June July August September October November December"
DATE = "{month} {day}, {year}"
MONTH = "{month} {year}"
