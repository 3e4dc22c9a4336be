"""Electrical and air formulas against computed vectors, a handbook's standard atmosphere and worked examples."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.physics import air, electrical
from lineset.physics.errors import OutOfRange

DATA = Path(__file__).parents[2] / "data" / "protocol"


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", _rows("capacitor_vectors_computed.csv"), ids=lambda row: row["capacitance_uf"])
def test_capacitance_vectors(row: dict[str, str]) -> None:
    # tests/data/protocol/capacitor_vectors_computed.csv: "computed" from I = 2 pi f C V at 60 Hz, printed to 0.1 mA.
    current, voltage = float(row["amps_60hz"]), float(row["volts_across_capacitor"])
    found = electrical.capacitance(current, voltage, 60.0) * 1e6
    digits = 0.5e-4 / (2 * math.pi * 60.0 * voltage) * 1e6
    assert found == pytest.approx(float(row["capacitance_uf"]), abs=digits + 1e-9)
    peak = electrical.stored_energy(float(row["capacitance_uf"]) * 1e-6, voltage * math.sqrt(2.0))
    assert peak == pytest.approx(float(row["stored_energy_at_peak_j"]), abs=0.0006)


def test_capacitance_constants_of_the_trade() -> None:
    # 2652.58 I/V at 60 Hz and 3183.10 I/V at 50 Hz in uF: 1e6/(2 pi f).
    assert electrical.capacitance(1.0, 1.0, 60.0) * 1e6 == pytest.approx(2652.58, abs=0.005)
    assert electrical.capacitance(1.0, 1.0, 50.0) * 1e6 == pytest.approx(3183.10, abs=0.005)


@pytest.mark.parametrize(
    ("current", "voltage", "frequency"),
    [(-0.1, 370.0, 60.0), (5.0, 0.0, 60.0), (5.0, -370.0, 60.0), (5.0, 370.0, 0.0), (5.0, 370.0, 400.0),
     (math.nan, 370.0, 60.0), (5.0, math.nan, 60.0), (5.0, 370.0, math.nan)],
)  # fmt: skip
def test_capacitance_of_nonsense_is_refused(current: float, voltage: float, frequency: float) -> None:
    with pytest.raises(OutOfRange, match="capacitance"):
        electrical.capacitance(current, voltage, frequency)


@given(st.floats(1e-6, 1e-4), st.floats(50.0, 500.0), st.floats(45.0, 65.0))
def test_capacitance_inverts_the_current(capacitance: float, voltage: float, frequency: float) -> None:
    current = 2 * math.pi * frequency * capacitance * voltage
    assert electrical.capacitance(current, voltage, frequency) == pytest.approx(capacitance, rel=1e-12)


@pytest.mark.parametrize("row", _rows("air_density_altitude_computed.csv"), ids=lambda row: row["altitude_ft"])
def test_standard_atmosphere_and_density(row: dict[str, str]) -> None:
    # "computed: ASHRAE standard atmosphere via psychrolib", 1.08 scaled by density / 0.075 lb/ft3 at 0.24 Btu/(lb F).
    pressure = air.standard_pressure(float(row["altitude_ft"]) * 0.3048)
    assert pressure / 6894.757 == pytest.approx(float(row["pressure_psia"]), abs=1e-3)
    density = air.dry_air_density(pressure, (float(row["air_temp_f"]) - 32) / 1.8)
    assert density / 16.018463 == pytest.approx(float(row["dry_air_density_lb_ft3"]), abs=2e-5)
    watts = air.sensible_heat(0.3048**3 / 60, density, 1 / 1.8)
    assert watts * 3600 / 1055.05585262 == pytest.approx(float(row["sensible_constant"]), abs=3e-4)


def test_standard_atmosphere_at_5000_ft() -> None:
    # Psychrometric chart heading for 5000 ft elevation, barometer 24.896 inHg (ALT5000 of tests/data/thermo/README.md).
    assert air.standard_pressure(1524.0) / 3386.389 == pytest.approx(24.896, abs=0.005)
    assert air.standard_pressure(0.0) == 101_325.0
    for altitude in (-501.0, 11_001.0, math.nan):
        with pytest.raises(OutOfRange, match="altitude"):
            air.standard_pressure(altitude)


def test_airflow_by_electric_heat_example() -> None:
    # AD001, AD002: 235 V, 75 A, 110 degF supply, 74 degF return: 60171 Btu/h and 1548 cfm (iheatcool.com, as printed).
    watts = electrical.apparent_power(75.0, 235.0)  # a resistance heater: real and apparent power are the same
    assert watts * 3.414 == pytest.approx(60171, abs=6)  # printed with 3.414 Btu/Wh and rounded on the way
    density = 0.075 * 16.018463  # lb/ft3, the density behind 1.08
    flow = watts * 3.414 / 3600 * 1055.05585262 / air.sensible_heat(1.0, density, (110 - 74) / 1.8)
    assert flow / (0.3048**3 / 60) == pytest.approx(1548, abs=1)
    assert air.temperature_split(74.0, 110.0) == -36.0
