"""Standard uncertainty of a reading, from what its profile and its calibration state.

After JCGM 100:2008 (GUM). Limits of error given without a distribution are rectangular: divided by the square
root of three (4.3.7). A display's last digit is rectangular with half a digit to either side (F.2.2.1). Sources are
independent within one reading; those that readings share are joined where values are combined (see source.py). What
the probe's place adds is in installation.py.
"""

from __future__ import annotations

import math
from datetime import date

from lineset.contract.entry import Calibration, ChannelRecord
from lineset.measure.source import source
from lineset_drivers.quantity import Quantity, unit_of

_SQRT3 = math.sqrt(3.0)
_SQRT12 = math.sqrt(12.0)
_YEAR = 365  # days
Z95 = 1.959963984540054  # two-sided 95 % quantile of the normal distribution


class ChannelScale:
    """A channel's way from a sample to SI, compiled once: value, standard uncertainty, and what it is made of.

    `si(x)` is x brought to SI and corrected by the calibration; `u(x)` its standard uncertainty in SI, from accuracy
    (% of reading + absolute + counts: one limit of error), resolution and calibration; `parts(si)` the same by source
    for a value in SI. `resolution` is in SI. `widened` multiplies the maker's limits (see `overdue`), `kept` the fixed
    part of them (less than 1 where a comparison has proved a part of it). `fixed` is that part's standard uncertainty.
    """

    __slots__ = (
        "_offset_u",
        "_own",
        "_reading",
        "_reference_u",
        "_rest_var",
        "_shared",
        "factor",
        "fixed",
        "gain_u",
        "instrument",
        "offset",
        "record",
        "resolution",
    )

    def __init__(self, record: ChannelRecord, instrument: str = "", widened: float = 1.0, kept: float = 1.0) -> None:
        """Raises UnitError when the record's unit does not fit its quantity."""
        unit = unit_of(record.unit, Quantity(record.quantity))
        calibration = record.calibration
        self.record, self.instrument = record, instrument
        self.factor = unit.factor * calibration.gain
        self.offset = unit.offset * calibration.gain + calibration.offset
        size = abs(self.factor)
        self.resolution = record.resolution * size
        self.fixed = (record.absolute * size + record.counts * self.resolution) * widened * kept / _SQRT3
        # the part in proportion to the reading counts from the unit's own zero, as makers state it (% of reading
        # of a thermometer in degF counts from 0 degF)
        self._reading = record.reading_pct / 100.0 / _SQRT3 * size * widened
        self._offset_u, self._reference_u = calibration.u, calibration.reference_u
        self.gain_u = calibration.u_gain * size
        self._rest_var = self.resolution**2 / 12.0 + calibration.u**2 + calibration.reference_u**2
        self._own, self._shared = math.sqrt(1.0 - record.shared), math.sqrt(record.shared)

    def si(self, value: float) -> float:
        """SI value of a sample."""
        return value * self.factor + self.offset

    def u(self, value: float) -> float:
        """Standard uncertainty, SI, of a sample with this value."""
        limit = self.fixed + self._reading * abs(value)
        gain = self.gain_u * value
        return math.sqrt(limit * limit + self._rest_var + gain * gain)

    @property
    def flat(self) -> bool:
        """Whether `u` is the same for every reading."""
        return not self._reading and not self.gain_u

    def shares(self) -> tuple[str, ...]:
        """The sources here that channels of other names may have too."""
        found = []
        if self._shared:
            found.append(source("accuracy", self.instrument))
        if self._reference_u:
            found.append(source("reference", self._reference()))
        return tuple(found)

    def parts(self, si: float, point: str) -> dict[str, float]:
        """Standard uncertainty by source, SI, of a value that is in SI already and was read at `point`.

        The last digit is the point's, everything else the channel's: it goes along from one point to the next.
        """
        value = (si - self.offset) / self.factor if self.factor else 0.0
        channel = f"{self.instrument}/{self.record.name}"
        limit = self.fixed + self._reading * abs(value)
        found = {source("accuracy", channel): limit * self._own}
        if self._shared:
            found[source("accuracy", self.instrument)] = limit * self._shared
        if self.resolution:
            found[source("resolution", point)] = self.resolution / _SQRT12
        if self._offset_u:
            found[source("calibration", channel)] = self._offset_u
        if self.gain_u:
            found[source("calibration", f"{channel} gain")] = self.gain_u * value
        if self._reference_u:
            found[source("reference", self._reference())] = self._reference_u
        return found

    def _reference(self) -> str:
        # one that has no name is nobody else's
        return self.record.calibration.reference or f"of {self.instrument}/{self.record.name}"


def overdue(calibration: Calibration, today: str) -> float:
    """By how much the maker's limits are widened on `today` (ISO date): 1 until the due date.

    The limits are what an instrument holds between two calibrations; past the due date they are taken to grow in
    proportion to the time since the calibration, so that one more interval doubles them. The interval is from the
    certificate's date to the due date, or a year where it has no date. Our judgement (common practice, no source).
    Returns 1 for what is no date: the configuration refuses those.
    """
    if not calibration.due or not today > calibration.due:
        return 1.0
    try:
        due = date.fromisoformat(calibration.due)
        late = (date.fromisoformat(today) - due).days
        interval = (due - date.fromisoformat(calibration.date)).days if calibration.date else _YEAR
    except ValueError:
        return 1.0
    return 1.0 + late / max(interval, 1)


def student_t95(dof: float) -> float:
    """Two-sided 95 % quantile of Student's distribution for `dof` >= 1 degrees of freedom.

    Cornish-Fisher expansion in 1/dof (Abramowitz and Stegun 26.7.5, from memory), within 0.5 % from 3 on, and exact
    figures below (JCGM 100:2008 table G.2: 12.71 and 4.30).
    """
    if dof < 2.0:
        return 12.71
    if dof < 3.0:
        return 4.30
    z, v = Z95, dof
    z3 = z**3
    z5 = z**5
    z7 = z**7
    return (
        z
        + (z3 + z) / (4 * v)
        + (5 * z5 + 16 * z3 + 3 * z) / (96 * v * v)
        + (3 * z7 + 19 * z5 + 17 * z3 - 15 * z) / (384 * v**3)
    )


def interval95(value: float, u: float) -> tuple[float, float]:
    """95 % interval of a value with standard uncertainty `u`, taken as normal."""
    return value - Z95 * u, value + Z95 * u
