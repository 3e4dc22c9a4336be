"""What was gathered of preconditions, instruments and measured cases (tests/data/protocol, each row's source there)."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from lineset.assess import preconditions
from lineset.assess.demands import PSI, liquid_gauge, suction_gauge, thermometer
from lineset.assess.electrical_checks import COARSE_PART
from lineset.assess.errors import NoValidTest, OutsideTable
from lineset.assess.features import FEATURES
from lineset.assess.preconditions import Settings
from lineset.assess.signs import ORIFICE, Fault
from lineset.assess.tables import grid
from lineset.assess.targets import target_superheat
from lineset.physics.refrigerant import curve
from lineset.physics.wet_bulb import wet_bulb_of

DATA = Path(__file__).parents[2] / "data" / "protocol"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def cel(fahrenheit: float | str) -> float:
    return (float(fahrenheit) - 32.0) / 1.8


def test_every_precondition_and_where_it_is_kept() -> None:
    asked = {row["item"]: row["value"] for row in rows("test_preconditions.csv")}
    superheat, split = grid("target_superheat"), grid("target_split")

    def ends(text: str) -> tuple[int, int]:
        low, _, high = text.partition("..")
        return int(low), int(high)

    assert Settings().run_minutes == float(asked.pop("run time before first reading"))
    assert Settings().run_minutes == float(asked.pop("re-stabilise after any charge adjustment"))
    # another maker asks for longer: a shop's rules file sets it; the precondition says so
    other = asked.pop("re-stabilise after charge adjustment (another maker)")
    assert f"{other} minutes" in preconditions.RUN_TIME.source
    lowest = float(asked.pop("minimum outdoor dry bulb for superheat/subcooling test"))
    assert Settings().lowest_outdoor_cel * 1.8 + 32 == pytest.approx(lowest)
    assert superheat.rows == ends(asked.pop("superheat chart outdoor range"))
    assert superheat.columns == split.columns == ends(asked.pop("return wet-bulb range"))
    assert split.rows == ends(asked.pop("return dry-bulb range for temperature split"))
    airflow = asked.pop("minimum airflow for a valid charge test")
    assert f"{airflow} cfm/ton" in preconditions.AIRFLOW.source
    # sensors go in before the first reading; new systems of later code cycles are asked for more air; one maker wants
    # the house at 70 to 80 degF while charging, which is inside what the split table holds but for its last 4 degF
    assert float(asked.pop("insert return dry/wet-bulb sensors at")) < Settings().run_minutes
    assert float(asked.pop("minimum airflow, new systems, later code cycles")) > float(airflow)
    warm = ends(asked.pop("maker indoor range while charging"))
    assert split.rows[0] <= warm[0] < warm[1] <= split.rows[1]
    assert not asked


def test_every_demand_on_instruments() -> None:
    asked = {f"{row['instrument']}/{row['requirement']}": row["value"] for row in rows("measurement_accuracy.csv")}
    part, _, limit = asked.pop("digital thermometer, dual channel/accuracy").partition("% of reading + ")
    found = thermometer("return_air_temperature")
    for fahrenheit in (32.0, 75.0, 115.0):
        assert found.allowed(cel(fahrenheit)) * 1.8 == pytest.approx(float(part) / 100 * fahrenheit + float(limit))
    step = float(asked.pop("digital thermometer/resolution"))
    assert found.step * 1.8 == pytest.approx(step)
    assert liquid_gauge("x").limit == float(asked.pop("pressure, liquid line/accuracy")) * PSI
    assert suction_gauge("x").limit == float(asked.pop("pressure, suction/accuracy")) * PSI
    # 2 % of volts and of amps is 2.8 % of a capacitance: what a 6 % tolerance is said to need. Ours asks the clamp for
    # more: a quarter of the tolerance, or it does not pass the capacitor.
    needed = float(asked.pop("clamp ammeter / voltmeter used for capacitor check/accuracy needed for a 6 % tolerance "
                             "decision (rss of V and I)").removeprefix("<=").removesuffix(" each"))  # fmt: skip
    assert math.hypot(needed, needed) < 6.0 / 2.0
    assert needed >= COARSE_PART * 6.0
    # A settled reading has waited out its probe: by how much each response lags while it is not settled is in its
    # uncertainty, so no demand is made of the 15 and 90 s here. Field checks are of the person, not of a reading; the
    # ice bath's 1 degF lies inside what the thermometer is allowed.
    assert float(asked.pop("thermometer ice-bath check/reading at 32 F")) <= found.allowed(0.0) * 1.8
    assert set(asked) == {
        "temperature sensor/response: reach accuracy after 40 F step in bath",
        "pipe temperature sensor/response: reach accuracy after >40 F step on pipe (six pipe sizes)",
        "analog gauge (2008 text)/accuracy",
        "thermometer and sensors/field check interval",
        "refrigerant gauges/field check interval against cylinder at known temperature (soak >= 4 h)",
    }


def test_every_printed_chart_cell_agrees_is_a_dash_or_lies_outside_the_table() -> None:
    # Whole degF (rounding 0.5 degF); the largest difference over all cells is 1.5 degF, at 100 degF and 72 degF wet
    # bulb, where the two charts differ from each other by 1 degF. Three printed 5 degF cells are dashes recalled.
    compared = outside = 0
    dashes = set()
    for row in rows("target_superheat_maker_charts.csv"):
        printed = float(row["target_superheat_f"])
        try:
            target = target_superheat(cel(row["outdoor_db_f"]), cel(row["return_wb_f"]))
        except OutsideTable:
            outside += 1
            assert float(row["outdoor_db_f"]) < 55.0, row
        except NoValidTest:
            dashes.add((row["outdoor_db_f"], row["return_wb_f"]))
            assert printed <= 5.0, row
        else:
            compared += 1
            assert abs(target.value * 1.8 - printed) <= 1.6, row
    assert dashes <= {("80", "58"), ("90", "62"), ("105", "66")}
    assert compared > 120
    assert outside > 10


def _cubic(c: list[float], d: float, w: float) -> float:
    terms = [1, d, w, d * d, d * w, w * w, d**3, d * d * w, d * w * w, w**3]
    return sum(a * b for a, b in zip(c, terms, strict=False))


def test_every_gathered_formula_misses_the_table_by_what_is_said_of_it() -> None:
    # computed with the cells of tests/data; the shipped table has all cells, and its worst may be a little worse
    superheat, split = grid("target_superheat").cells, grid("target_split").cells
    formulas = rows("target_formulas.csv")
    assert len(formulas) == 4
    for row in formulas:
        numbers = [float(each) for each in row["coefficients"].split()]
        if row["target"] == "temp_split_f":
            c = numbers
            misses = [
                value - (c[0] + c[1] * d + c[2] * w + c[3] * w * w)
                for (d, w), value in split.items()
                if value is not None
            ]
        elif numbers:
            misses = [v - _cubic(numbers, d, w) for (d, w), v in superheat.items() if v is not None]
        else:
            misses = [v - (3 * w - 80 - d) / 2 for (d, w), v in superheat.items() if v is not None]
        spread = math.sqrt(sum(miss * miss for miss in misses) / len(misses))
        # the field rule's worst, 6.4 degF, is at a rim; both figures are printed to so many digits
        assert spread == pytest.approx(float(row["rmse_dev_f"]), rel=0.03), row
        worst = max(abs(miss) for miss in misses)
        assert worst == pytest.approx(float(row["max_abs_dev_f"]), rel=0.06, abs=0.005), row


def test_every_measured_case_is_worked_out_alike() -> None:
    # Measured rooftop unit; saturation temperatures were computed by others from R-410A and printed to 0.01 degF, wet
    # bulbs to 0.1 degF from a humidity to 0.01 %.
    cases = rows("fault_cases_measured.csv")
    line = curve("R-410A")
    for row in cases:
        site = float(row["baro_psia"]) * PSI
        dew = line.dew(float(row["suction_psig"]) * PSI + site) * 1.8 + 32
        bubble = line.bubble(float(row["discharge_psig"]) * PSI + site) * 1.8 + 32
        assert dew == pytest.approx(float(row["evap_sat_dew_f"]), abs=0.006), row["case_id"]
        assert bubble == pytest.approx(float(row["cond_sat_bubble_f"]), abs=0.006), row["case_id"]
        assert float(row["suction_line_f"]) - dew == pytest.approx(float(row["superheat_f"]), abs=0.012)
        assert bubble - float(row["liquid_line_f"]) == pytest.approx(float(row["subcooling_f"]), abs=0.012)
        wet = wet_bulb_of(cel(row["return_db_f"]), float(row["return_rh_pct"]), site).value * 1.8 + 32
        assert wet == pytest.approx(float(row["return_wb_f"]), abs=0.06), row["case_id"]
    assert {row["fault"] for row in cases if float(row["level_pct"]) > 0} == {"condenser_airflow_block"}


def test_four_signatures_stand_to_each_other_as_the_chart_has_them() -> None:
    # Temperatures on four pipes of a small split system, to 5 K: against each other, since no sound case is given.
    found = {row["label"]: row for row in rows("fault_cases_signature.csv")}
    assert len(found) == 4

    def feature(label: str, name: str) -> float:
        row = {key: float(value) for key, value in found[label].items() if key.endswith("_c")}
        if name == "superheat":
            return row["evap_outlet_line_c"] - row["evap_inlet_line_c"]
        return row[{"evaporating": "evap_inlet_line_c", "condensing": "cond_outlet_line_c"}[name]]

    ours = {
        "undercharge": Fault.LOW_CHARGE, "evaporator_low_airflow": Fault.LOW_INDOOR_AIRFLOW,
        "condenser_fouling": Fault.OUTDOOR_COIL, "compressor_fault": Fault.VALVE_LEAK,
    }  # fmt: skip
    for name in ("evaporating", "condensing", "superheat"):
        raised = [label for label in found if ORIFICE[ours[label]].sign(name) == "+"]
        lowered = [label for label in found if ORIFICE[ours[label]].sign(name) == "-"]
        assert raised
        for up in raised:
            for down in lowered:
                assert feature(up, name) > feature(down, name), (name, up, down)


def test_every_decoupling_feature_has_its_place_or_its_reason() -> None:
    # Braun and Li, pp. 49, 53 and 60. What ordinary instruments cannot give is replaced, see assess/DIAGNOSIS.md.
    ours = {
        "non_condensables": ("standing_vapor", "standing_liquid"),
        "compressor_valve_leak": ("compression_heat",),
        "liquid_line_restriction": ("subcooling", "superheat"),
        "condenser_fouling": ("coil_rise",),
        "evaporator_low_airflow": ("split", "filter_drop", "coil_drop", "external_static"),
        "charge (either way)": ("superheat", "subcooling"),
    }
    gathered = rows("fault_decoupling_features.csv")
    assert {row["fault"] for row in gathered} == set(ours)
    for features in ours.values():
        assert set(features) <= set(FEATURES)
