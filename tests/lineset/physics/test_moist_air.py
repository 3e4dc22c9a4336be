"""Moist air against published tables, against CoolProp's, and against itself."""

from __future__ import annotations

import math

import published_air
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from published_air import Published

from lineset.physics import moist_air, wet_bulb
from lineset.physics.errors import OutOfRange
from lineset.physics.moist_air import Graded
from lineset.physics.water import condensed_enthalpy, saturation_pressure


def HAPropsSI(*given: object) -> float:  # noqa: N802 - by its own name
    """CoolProp's, imported only where it is asked: that takes two seconds."""
    from CoolProp import HumidAirProp

    found: float = HumidAirProp.HAPropsSI(*given)
    return found


ROWS = published_air.rows()
# What a row may differ beyond half a unit of its last digit: (part of the value, and absolute in the row's unit).
# ASHRAE's tables of 2009 and 2017 rest on the IAPWS water and on virials of 2009; ours on Hyland and Wexler's second
# virials: 2e-4 of humidity ratio at -5 degC is the most, 3 J/kg of enthalpy, 2e-5 of volume.
TABLES = {"w": (3e-4, 0.0), "h_kJ": (0.0, 0.003), "h_Btu": (0.0, 0.0015), "v": (3e-5, 0.0)}
# Water's own table: printed with older coefficients in a few IP rows (122 degF: 1e-4).
TABLES["p_ws"] = (1.2e-4, 0.0)
# The standard atmosphere in psia is printed from feet rounded otherwise: 2e-4.
TABLES["p_std"] = (2e-4, 0.0)
# Examples whose figures were read off a printed chart: a chart's line is about so wide.
CHART = {"h": (1e-3, 0.0), "w": (2e-3, 0.0), "v": (3e-4, 0.0), "rh": (0.0, 0.0), "t": (0.0, 0.0)}
# A textbook's examples on a perfect-gas chart: 0.5 % of humidity ratio, 0.25 % of enthalpy.
TEXTBOOK = {"h": (2.5e-3, 0.0), "w": (5e-3, 0.0), "v": (5e-4, 0.0), "t": (0.0, 0.0)}
# Rows made by a perfect-gas spreadsheet: its bias of 0.4 % of saturation, up to 1 % of a dry state's humidity ratio.
SPREADSHEET = {"h": (5e-4, 0.0), "w": (1.05e-2, 0.0), "v": (4e-4, 0.0)}


def _tolerance(row: Published) -> float:
    if row.source == "PSYXL":
        table = SPREADSHEET
    elif row.source.startswith("CENGEL"):
        table = TEXTBOOK
    elif row.note == "chart reading":
        table = CHART
    else:
        table = TABLES
    part, absolute = next(limits for start, limits in table.items() if row.output.startswith(start))
    return row.halfstep + part * abs(row.printed) + absolute


@pytest.mark.parametrize("row", [row for row in ROWS if not row.suspect], ids=lambda row: row.row)
def test_published_value(row: Published) -> None:
    assert published_air.real(row) == pytest.approx(row.printed, abs=_tolerance(row))


def test_the_plain_model_is_biased_as_said() -> None:
    # 0.4 % low in saturated humidity ratio: what the enhancement factor is for.
    saturated = [row for row in ROWS if row.source == "ASHRAE17T2" and row.output.startswith("w_")]
    assert len(saturated) == 6
    for row in saturated:
        found = published_air.plain(row)
        assert found is not None
        assert -0.0055 < found / row.printed - 1.0 < -0.0035


states = st.tuples(st.floats(-30.0, 60.0), st.floats(1.0, 100.0), st.floats(60e3, 106e3))


@given(states)
def test_agrees_with_coolprop(state: tuple[float, float, float]) -> None:
    """CoolProp's humid air is Herrmann, Kretzschmar and Gatley 2009 (ASHRAE RP-1485)."""
    t, rh, p = state
    kelvin = t + 273.15

    def theirs(what: str) -> float:
        return float(HAPropsSI(what, "T", kelvin, "P", p, "R", rh / 100.0))

    w = moist_air.humidity_ratio(t, rh, p)
    assert w.value == pytest.approx(theirs("W"), rel=5e-4)
    assert wet_bulb.volume_of(t, rh, p).value == pytest.approx(theirs("V"), rel=5e-5)
    assert wet_bulb.enthalpy_of(t, rh, p).value == pytest.approx(theirs("H"), abs=20.0, rel=2e-4)


