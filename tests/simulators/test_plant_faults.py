"""The plant's faults against published capacity and power ratios, a published sign chart, and the first law."""

from __future__ import annotations

import csv
import functools
from pathlib import Path

import pytest

from lineset_simulators.plant import Plant
from lineset_simulators.plant_config import PlantConfig

DATA = Path(__file__).parents[1] / "data" / "protocol"
# return air of the rating point: 26.7 Cel dry bulb, 19.4 Cel wet bulb (51 % relative humidity near sea level)
RATED = {"return_air": 26.7, "return_humidity": 51.0, "elevation_m": 0.0}


@functools.cache
def settled(outdoor: float, metering: str, fault: str = "", severity: float = 0.0) -> Plant:
    """A plant after fifteen minutes of running with one fault."""
    changes = {fault: severity} if fault else {}
    plant = Plant(PlantConfig(metering=metering, outdoor_air=outdoor, **RATED, **changes))  # type: ignore[arg-type]
    plant.command("blower", True)
    plant.step(10.0)
    plant.command("outdoor_unit", True)
    plant.step(900.0)
    return plant


def ratios(outdoor: float, metering: str, fault: str, severity: float) -> tuple[float, float]:
    """Capacity, and outdoor power for each unit of capacity, against the sound plant's."""
    sound, faulty = settled(outdoor, metering), settled(outdoor, metering, fault, severity)
    capacity = faulty.indoor.total_heat / sound.indoor.total_heat
    return capacity, faulty.outdoor_power / sound.outdoor_power / capacity


