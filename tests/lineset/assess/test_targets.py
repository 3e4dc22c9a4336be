"""Targets against published cells (tests/data/protocol, sources in its README), between them, and refused."""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.assess.basis import Basis
from lineset.assess.errors import AssessError, ImpossibleInput, NoTarget, NoValidTest, OutsideTable
from lineset.assess.evidence import Evidence, Known
from lineset.assess.tables import Missing, grid
from lineset.assess.targets import return_wet_bulb, target_split, target_subcooling, target_superheat
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.system import SystemRecord

DATA = Path(__file__).parents[2] / "data" / "protocol"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def cel(fahrenheit: float | str) -> float:
    return (float(fahrenheit) - 32.0) / 1.8


def superheat_f(outdoor_f: float | str, wet_f: float | str) -> float:
    return target_superheat(cel(outdoor_f), cel(wet_f)).value * 1.8


def test_every_recalled_superheat_cell_is_found_as_it_is() -> None:
    # table RA3.2-2; the look-up at a cell is the cell, so only the way to SI and back rounds
    for row in rows("target_superheat_ra3.csv"):
        found = superheat_f(row["outdoor_db_f"], row["return_wb_f"])
        assert found == pytest.approx(float(row["target_superheat_f"]), abs=1e-9), row


def test_every_dash_is_refused_and_says_where_to_look() -> None:
    for row in rows("target_superheat_ra3_dash_cells.csv"):
        with pytest.raises(NoValidTest, match="no valid superheat test") as refused:
            superheat_f(row["outdoor_db_f"], row["return_wb_f"])
        assert refused.value.look_at == "return_air_wet_bulb"


def test_every_possible_split_cell_is_found_and_every_impossible_one_refused() -> None:
    # table RA3.2-3; cells with the wet bulb above the dry bulb are printed but cannot occur
    impossible = 0
    for row in rows("target_temp_split_ra3.csv"):
        dry, wet = cel(row["return_db_f"]), cel(row["return_wb_f"])
        if row["physically_possible"] == "yes":
            assert target_split(dry, wet).value * 1.8 == pytest.approx(float(row["target_split_f"]), abs=1e-9), row
        else:
            impossible += 1
            with pytest.raises(ImpossibleInput, match="above the dry bulb"):
                target_split(dry, wet)
    assert impossible == 14


def test_the_shipped_split_table_is_one_quadratic() -> None:
    # reference target_formulas.csv: c0+c1*RDB+c2*RWB+c3*RWB^2 reproduces the table to 0.063 degF, so a filled-in cell
    # can be held against it as well as a recalled one
    table = grid("target_split")
    for (dry, wet), value in table.cells.items():
        fit = -69.900998 + 0.54444583 * dry + 2.1917791 * wet - 0.022778403 * wet * wet
        assert value == pytest.approx(fit, abs=0.063), (dry, wet)


def test_filled_in_superheat_cells_lie_between_their_neighbours() -> None:
    # along the wet bulb the target rises, along the outdoor temperature it falls; 0.1 degF of rounding allowed
    cells = grid("target_superheat").cells
    for (outdoor, wet), value in cells.items():
        if value is None:
            assert cells.get((outdoor, wet - 1)) is None, (outdoor, wet)
            assert cells.get((outdoor + 1, wet)) is None, (outdoor, wet)
            continue
        left, below = cells.get((outdoor, wet - 1)), cells.get((outdoor + 1, wet))
        assert left is None or left < value + 0.05, (outdoor, wet)
        assert below is None or below < value + 0.05, (outdoor, wet)


@pytest.mark.parametrize(
    ("outdoor", "wet", "look_at"),
    [(54.0, 60.0, "outdoor_air_temperature"), (116.0, 72.0, "outdoor_air_temperature"),
     (90.0, 77.0, "return_air_wet_bulb"), (60.0, 49.0, "return_air_wet_bulb")],
)  # fmt: skip
def test_beyond_the_superheat_table_names_the_input(outdoor: float, wet: float, look_at: str) -> None:
    with pytest.raises(OutsideTable) as refused:
        superheat_f(outdoor, wet)
    assert refused.value.look_at == look_at
    assert "degF" in str(refused.value)


