"""What a derived value is: the declaration, the context of the site, and the errors and results of a computation.

All values are SI (Cel for temperatures, K for differences, gauge and absolute Pa, A, V, Hz, F, VA).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

from lineset.equipment.nameplate import BLANK, Nameplate
from lineset.physics.air import STANDARD_PA, standard_pressure
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import curve
from lineset.physics.saturation import Saturation
from lineset_drivers.quantity import SI_UNIT, Quantity

# Weather moves the barometer within about 2 kPa to either side of the standard atmosphere (common practice, no
# source); taken as rectangular limits, JCGM 100:2008, 4.3.7.
WEATHER_U_PA = 2000.0 / 3.0**0.5


class NotDerivable(Exception):
    """A derived value that does not exist for these inputs; `reason` says why and what to do. Never a wrong number."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


@dataclass(frozen=True)
class Context:
    """What a system and its site contribute to derived values besides the readings.

    `barometric_pa` [Pa] turns gauge pressures into absolute ones, `barometric_u_pa` is its standard uncertainty;
    `line_frequency_hz` [Hz] and `line_frequency_u_hz` likewise for the supply. `nameplate` holds the ratings that some
    values are worked out with; they are taken as exact, since a rating is a reference and no measurement.
    """

    refrigerant: str = ""
    line_frequency_hz: float = 60.0
    barometric_pa: float = STANDARD_PA
    barometric_u_pa: float = WEATHER_U_PA
    line_frequency_u_hz: float = 0.0
    nameplate: Nameplate = BLANK

    @classmethod
    def at_altitude(
        cls, refrigerant: str, altitude_m: float, line_frequency_hz: float = 60.0, nameplate: Nameplate = BLANK
    ) -> Context:
        """The context of a site without a barometer: the standard atmosphere at its altitude [m], weather unknown.

        Raises OutOfRange when the altitude is impossible.
        """
        pressure = standard_pressure(altitude_m)
        return cls(refrigerant, line_frequency_hz, pressure, WEATHER_U_PA, nameplate=nameplate)

    def with_barometer(self, barometric_pa: float, barometric_u_pa: float) -> Context:
        """The same context with a barometer's reading [Pa] and its standard uncertainty [Pa]."""
        return replace(self, barometric_pa=barometric_pa, barometric_u_pa=barometric_u_pa)

    @cached_property
    def saturation(self) -> Saturation:
        """The refrigerant's saturation curves. Raises NotDerivable when none is given or known."""
        if not self.refrigerant:
            raise NotDerivable("no refrigerant is given for this system; name the one on its nameplate")
        try:
            return curve(self.refrigerant)
        except PhysicsError as error:
            raise NotDerivable(str(error)) from error


class Evaluated(NamedTuple):
    """A computed value with its first derivatives, all SI.

    `partials` go with the declaration's `inputs`, in order; `barometric` and `frequency` are the derivatives by the
    context's barometric pressure and line frequency.
    """

    value: float
    partials: tuple[float, ...]
    barometric: float = 0.0
    frequency: float = 0.0


Formula = Callable[[Context, Sequence[float]], Evaluated]


@dataclass(frozen=True, slots=True)
class Derived:
    """One derived value, declared.

    `inputs` are names of points; `compute(context, values)` takes their SI values in that order and returns an
    Evaluated or raises NotDerivable. `instanced` are those inputs that carry the instance of an instanced value
    (`heat_strip_apparent_power.2` comes from `heat_strip_current.2`). `estimate` marks a value that stands in for
    the one its title names; `validity` says why. `paired` values may be put together from readings taken one after
    the other with one meter, within one run; the others need inputs of one moment. `needs_run`: says nothing while
    the system is stopped or starting; `needs_stopped`: only after a long stop; `needs_mode`: only in these modes of
    the run. `needs_nameplate` are the fields of the Nameplate that it is worked out with. `as_range`: told as its 95 %
    interval, never the subject of a verdict. `each_second`: takes long to work out and changes slowly, so that a visit
    works it out once a second, and at once when an input settles or is entered, not at each sample of an input; by the
    same formula. `for_instance` gives the formula of one instance, where ratings differ.
    """

    name: str
    title: str
    inputs: tuple[str, ...]
    quantity: Quantity
    formula: str
    validity: str
    source: str
    compute: Formula
    estimate: bool = False
    needs_refrigerant: bool = False
    instanced: tuple[str, ...] = ()
    paired: bool = False
    needs_run: bool = False
    needs_stopped: bool = False
    needs_mode: tuple[str, ...] = ()
    needs_nameplate: tuple[str, ...] = ()
    as_range: bool = False
    each_second: bool = False
    for_instance: Callable[[int], Formula] | None = None

    @property
    def si_unit(self) -> str:
        """Unit symbol of RFC 8428 for this value."""
        return SI_UNIT[self.quantity]

    def at_instance(self, instance: str) -> Derived:
        """The same value for one instance of what it is measured on ("2"); itself when it has no instances."""
        if not instance or not self.instanced:
            return self
        inputs = tuple(f"{name}.{instance}" if name in self.instanced else name for name in self.inputs)
        compute = self.compute if self.for_instance is None else self.for_instance(int(instance))
        return replace(
            self, name=f"{self.name}.{instance}", title=f"{self.title} {instance}", inputs=inputs, compute=compute
        )
