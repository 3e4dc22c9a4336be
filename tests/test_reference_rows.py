"""Every row of tests/data is counted: checked by the tests named here, marked suspect, or told apart with its reason.

A row that is taken out of a file, or a test that is taken out of the suite, fails here. `checked` rows are each held
against lineset or its simulator at a tolerance whose reason stands in the test; `suspect` rows are marked so in their
file and kept out of it; `told` rows have nothing to be held against, and `why` says so.
"""

from __future__ import annotations

import ast
import csv
from pathlib import Path
from typing import NamedTuple

import pytest

TESTS = Path(__file__).parent
DATA = TESTS / "data"


class Census(NamedTuple):
    """How many rows of a file are what, and which tests ("file::name") check them."""

    checked: int
    tests: tuple[str, ...]
    suspect: int = 0
    told: int = 0
    why: str = ""


ASSESS, PHYSICS, SIMULATORS = "lineset/assess/", "lineset/physics/", "simulators/"
FACTS, CONSTANTS = f"{ASSESS}test_gathered_facts.py::", f"{ASSESS}test_trade_constants.py::"
CODEC, DESCRIPTORS = "drivers/protocols/test_gatt_codec.py::", "drivers/protocols/test_gatt_descriptors.py::"
DETECTORS, LEVELS = "lineset/measure/test_published_detectors.py::", f"{SIMULATORS}test_published_levels.py::"
TARGETS, LIMITS = f"{ASSESS}test_targets.py::", f"{ASSESS}test_rules_and_limits.py::"