def published(fault: str, outdoor: float) -> list[tuple[float, float, float]]:
    with (DATA / "fault_ratio_computed.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["fault"] == fault]
    return [
        (float(row["level_fraction"]), float(row["capacity_ratio"]), float(row["eir_ratio"]))
        for row in rows
        if float(row["outdoor_db_c"]) == outdoor and row["return_wb_c"] == "19.4"
    ]


def severity_of(fault: str, level: float) -> tuple[str, float]:
    """The plant's knob for a published level of the same fault."""
    match fault:
        case "undercharge":
            return "charge_fraction", 1.0 - level
        case "overcharge":
            return "charge_fraction", 1.0 + level
        case "condenser_airflow_loss":
            return "outdoor_fan_loss", level
    return "non_condensables", level


# The two published models of one fault differ by up to 0.10 of capacity (overcharge by 20 %: 0.93 and 1.02), and they
# rest on other machines than this one: a plant within that of either is as near as the publications are to each other.
MODELS_DIFFER = 0.10


@pytest.mark.parametrize("metering", ["orifice", "txv"])
@pytest.mark.parametrize("outdoor", [29.0, 35.0])
@pytest.mark.parametrize("fault", ["undercharge", "overcharge", "condenser_airflow_loss", "non_condensables"])
def test_capacity_and_power_go_as_published(fault: str, outdoor: float, metering: str) -> None:
    rows = published(fault, outdoor)
    assert rows
    for level, capacity, eir in rows:
        got_capacity, got_eir = ratios(outdoor, metering, *severity_of(fault, level))
        allowed = MODELS_DIFFER if fault != "overcharge" else 1.3 * MODELS_DIFFER
        assert got_capacity == pytest.approx(capacity, abs=allowed), (level, got_capacity)
        assert got_eir == pytest.approx(eir, abs=1.3 * MODELS_DIFFER), (level, got_eir)


def test_charge_moves_a_valve_system_as_a_laboratory_found() -> None:
    # NIST TN 1848: split heat pump with an expansion valve. Another machine: with 30 % of its charge missing it loses
    # 0.07 more of its capacity than the plant does, with less missing they agree within half of that.
    with (DATA / "charge_ratio_tn1848_computed.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["indoor_db_c"] == "26.7"]
    assert len(rows) > 8
    for row in rows:
        capacity, eir = ratios(
            float(row["outdoor_db_c"]), "txv", "charge_fraction", 1.0 + float(row["charge_deviation_fraction"])
        )
        tolerance = 0.07 if row["charge_deviation_fraction"] == "-0.3" else 0.04
        assert capacity == pytest.approx(float(row["capacity_ratio"]), abs=tolerance), row
        assert capacity * eir == pytest.approx(float(row["power_ratio"]), abs=0.04), row


@pytest.mark.parametrize("outdoor", [29.0])
def test_low_indoor_airflow_costs_capacity_but_less_than_published(outdoor: float) -> None:
    (level, capacity, _) = published("evaporator_airflow_loss", outdoor)[0]
    assert level == 0.3
    faulty = settled(outdoor, "orifice", "filter_dirt", 0.74)
    assert faulty.indoor.flow() / settled(outdoor, "orifice").indoor.flow() == pytest.approx(0.70, abs=0.02)
    got, _ = ratios(outdoor, "orifice", "filter_dirt", 0.74)
    assert capacity - 0.02 < got < capacity + MODELS_DIFFER


FEATURES = {
    "evap_sat_temp": "vapor_dew_temperature",
    "superheat": "total_superheat",
    "cond_sat_temp": "liquid_bubble_temperature",
    "subcooling": "subcooling",
    "discharge_temp": "discharge_line_temperature",
    "cond_air_rise": "outdoor_coil_rise",
    "evap_air_drop": "temperature_split",
}
KNOBS = {
    "undercharge": ("charge_fraction", (0.9, 0.8)),
    "compressor_valve_leak": ("compressor_wear", (0.15, 0.35)),
    "liquid_line_restriction": ("liquid_line_restriction", (0.25, 0.4)),
    "condenser_fouling": ("outdoor_coil_dirt", (0.3, 0.7)),
    "evaporator_low_airflow": ("filter_dirt", (0.55, 0.75)),
}


@pytest.mark.parametrize("outdoor", [27.0, 33.0, 39.0])
@pytest.mark.parametrize("fault", KNOBS)
def test_every_published_sign_holds_at_two_levels_in_three_weathers(fault: str, outdoor: float) -> None:
    with (DATA / "fault_sign_chart.csv").open(encoding="utf-8") as file:
        (row,) = [
            row for row in csv.DictReader(file) if row["fault"] == fault and row["metering"].startswith("fixed orifice")
        ]
    assert row["confidence"] == "high"
    knob, severities = KNOBS[fault]
    sound = settled(outdoor, "orifice").truth()
    for severity in severities:
        faulty = settled(outdoor, "orifice", knob, severity).truth()
        for column, feature in FEATURES.items():
            moved = faulty[feature] - sound[feature]
            # what moves less than the weather's own wander in the plant says nothing of its sign
            wander = 0.12
            agrees = moved > -wander if row[column] == "+" else moved < wander
            assert agrees, (severity, feature, moved)


@pytest.mark.parametrize("metering", ["orifice", "txv"])
@pytest.mark.parametrize("severity", [0.3, 0.6])
def test_gas_that_does_not_condense_shows_in_the_pressure_and_not_in_the_heat(severity: float, metering: str) -> None:
    sound = settled(35.0, metering)
    gassy = settled(35.0, metering, "non_condensables", severity)
    before, after = sound.truth(), gassy.truth()
    assert after["condensing_over_outdoor"] > before["condensing_over_outdoor"] + 3.0 * severity
    assert after["subcooling"] > before["subcooling"] + severity
    assert after["outdoor_coil_rise"] == pytest.approx(before["outdoor_coil_rise"], abs=0.4)
    # at rest it stands above saturation at both ports alike
    for plant, above in ((Plant(PlantConfig(non_condensables=severity)), True), (Plant(PlantConfig()), False)):
        points = plant.points()
        air = min(points["outdoor_air_temperature"], points["return_air_temperature"])
        standing = points["vapor_service_pressure"] + plant.atmosphere - plant.refrigerant.dew_pressure(air)
        assert (standing > severity * 90e3) == above
        assert points["liquid_service_pressure"] == pytest.approx(points["vapor_service_pressure"], abs=7e3)


@pytest.mark.parametrize("metering", ["orifice", "txv"])
@pytest.mark.parametrize(
    ("fault", "severity"),
    [
        ("", 0.0),
        ("charge_fraction", 0.75),
        ("charge_fraction", 1.2),
        ("outdoor_coil_dirt", 0.7),
        ("outdoor_fan_loss", 0.4),
        ("filter_dirt", 0.75),
        ("compressor_wear", 0.3),
        ("liquid_line_restriction", 0.35),
        ("non_condensables", 0.5),
    ],
)
def test_energy_balances_close_within_a_hundredth_with_every_fault(fault: str, severity: float, metering: str) -> None:
    plant = settled(33.0, metering, fault, severity)
    circuit = plant.circuit
    assert plant.indoor.total_heat == pytest.approx(circuit.refrigerating, rel=0.01)
    assert circuit.rejected == pytest.approx(circuit.refrigerating + 0.94 * circuit.compressor_watts, rel=0.01)


def test_a_larger_outdoor_coil_condenses_nearer_to_the_air() -> None:
    larger, usual, smaller = (settled(35.0, "txv", "outdoor_coil_size", size).truth() for size in (1.3, 1.0, 0.8))
    over = [truth["condensing_over_outdoor"] for truth in (larger, usual, smaller)]
    assert over[0] + 1.5 < over[1] < over[2] - 1.5
    with pytest.raises(ValueError, match="outdoor_coil_size"):
        PlantConfig(outdoor_coil_size=3.0)
    with pytest.raises(ValueError, match="non_condensables"):
        PlantConfig(non_condensables=-0.1)