@pytest.mark.parametrize("p", [101_325.0, 84_300.0])
@pytest.mark.parametrize(
    ("t", "rh"), [(24.0, 50.0), (24.0, 65.0), (13.0, 92.0), (35.0, 40.0), (43.0, 12.0), (4.0, 70.0)]
)
def test_wet_bulb_and_dew_point_agree_with_coolprop(t: float, rh: float, p: float) -> None:
    given_state = ("T", t + 273.15, "P", p, "R", rh / 100.0)
    assert wet_bulb.wet_bulb_of(t, rh, p).value == pytest.approx(HAPropsSI("B", *given_state) - 273.15, abs=5e-3)
    assert wet_bulb.dew_point_of(t, rh, p).value == pytest.approx(HAPropsSI("D", *given_state) - 273.15, abs=5e-3)


@given(states)
def test_inverses(state: tuple[float, float, float]) -> None:
    t, rh, p = state
    w = moist_air.humidity_ratio(t, rh, p).value
    assert moist_air.relative_humidity(t, w, p).value == pytest.approx(rh, rel=1e-10)
    wet = wet_bulb.wet_bulb(t, w, p).value if _has_wet_bulb(t, w, p) else None
    if wet is not None:
        assert wet <= t + 1e-9
    if wet is not None and abs(wet) > 1e-6:
        # at the freezing point the wick turns from water to ice and the ratio steps: there is no inverse to compare
        assert wet_bulb.ratio_from_wet_bulb(t, min(wet, t), p).value == pytest.approx(w, rel=1e-7, abs=1e-10)
    if saturation_pressure(-40.0)[0] < 0.99 * rh / 100.0 * saturation_pressure(t)[0]:
        dew = wet_bulb.dew_point(t, w, p).value
        assert dew <= t + 1e-9
        if abs(dew) > 1e-6:
            # at the freezing point saturation steps from ice to water: no dew point has a ratio of that gap
            assert wet_bulb.ratio_from_dew_point(t, min(dew, t), p).value == pytest.approx(w, rel=1e-9)
        if wet is not None and not -0.5 < wet < 0.0:
            assert dew <= wet + 1e-6


def _has_wet_bulb(t: float, w: float, p: float) -> bool:
    try:
        wet_bulb.wet_bulb(t, w, p)
    except OutOfRange:
        return False
    return True


def _slopes(function: object, arguments: tuple[float, float, float]) -> list[float]:
    found = []
    for i, h in enumerate((1e-3, max(abs(arguments[1]) * 1e-4, 1e-9), 1.0)):
        ends = [function(*(a + s * h if i == j else a for j, a in enumerate(arguments))).value for s in (1, -1)]  # type: ignore[operator]
        found.append((ends[0] - ends[1]) / (2.0 * h))
    return found


FUNCTIONS = (
    moist_air.humidity_ratio, wet_bulb.enthalpy_of, wet_bulb.volume_of, wet_bulb.wet_bulb_of, wet_bulb.dew_point_of,
)  # fmt: skip


@pytest.mark.parametrize("function", FUNCTIONS)
@given(st.floats(2.0, 55.0), st.floats(10.0, 99.9), st.floats(60e3, 106e3))
def test_partials_are_slopes(function: object, t: float, rh: float, p: float) -> None:
    found: Graded = function(t, rh, p)  # type: ignore[operator]
    if function is wet_bulb.wet_bulb_of or function is wet_bulb.dew_point_of:
        assume(not -3.0 < found.value < 0.05)  # the step from water to ice, and where ice takes over
    for ours, theirs in zip(found[1:], _slopes(function, (t, rh, p)), strict=True):
        assert ours == pytest.approx(theirs, rel=2e-4, abs=1e-9)


