"""The sign charts against the published one, and that judgement is called so."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from lineset.assess.features import FEATURES
from lineset.assess.signs import COLUMNS, JUDGEMENT, ORIFICE, PUBLISHED, UNKNOWN, VALVE, Fault, chart

DATA = Path(__file__).parents[2] / "data" / "protocol" / "fault_sign_chart.csv"
FAULTS = {
    "undercharge": Fault.LOW_CHARGE,
    "overcharge": Fault.HIGH_CHARGE,
    "compressor_valve_leak": Fault.VALVE_LEAK,
    "liquid_line_restriction": Fault.RESTRICTION,
    "condenser_fouling": Fault.OUTDOOR_COIL,
    "evaporator_low_airflow": Fault.LOW_INDOOR_AIRFLOW,
    "non_condensables": Fault.NON_CONDENSABLES,
}
FEATURE = {
    "evap_sat_temp": "evaporating",
    "superheat": "superheat",
    "cond_sat_temp": "condensing",
    "subcooling": "subcooling",
    "discharge_temp": "discharge",
    "cond_air_rise": "coil_rise",
    "evap_air_drop": "split",
}


def rows(metering: str) -> list[dict[str, str]]:
    with DATA.open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["metering"].startswith(metering)]


def test_the_published_rows_are_taken_as_they_are() -> None:
    published = [row for row in rows("fixed orifice") if row["confidence"] == "high"]
    assert len(published) == 5
    for row in published:
        ours = ORIFICE[FAULTS[row["fault"]]]
        assert ours.source == PUBLISHED
        assert {column: ours.sign(FEATURE[column]) for column in FEATURE} == {column: row[column] for column in FEATURE}


def test_what_was_not_published_is_called_judgement() -> None:
    published = {FAULTS[row["fault"]] for row in rows("fixed orifice") if row["confidence"] == "high"}
    for fault in Fault:
        assert ORIFICE[fault].judged == (fault not in published)
        assert VALVE[fault].judged
        assert VALVE[fault].source == JUDGEMENT


@pytest.mark.parametrize("metering", ["TXV", "fixed orifice"])
def test_judgement_never_says_the_opposite_of_the_gathered_judgement(metering: str) -> None:
    table = VALVE if metering == "TXV" else ORIFICE
    for row in rows(metering):
        ours = table[FAULTS[row["fault"]]]
        for column, feature in FEATURE.items():
            assert {ours.sign(feature), row[column]} != {"+", "-"}, (row["fault"], feature)


def test_every_fault_has_a_sign_for_every_feature() -> None:
    for table in (ORIFICE, VALVE, UNKNOWN):
        assert set(table) == set(Fault)
        for row in table.values():
            assert len(row.signs) == len(COLUMNS)
            assert {row.sign(feature) for feature in FEATURES} <= set("+-0?")
            # what is weak does move
            assert all(row.sign(feature) in "+-?" for feature in row.weak)


def test_no_two_faults_of_a_chart_have_all_signs_alike() -> None:
    for table in (ORIFICE, VALVE):
        patterns = {tuple(row.sign(feature) for feature in FEATURES) for row in table.values()}
        assert len(patterns) == len(Fault)


def test_an_unknown_metering_device_takes_only_what_both_charts_say() -> None:
    assert chart(True) is ORIFICE
    assert chart(False) is VALVE
    for fault, row in chart(None).items():
        for feature in COLUMNS:
            both = {ORIFICE[fault].sign(feature), VALVE[fault].sign(feature)}
            assert row.sign(feature) == (both.pop() if len(both) == 1 else "?")


def test_sizes_are_the_leaking_compressors_alone_and_go_the_way_of_its_signs() -> None:
    for table in (ORIFICE, VALVE, UNKNOWN):
        assert [fault for fault, row in table.items() if row.sizes] == [Fault.VALVE_LEAK]
        row = table[Fault.VALVE_LEAK]
        for feature, (mean, spread) in row.sizes.items():
            assert row.sign(feature) in ("+" if mean > 0 else "-", "?")
            assert spread > 0
    # what the two tables do not agree on lies between them, and is less sure than either
    between = UNKNOWN[Fault.VALVE_LEAK].sizes["subcooling"]
    assert (
        ORIFICE[Fault.VALVE_LEAK].sizes["subcooling"][0] < between[0] < VALVE[Fault.VALVE_LEAK].sizes["subcooling"][0]
    )
    assert between[1] > ORIFICE[Fault.VALVE_LEAK].sizes["subcooling"][1]
