"""From the number on the wire to the number of the profile: codes that mean "no value", then scale and offset."""

from __future__ import annotations

import math

import msgspec

from ..frame import Flag


class Scaling(msgspec.Struct, frozen=True, kw_only=True):
    """value = number x scale + offset, in the profile's unit; the codes are numbers as sent, before scaling."""

    scale: float = 1.0
    offset: float = 0.0
    invalid: tuple[float, ...] = ()
    over_range: tuple[float, ...] = ()
    under_range: tuple[float, ...] = ()
    not_known: tuple[float, ...] = ()

    def codes(self) -> dict[float, str]:
        """Each code with the flag that it stands for."""
        table: dict[float, str] = {}
        for codes, flag in (
            (self.invalid, Flag.INVALID),
            (self.over_range, Flag.OVER_RANGE),
            (self.under_range, Flag.UNDER_RANGE),
            (self.not_known, Flag.NOT_KNOWN),
        ):
            table.update(dict.fromkeys(codes, flag.value))
        return table

    def factors(self) -> tuple[float, float]:
        """(multiplier, divisor), one of them 1.

        A scale of 0.1 becomes a division by ten: 234 / 10 is 23.4, while 234 * 0.1 is 23.400000000000002.
        """
        if 0 < abs(self.scale) < 1:
            divisor = round(1 / self.scale)
            if 1 / divisor == self.scale:
                return 1.0, float(divisor)
        return self.scale, 1.0


class Scaler:
    """A `Scaling` made ready to apply many times."""

    __slots__ = ("_add", "_codes", "_div", "_mul")

    def __init__(self, scaling: Scaling) -> None:
        self._mul, self._div = scaling.factors()
        self._add = scaling.offset
        self._codes = scaling.codes()

    def __call__(self, number: float) -> tuple[float | None, str]:
        """The scaled value and its flag; no value for a code, for not-a-number and for the infinities."""
        flag = self._codes.get(number)
        if flag is not None:
            return None, flag
        if not math.isfinite(number):
            if math.isnan(number):
                return None, Flag.INVALID.value
            return None, (Flag.OVER_RANGE if number > 0 else Flag.UNDER_RANGE).value
        return number * self._mul / self._div + self._add, Flag.OK.value