def test_no_numbers_are_refused() -> None:
    with pytest.raises(ImpossibleInput, match="not a number"):
        target_superheat(math.nan, 20.0)
    with pytest.raises(ImpossibleInput, match="not a number"):
        target_split(24.0, math.inf)


@given(st.floats(55, 115), st.floats(50, 76))
def test_a_look_up_stays_between_the_four_cells_around_it(outdoor: float, wet: float) -> None:
    table = grid("target_superheat")
    found = table.look_up(outdoor, wet)
    top, left = min(int(outdoor), 114), min(int(wet), 75)
    corners = [table.cells.get((r, c)) for r in (top, top + 1) for c in (left, left + 1)]
    if isinstance(found, Missing):
        assert None in corners
        return
    known = [corner for corner in corners if corner is not None]
    assert min(known) - 1e-9 <= found.value <= max(known) + 1e-9


@given(st.floats(60, 110), st.floats(60, 75.5), st.floats(0, 0.4), st.floats(0, 2))
def test_target_superheat_is_monotone(outdoor: float, wet: float, more_wet: float, warmer: float) -> None:
    try:
        here, damper = superheat_f(outdoor, wet), superheat_f(outdoor, wet + more_wet)
        hotter = superheat_f(outdoor + warmer, wet)
    except NoValidTest:
        return
    assert damper >= here - 1e-9
    assert hotter <= here + 1e-9


@given(st.floats(57, 110), st.floats(62, 75))
def test_uncertainty_is_what_a_nudge_of_the_inputs_does(outdoor: float, wet: float) -> None:
    # JCGM 100:2008, 5.1.3: |c| u, the sensitivities seen by moving the input inside its cell
    at_o, at_w = int(outdoor) + 0.5, int(wet) + 0.5
    try:
        target = target_superheat(cel(at_o), cel(at_w), outdoor_u=0.2, wet_bulb_u=0.3)
        by_outdoor = (superheat_f(at_o + 0.1, at_w) - superheat_f(at_o - 0.1, at_w)) / 0.2
        by_wet = (superheat_f(at_o, at_w + 0.1) - superheat_f(at_o, at_w - 0.1)) / 0.2
    except NoValidTest:
        return
    wanted = math.sqrt(target.own_u**2 + (by_outdoor * 0.2) ** 2 + (by_wet * 0.3) ** 2)
    assert target.u == pytest.approx(wanted, rel=1e-6)


def test_subcooling_target_is_the_nameplates() -> None:
    plate = SystemRecord(id="a", refrigerant="R-410A", nameplate=Nameplate(subcooling_target_k=10 / 1.8))
    target = target_subcooling(plate)
    assert (target.value, target.basis) == (10 / 1.8, Basis.NAMEPLATE)
    with pytest.raises(NoTarget, match="nameplate's subcooling") as refused:
        target_subcooling(SystemRecord(id="a", refrigerant="R-410A"))
    assert refused.value.look_at == "subcooling_target_f"
    assert isinstance(refused.value, AssessError)


def test_wet_bulb_from_a_wick_comes_before_one_from_humidity() -> None:
    system = SystemRecord(id="a", refrigerant="R-410A")
    by_humidity = Evidence(
        system, values={"return_air_temperature": Known(cel(80), 0.1), "return_air_humidity": Known(51.0, 1.0)}
    )
    computed = return_wet_bulb(by_humidity)
    assert computed is not None
    # the standard rating point: 80 degF dry bulb and 67 degF wet bulb are 51 % at sea level (AHRI 210/240)
    assert computed.value * 1.8 + 32 == pytest.approx(67.0, abs=0.15)
    wick = return_wet_bulb(by_humidity.having(return_air_wet_bulb=Known(cel(64), 0.2)))
    assert wick is not None
    assert wick.value == cel(64)
    assert return_wet_bulb(Evidence(system)) is None