ROWS: dict[str, Census] = {
    "thermo/saturation.csv": Census(
        387,
        (
            f"{PHYSICS}test_saturation_published.py::test_curve_agrees_with_source",
            f"{PHYSICS}test_saturation_published.py::test_remembered_rows_agree_within_half_a_kelvin",
            f"{PHYSICS}test_saturation_published.py::test_a_column_that_departs_is_no_oracle_but_no_stranger_either",
        ),
        suspect=14,
    ),
    "thermo/moist_air.csv": Census(60, (f"{PHYSICS}test_moist_air.py::test_published_value",)),
    "thermo/worked_refrigerant.csv": Census(
        43, ("lineset/derive/test_derived_values.py::test_superheat_and_subcooling_against_published_examples",)
    ),
    "thermo/worked_airside.csv": Census(
        8,
        (
            f"{PHYSICS}test_air_side.py::test_all_worked_rows_are_checked_here",
            "lineset/derive/test_derived_values.py::test_compression_ratio_example",
        ),
    ),
    "protocol/target_superheat_ra3.csv": Census(
        698, (f"{TARGETS}test_every_recalled_superheat_cell_is_found_as_it_is",)
    ),
    "protocol/target_superheat_ra3_dash_cells.csv": Census(
        406, (f"{TARGETS}test_every_dash_is_refused_and_says_where_to_look",)
    ),
    "protocol/target_superheat_maker_charts.csv": Census(
        170, (f"{FACTS}test_every_printed_chart_cell_agrees_is_a_dash_or_lies_outside_the_table",)
    ),
    "protocol/target_temp_split_ra3.csv": Census(
        238, (f"{TARGETS}test_every_possible_split_cell_is_found_and_every_impossible_one_refused",)
    ),
    "protocol/target_formulas.csv": Census(
        4, (f"{FACTS}test_every_gathered_formula_misses_the_table_by_what_is_said_of_it",)
    ),
    "protocol/pass_fail_tolerances.csv": Census(
        12, (f"{LIMITS}test_every_published_tolerance_is_a_limit_and_recalled_ones_carry_no_verdict",)
    ),
    "protocol/test_preconditions.csv": Census(11, (f"{FACTS}test_every_precondition_and_where_it_is_kept",)),
    "protocol/measurement_accuracy.csv": Census(
        6, (f"{FACTS}test_every_demand_on_instruments",), told=5,
        why="responses are waited out by the settled detector; field checks are a person's, not a reading's",
    ),
    "protocol/supply_voltage_ranges.csv": Census(
        12, (f"{LIMITS}test_supply_ranges_and_derating_are_the_references",)
    ),
    "protocol/nema_derating_curve.csv": Census(6, (f"{LIMITS}test_supply_ranges_and_derating_are_the_references",)),
    "protocol/capacitor_vectors_computed.csv": Census(
        23,
        (
            f"{PHYSICS}test_electrical_and_air.py::test_capacitance_vectors",
            "lineset/derive/test_derived_values.py::test_capacitance_under_load_vectors",
        ),
    ),
    "protocol/air_density_altitude_computed.csv": Census(
        30, (f"{PHYSICS}test_electrical_and_air.py::test_standard_atmosphere_and_density",)
    ),
    "protocol/air_side_facts.csv": Census(
        10, (f"{CONSTANTS}test_every_air_side_fact",), told=6,
        why="recalled rules of thumb for airflow, and the static of rating tests: nothing is held against them",
    ),
    "protocol/electrical_facts.csv": Census(
        14, (f"{CONSTANTS}test_every_electrical_fact",), told=10,
        why="recalled from codes and standards of sizing and safety: no number of lineset's rests on them",
    ),
    "protocol/a2l_facts.csv": Census(11, (f"{CONSTANTS}test_every_fact_of_mildly_flammable_refrigerants",)),
    "protocol/fault_sign_chart.csv": Census(
        14,
        (
            f"{ASSESS}test_signs.py::test_the_published_rows_are_taken_as_they_are",
            f"{ASSESS}test_signs.py::test_judgement_never_says_the_opposite_of_the_gathered_judgement",
            f"{SIMULATORS}test_plant_faults.py::test_every_published_sign_holds_at_two_levels_in_three_weathers",
        ),
    ),
    "protocol/fault_decoupling_features.csv": Census(
        6, (f"{FACTS}test_every_decoupling_feature_has_its_place_or_its_reason",)
    ),
    "protocol/fault_cases_signature.csv": Census(
        4, (f"{FACTS}test_four_signatures_stand_to_each_other_as_the_chart_has_them",)
    ),
    "protocol/fault_cases_measured.csv": Census(
        63,
        (
            f"{FACTS}test_every_measured_case_is_worked_out_alike",
            f"{ASSESS}test_diagnosis.py::test_the_blocked_coil_is_found_at_both_levels_and_nothing_else_is_alleged",
        ),
    ),
    "protocol/fault_levels_tested.csv": Census(5, (f"{LEVELS}test_every_tested_level_costs_more_than_the_one_before",)),
    "protocol/fault_average_impacts.csv": Census(
        8, (f"{LEVELS}test_every_average_impact_has_its_sign_and_about_its_size",), told=2,
        why="given as pressure drops of 9 and 10 bar, which no knob of the plant is",
    ),
    "protocol/fault_ratio_coefficients.csv": Census(
        20,
        (
            f"{LEVELS}test_every_computed_ratio_follows_from_its_coefficients",
            f"{LEVELS}test_every_charge_ratio_follows_from_its_coefficients",
            f"{LEVELS}test_the_coefficients_of_heating_are_kept_and_not_used",
        ),
    ),
    "protocol/fault_ratio_computed.csv": Census(
        171,
        (
            f"{LEVELS}test_every_computed_ratio_follows_from_its_coefficients",
            f"{SIMULATORS}test_plant_faults.py::test_capacity_and_power_go_as_published",
        ),
    ),
    "protocol/charge_ratio_tn1848_computed.csv": Census(
        33,
        (
            f"{LEVELS}test_every_charge_ratio_follows_from_its_coefficients",
            f"{SIMULATORS}test_plant_faults.py::test_charge_moves_a_valve_system_as_a_laboratory_found",
        ),
    ),
    "protocol/rstat_quantiles_computed.csv": Census(28, (f"{DETECTORS}test_every_quantile_of_the_r_statistic",)),
    "protocol/steady_state_methods.csv": Census(
        4, (f"{DETECTORS}test_every_method_that_has_a_figure_is_on_the_bench",), told=14,
        why="how others work, without a figure of its own or with one that was not recovered",
    ),
    "protocol/lab_test_tolerances.csv": Census(
        9, (f"{DETECTORS}test_our_bands_are_closer_than_a_laboratorys_tolerances",), told=4,
        why="a laboratory's nozzles and half hours: a visit has neither",
    ),
    "bluetooth/gatt_characteristics.csv": Census(
        28, (f"{CODEC}TestStandardCharacteristics::test_the_table_is_the_published_one",)
    ),
    "bluetooth/gatt_value_vectors.jsonl": Census(197, (f"{CODEC}TestStandardCharacteristics::test_vectors",)),
    "bluetooth/gatt_services.csv": Census(
        9, (f"{CODEC}TestStandardCharacteristics::test_every_published_service_that_matters",)
    ),
    "bluetooth/gatt_device_information.csv": Census(
        6, (f"{CODEC}TestStandardCharacteristics::test_device_information_strings",), told=3,
        why="two numbers and a name that say nothing of a measurement: not read",
    ),
    "bluetooth/gatt_format_types.csv": Census(28, (f"{CODEC}TestFormats::test_the_table_is_the_published_one",)),
    "bluetooth/gatt_units.csv": Census(88, (f"{DESCRIPTORS}test_units_are_assigned_numbers",)),
    "bluetooth/es_enumerations.csv": Census(
        52,
        (
            f"{DESCRIPTORS}test_es_enumerations_are_the_published_ones",
            f"{DESCRIPTORS}test_every_published_trigger_condition",
        ),
        told=2, why="errors of writing to a characteristic: lineset writes none",
    ),
    "bluetooth/gatt_descriptors.csv": Census(
        16,
        (
            f"{DESCRIPTORS}test_presentation_format", f"{DESCRIPTORS}test_es_measurement",
            f"{DESCRIPTORS}test_valid_range", f"{DESCRIPTORS}test_trigger_operand",
            f"{DESCRIPTORS}test_user_description_survives_any_bytes",
        ),
        told=7,
        why="five whose layout was not found in an open source; two that only switch and join what a sensor sends",
    ),
    "bluetooth/ieee11073_vectors.jsonl": Census(45, (f"{CODEC}TestIeee11073::test_vectors",)),
    "bluetooth/bthome_v2_objects.csv": Census(
        95, ("drivers/protocols/test_bthome_codec.py::test_the_table_is_the_published_one",)
    ),
    "bluetooth/bthome_v2_vectors.jsonl": Census(171, ("drivers/protocols/test_bthome_codec.py::test_vectors",)),
}  # fmt: skip


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        if name.endswith(".csv"):
            return list(csv.DictReader(file))
        return [{} for line in file if line.strip()]


