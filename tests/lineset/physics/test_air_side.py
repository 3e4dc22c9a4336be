"""Airflow, capacity, condensate and bypass against published worked examples and against themselves."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.physics import air_side, wet_bulb
from lineset.physics.air import sensible_heat
from lineset.physics.electrical import apparent_power
from lineset.physics.errors import OutOfRange
from lineset.physics.gradient import Gradient, chained, inputs

FILE = Path(__file__).parents[2] / "data" / "thermo" / "worked_airside.csv"
SEA_LEVEL = 101_325.0
CFM = 0.3048**3 / 60
BTU_H = 1055.05585262 / 3600
LB_FT3 = 0.45359237 / 0.3048**3


def _row(name: str) -> tuple[dict[str, float], float, float]:
    with FILE.open() as file:
        row = next(row for row in csv.DictReader(file) if row["row_id"] == name)
    given_values = {key: float(value) for key, value in (each.split("=") for each in row["inputs"].split(";"))}
    return given_values, float(row["value_printed"]), float(row["halfstep"])


def _cel(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def test_all_worked_rows_are_checked_here() -> None:
    with FILE.open() as file:
        rows = [row["row_id"] for row in csv.DictReader(file)]
    # AD006, a compression ratio, is checked with the derived values.
    assert rows == ["AD001", "AD002", "AD003", "AD004", "AD005", "AD006", "AD007", "AD008"]


def test_heat_of_strips() -> None:
    given_values, printed, _ = _row("AD001")
    watts = apparent_power(given_values["I_A"], given_values["V_V"])
    # printed with 3.414 Btu/Wh, cut to 3.4139: 0.02 %
    assert watts * given_values["btu_per_Wh"] == pytest.approx(printed, rel=2e-4)
    assert watts / BTU_H == pytest.approx(printed, rel=1e-3)


def test_airflow_from_heat_rise() -> None:
    given_values, printed, _ = _row("AD002")
    heat, back, supply, p = inputs(
        [235.0 * 75.0, _cel(given_values["t_return_degF"]), _cel(given_values["t_supply_degF"]), SEA_LEVEL]
    )
    found = air_side.heat_rise_airflow(heat, back, supply, p).value / CFM
    # The trade's 1.08 stands for dry air of 0.075 lb/ft3 and 0.24 Btu/lb degF; air returning at 74 degF is lighter,
    # its moisture makes volume and specific heat larger alike, and 3.414 is rounded up: within 1 % together.
    assert found == pytest.approx(printed, rel=0.01)


def test_assumed_humidity_hardly_matters_for_a_heat_rise() -> None:
    base = air_side.heat_rise_airflow(*inputs([10e3, 21.0, 45.0, SEA_LEVEL])).value
    for ratio in (0.002, 0.014):
        entering, leaving = (air_side.air_of_ratio(*inputs([t, ratio, SEA_LEVEL])) for t in (21.0, 45.0))
        other = 10e3 * entering.volume.value / (leaving.enthalpy.value - entering.enthalpy.value)
        assert other == pytest.approx(base, rel=2e-3)


def test_capacity_of_the_handbook_example() -> None:
    # ASHRAE Handbook Fundamentals 2009, chapter 1, example 3: 85 degF 50 % to 50 degF saturated, 10,000 cfm.
    given_values, printed, half = _row("AD003")
    flow, t1, rh1, t2, rh2, p = inputs([given_values["q_cfm"] * CFM, _cel(85.0), 50.0, _cel(50.0), 100.0, SEA_LEVEL])
    entering, leaving = air_side.air(t1, rh1, p), air_side.air(t2, rh2, p)
    duty = air_side.cooling_duty(air_side.mass_flow(flow, entering), entering, leaving)
    # enthalpies of the example were read off a chart to 0.02 Btu/lb of 14.2: 0.15 %
    assert duty.total.value / (12000 * BTU_H) == pytest.approx(printed, abs=half + 0.0015 * printed)


def test_capacity_and_condensate_of_the_textbook_example() -> None:
    # Cengel and Boles, example 14-6: 30 degC 80 % to 14 degC saturated, 10 m3/min; a perfect-gas chart: 0.4 %.
    flow, t1, rh1, t2, rh2, p = inputs([10.0 / 60.0, 30.0, 80.0, 14.0, 100.0, SEA_LEVEL])
    entering, leaving = air_side.air(t1, rh1, p), air_side.air(t2, rh2, p)
    duty = air_side.cooling_duty(air_side.mass_flow(flow, entering), entering, leaving)
    _, printed, half = _row("AD004")
    assert duty.total.value * 60.0 / 1e3 == pytest.approx(printed, abs=half + 0.004 * printed)
    _, printed, half = _row("AD005")
    assert duty.condensate.value * 60.0 == pytest.approx(printed, abs=half)


def test_mixed_air() -> None:
    # AD007: mixing by volume; ours by mass and enthalpy, at some humidity: inside the printed digit.
    given_values, printed, half = _row("AD007")
    streams = [
        (given_values[f"q{i}_cfm"] * CFM, air_side.air(*inputs([_cel(given_values[f"t{i}_degF"]), 50.0, SEA_LEVEL])))
        for i in (1, 2)
    ]
    masses = [flow / state.volume.value for flow, state in streams]
    mixed = sum(m * s.dry_bulb.value for m, (_, s) in zip(masses, streams, strict=True)) / sum(masses)
    assert mixed * 1.8 + 32.0 == pytest.approx(printed, abs=half + 0.05)


def test_sensible_factor_of_the_trade() -> None:
    given_values, printed, half = _row("AD008")
    factor = sensible_heat(CFM, given_values["density_lb_per_ft3"] * LB_FT3, 1.0 / 1.8) / BTU_H
    assert factor == pytest.approx(printed, abs=half)


STATE = st.tuples(
    st.floats(0.2, 1.2), st.floats(21.0, 30.0), st.floats(50.0, 80.0), st.floats(9.0, 12.5), st.floats(70.0, 99.9),
    st.floats(80e3, 104e3),
)  # fmt: skip


def _everything(values: tuple[float, ...]) -> dict[str, Gradient]:
    flow, t1, rh1, t2, rh2, p = inputs(values)
    entering, leaving = air_side.air(t1, rh1, p), air_side.air(t2, rh2, p)
    found = air_side.cooling_duty(air_side.mass_flow(flow, entering), entering, leaving)._asdict()
    found["shr"] = air_side.sensible_heat_ratio(entering, leaving)
    try:
        found["bypass"] = air_side.bypass_factor(entering, leaving)
    except OutOfRange:
        found["bypass"] = chained(0.0, (0.0, flow))
    found["rise"] = air_side.heat_rise_airflow(flow * 2e4, t2, t1 + 12.0, p)
    return found


@given(STATE)
def test_derivatives_are_slopes(values: tuple[float, ...]) -> None:
    found = _everything(values)
    steps = (1e-5, 1e-4, 1e-3, 1e-4, 1e-3, 1.0)
    moved = {}
    for i, h in enumerate(steps):
        ends = [_everything(tuple(v + s * h if i == j else v for j, v in enumerate(values))) for s in (1, -1)]
        moved[i] = {name: (ends[0][name].value - ends[1][name].value) / (2.0 * h) for name in found}
        if any((end["bypass"].value == 0.0) != (found["bypass"].value == 0.0) for end in ends):
            found["bypass"] = chained(0.0, (0.0, found["total"]))
            moved[i]["bypass"] = 0.0
    for name, gradient in found.items():
        for i, slope in enumerate(gradient.slopes):
            if name != "bypass":
                assert slope == pytest.approx(moved[i][name], rel=2e-4, abs=1e-7), (name, i)
            elif gradient.value > 0.01 and all(m["bypass"] != 0.0 for m in (moved[1],)):
                assert slope == pytest.approx(moved[i][name], rel=2e-2, abs=1e-7), (name, i)


@given(STATE)
def test_total_is_sensible_and_latent_and_the_dew_point_lies_on_the_line(values: tuple[float, ...]) -> None:
    flow, t1, rh1, t2, rh2, p = inputs(values)
    entering, leaving = air_side.air(t1, rh1, p), air_side.air(t2, rh2, p)
    duty = air_side.cooling_duty(air_side.mass_flow(flow, entering), entering, leaving)
    assert duty.total.value == pytest.approx(duty.sensible.value + duty.latent.value)
    ratio = air_side.sensible_heat_ratio(entering, leaving).value
    assert ratio == pytest.approx(duty.sensible.value / duty.total.value)
    # condensing water gives off some 2.45 MJ/kg there: latent heat and condensate tell the same
    assert duty.latent.value == pytest.approx(2.5e6 * duty.condensate.value, rel=0.03, abs=1.0)
    try:
        adp = air_side.apparatus_dew_point(entering, leaving).value
    except OutOfRange:
        return  # a line that misses saturation has no such point
    full = air_side.air(*inputs([adp, 100.0, p.value]))
    along = (t1.value - adp) / (t1.value - t2.value)
    assert full.ratio.value == pytest.approx(
        entering.ratio.value + along * (leaving.ratio.value - entering.ratio.value), abs=1e-7
    )
    assert adp <= wet_bulb.dew_point(t2.value, leaving.ratio.value, p.value).value + 1e-6


def test_blower_table_is_straight_between_rows_and_ends_where_the_maker_ends() -> None:
    table = ((50.0, 0.60), (100.0, 0.56), (150.0, 0.50))
    (static,) = inputs([75.0])
    found = air_side.blower_airflow(table, static)
    assert found.value == pytest.approx(0.58)
    assert found.slopes[0] == pytest.approx(-0.04 / 50.0)
    for at, flow in table:
        assert air_side.blower_airflow(table, inputs([at])[0]).value == pytest.approx(flow)
    for outside in (49.9, 150.1, float("nan")):
        with pytest.raises(OutOfRange, match="maker's table"):
            air_side.blower_airflow(table, inputs([outside])[0])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: air_side.heat_rise_airflow(*inputs([10e3, 21.0, 22.0, SEA_LEVEL])), "well above return"),
        (lambda: air_side.heat_rise_airflow(*inputs([0.0, 21.0, 45.0, SEA_LEVEL])), "above zero"),
        (lambda: air_side.duct_airflow(inputs([-3.0])[0], 0.2), "without a sign"),
        (lambda: air_side.duct_airflow(inputs([3.0])[0], 0.0), "lining"),
        (lambda: air_side.mass_flow(inputs([0.0, 1, 1])[0], air_side.air(*inputs([24.0, 50.0, SEA_LEVEL]))), "blower"),
    ],
)
def test_impossible_airflow_is_refused(call: object, says: str) -> None:
    with pytest.raises(OutOfRange, match=says):
        call()  # type: ignore[operator]


def test_a_dry_coil_has_no_bypass_factor_and_heating_no_sensible_ratio() -> None:
    t1, rh1, t2, rh2, p = inputs([24.0, 25.0, 13.0, 55.0, SEA_LEVEL])
    with pytest.raises(OutOfRange, match="dry coil"):
        air_side.bypass_factor(air_side.air(t1, rh1, p), air_side.air(t2, rh2, p))
    with pytest.raises(OutOfRange, match="cooling only"):
        air_side.sensible_heat_ratio(air_side.air(t2, rh1, p), air_side.air(t1, rh1, p))


numbers = st.floats(-50.0, 50.0).filter(lambda x: abs(x) > 0.1)


@given(numbers, numbers, numbers)
def test_gradient_arithmetic(a: float, b: float, c: float) -> None:
    def written(x: Gradient | float, y: Gradient | float, z: Gradient | float) -> Gradient | float:
        return (x * y - 3.0 * z) / (2.0 + z * z) + (1.0 - x) * y - (-x) + 5.0 / y + x / 4.0

    found = written(*inputs([a, b, c]))
    assert isinstance(found, Gradient)
    assert found.value == pytest.approx(written(a, b, c))
    for i, slope in enumerate(found.slopes):
        ends = [written(*(v + s * 1e-5 if i == j else v for j, v in enumerate((a, b, c)))) for s in (1, -1)]
        assert slope == pytest.approx((ends[0] - ends[1]) / 2e-5, rel=1e-4, abs=1e-3)  # type: ignore[operator]
    for x, y in itertools.pairwise(inputs([a, b])):
        assert (x + y).slopes == (1.0, 1.0)
