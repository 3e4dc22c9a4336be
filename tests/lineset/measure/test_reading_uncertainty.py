"""Standard uncertainty of a reading from its profile and calibration."""

from __future__ import annotations

import math

import pytest

from lineset.contract.entry import Calibration, ChannelRecord
from lineset.measure.uncertainty import ChannelScale, interval95, student_t95
from lineset_drivers.errors import UnitError


def scale(**more: object) -> ChannelScale:
    return ChannelScale(ChannelRecord(name="x", **more))  # type: ignore[arg-type]


def test_si_value_with_calibration() -> None:
    calibration = Calibration(gain=1.01, offset=-0.5)
    found = scale(quantity="temperature", unit="degF", calibration=calibration)
    assert found.si(212.0) == pytest.approx(100.0 * 1.01 - 0.5)


def test_limits_are_rectangular_and_the_last_digit_is_half_to_either_side() -> None:
    # JCGM 100:2008: limits a give a/sqrt(3) where nothing else is known (4.3.7), a display step step/sqrt(12) (F.2.2.1)
    found = scale(quantity="current", unit="A", reading_pct=2.0, counts=5, resolution=0.01)
    # "2 % of reading and 5 counts" is one limit of error: the terms add up before it is divided
    expected = math.hypot((0.02 * 10 + 5 * 0.01) / math.sqrt(3), 0.01 / math.sqrt(12))
    assert found.u(10.0) == pytest.approx(expected)
    # a calibration's own uncertainty adds in quadrature
    better = scale(quantity="current", unit="A", resolution=0.01, calibration=Calibration(u=0.02))
    assert better.u(10.0) == pytest.approx(math.hypot(0.02, 0.01 / math.sqrt(12)))


def test_temperatures_in_degf_have_uncertainties_in_kelvin() -> None:
    assert scale(quantity="temperature", unit="degF", absolute=1.8).u(70.0) == pytest.approx(1.0 / math.sqrt(3))


def test_a_unit_of_another_quantity_is_refused() -> None:
    with pytest.raises(UnitError, match="unknown unit 'psig'"):
        scale(quantity="temperature", unit="psig")


# JCGM 100:2008 table G.2, column 95 % (from memory, and the same in any table of Student's distribution)
@pytest.mark.parametrize(
    ("dof", "t95"), [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01)]
)
def test_student(dof: int, t95: float) -> None:
    assert student_t95(dof) == pytest.approx(t95, rel=0.008)  # the expansion's error at three degrees of freedom


def test_the_interval_is_two_sided() -> None:
    low, high = interval95(10.0, 1.0)
    assert (low, high) == (pytest.approx(8.04, abs=0.001), pytest.approx(11.96, abs=0.001))