def test_every_file_of_published_data_is_counted() -> None:
    files = {str(path.relative_to(DATA)) for path in DATA.rglob("*") if path.suffix in (".csv", ".jsonl")}
    assert files == set(ROWS)


@pytest.mark.parametrize("name", ROWS)
def test_no_row_is_dropped(name: str) -> None:
    counted, found = ROWS[name], _rows(name)
    assert len(found) == counted.checked + counted.suspect + counted.told
    assert sum(bool(row.get("suspect")) for row in found) == counted.suspect
    assert bool(counted.told) == bool(counted.why)


@pytest.mark.parametrize("test", sorted({test for counted in ROWS.values() for test in counted.tests}))
def test_who_checks_the_rows_is_there_and_runs(test: str) -> None:
    file, *path = test.split("::")
    scope: ast.AST = ast.parse((TESTS / file).read_text(encoding="utf-8"))
    for part in path:
        named = [each for each in ast.iter_child_nodes(scope) if getattr(each, "name", "") == part]
        assert len(named) == 1, f"{file} has no {part}"
        scope = named[0]
    assert isinstance(scope, ast.FunctionDef)
    assert not [each for each in ast.walk(scope) if getattr(each, "attr", "") in ("skip", "skipif", "xfail")]


@pytest.mark.parametrize("name", ROWS)
def test_the_rows_are_read_where_they_are_checked(name: str) -> None:
    file = name.rpartition("/")[2]
    through = {"saturation.csv": "published_saturation", "moist_air.csv": "published_air"}
    by_hand = "gatt_descriptors.csv"  # layouts, written out as bytes in its tests
    for test in ROWS[name].tests:
        text = (TESTS / test.partition("::")[0]).read_text(encoding="utf-8")
        # AD006 is named by its row; measured cases come through the evidence's own reader
        known = (file, through.get(file, file), "AD006" if file == "worked_airside.csv" else file)
        known += ("rooftop",) if file == "fault_cases_measured.csv" else ()
        assert any(each in text for each in known) or file == by_hand, test