@given(st.floats(2.0, 50.0), st.floats(0.15, 1.0), st.floats(60e3, 106e3))
def test_partials_of_what_a_wet_bulb_gives(t: float, part: float, p: float) -> None:
    dry = wet_bulb.wet_bulb(t, 1e-4, p).value
    wet = dry + part * (t - dry)
    assume(abs(wet) > 0.05)
    found = wet_bulb.ratio_from_wet_bulb(t, wet, p)
    assume(t - wet > 0.01)
    for ours, theirs in zip(found[1:], _slopes(wet_bulb.ratio_from_wet_bulb, (t, wet, p)), strict=True):
        assert ours == pytest.approx(theirs, rel=2e-4, abs=1e-10)
    inner = found
    for outer in (moist_air.relative_humidity, moist_air.density, wet_bulb.dew_point):
        if outer is wet_bulb.dew_point and abs(outer(t, inner.value, p).value) < 0.05:
            continue
        whole = outer(t, inner.value, p).of(inner)
        slopes = _slopes(
            lambda a, b, c, outer=outer: outer(a, wet_bulb.ratio_from_wet_bulb(a, b, c).value, c), (t, wet, p)
        )
        for ours, theirs in zip(whole[1:], slopes, strict=True):
            assert ours == pytest.approx(theirs, rel=3e-4, abs=1e-6)


@given(st.floats(-39.0, 79.0), st.floats(60e3, 106e3))
def test_water_slopes(t: float, p: float) -> None:
    assume(abs(t) > 0.01)
    value, slope = saturation_pressure(t)
    h = 1e-3
    ends = [saturation_pressure(t + s * h)[0] for s in (1, -1)]
    assert slope == pytest.approx((ends[0] - ends[1]) / (2 * h), rel=1e-6)
    assert value > 0.0
    ends = [condensed_enthalpy(t + s * h)[0] for s in (1, -1)]
    assert condensed_enthalpy(t)[1] == pytest.approx((ends[0] - ends[1]) / (2 * h), rel=1e-5)


@given(st.floats(0.5, 70.0), st.floats(5.0, 99.0), st.floats(60e3, 106e3))
def test_more_humidity_is_a_higher_wet_bulb_and_dew_point(t: float, rh: float, p: float) -> None:
    assume(wet_bulb.wet_bulb_of(t, rh, p).value > 0.1)
    assert wet_bulb.wet_bulb_of(t, rh + 1.0, p).value > wet_bulb.wet_bulb_of(t, rh, p).value
    assert wet_bulb.wet_bulb_of(t, 100.0, p).value == pytest.approx(t, abs=1e-7)
    assert wet_bulb.dew_point_of(t, 100.0, p).value == pytest.approx(t, abs=1e-7)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: moist_air.humidity_ratio(24.0, 101.0, 101_325.0), "above 100 %"),
        (lambda: moist_air.humidity_ratio(24.0, -1.0, 101_325.0), "humidity probe"),
        (lambda: moist_air.humidity_ratio(24.0, math.nan, 101_325.0), "humidity probe"),
        (lambda: moist_air.humidity_ratio(math.nan, 50.0, 101_325.0), "air temperature"),
        (lambda: moist_air.humidity_ratio(90.0, 50.0, 101_325.0), "air temperature"),
        (lambda: moist_air.humidity_ratio(24.0, 50.0, 14.7), "not reduced to sea level"),
        (lambda: moist_air.humidity_ratio(80.0, 50.0, 50_000.0), "boils"),
        (lambda: wet_bulb.ratio_from_wet_bulb(24.0, 24.5, 101_325.0), "cannot be above its dry bulb"),
        (lambda: wet_bulb.ratio_from_wet_bulb(40.0, 5.0, 101_325.0), "even dry air"),
        (lambda: wet_bulb.ratio_from_dew_point(24.0, 24.5, 101_325.0), "cannot be above its dry bulb"),
        (lambda: wet_bulb.wet_bulb(24.0, 0.03, 101_325.0), "above saturation"),
        (lambda: wet_bulb.wet_bulb(-39.99, 0.0, 101_325.0), "below -40"),
        (lambda: wet_bulb.dew_point(24.0, 0.03, 101_325.0), "above the dry bulb"),
        (lambda: wet_bulb.dew_point(24.0, 0.0, 101_325.0), "below -40 degC"),
        (lambda: moist_air.enthalpy(24.0, -0.001, 101_325.0), "grains"),
        (lambda: moist_air.relative_humidity(24.0, 0.03, 101_325.0), "cannot hold"),
        (lambda: saturation_pressure(200.0), "its unit"),
    ],
)
def test_impossible_air_is_refused(call: object, says: str) -> None:
    with pytest.raises(OutOfRange, match=says):
        call()  # type: ignore[operator]
