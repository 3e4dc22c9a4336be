"""Derived values against worked examples, and their behaviour at the edges."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.derive import formulas
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import WEATHER_U_PA, Context, NotDerivable
from lineset.derive.sensitivity import CONTEXT, moves, typical
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.points import POINTS, point
from lineset.physics.refrigerant import REFRIGERANTS, curve
from lineset_drivers.quantity import Quantity, to_si

DATA = Path(__file__).parents[2] / "data"
SEA_LEVEL = 101_325.0


def _rows(path: str) -> list[dict[str, str]]:
    with (DATA / path).open() as file:
        return list(csv.DictReader(file))


def _difference_k(text: str, unit: str) -> float:
    return to_si(float(text), unit, Quantity.TEMPERATURE_DIFFERENCE)


@pytest.mark.parametrize("row", _rows("thermo/worked_refrigerant.csv"), ids=lambda row: row["row_id"])
def test_superheat_and_subcooling_against_published_examples(row: dict[str, str]) -> None:
    """Examples of tests/data/thermo/worked_refrigerant.csv, source in each row.

    Tolerance: the printed result's and the whole-psi pressure's half steps, the line temperature's half step where the
    row prints it rounded, and the agreement that tests/data/thermo/README.md states for charts made from other
    property models: 0.3 K, 0.6 K for the R-407C liquid chart; makers' R-410A charts up to 0.4 K.
    """
    name = {"superheat": "total_superheat", "subcooling": "subcooling"}[row["quantity"]]
    pressure = to_si(float(row["p_printed"]), row["p_unit"], Quantity.PRESSURE_GAUGE)
    line = to_si(float(row["line_t_printed"]), row["t_unit"], Quantity.TEMPERATURE)
    context = Context(row["refrigerant"], barometric_pa=SEA_LEVEL)
    value, partials, _, _ = CATALOGUE[name].compute(context, (pressure, line))
    printed = _difference_k(row["result_printed_deltaT"], row["t_unit"])
    pressure_digit = {"psig": 0.5 * 6894.757, "kPa_gauge": 500.0}[row["p_unit"]]
    digits = _difference_k(row["result_halfstep_deltaT"], row["t_unit"]) + abs(partials[0]) * pressure_digit
    agreement = {"R-407C": 0.6, "R-410A": 0.4}.get(row["refrigerant"], 0.3)
    assert value == pytest.approx(printed, abs=agreement + digits)


def test_negative_subcooling_is_not_clamped() -> None:
    # RD041: 272.9 psig, 108.5 degF liquid line, R-448A: -0.5 degF printed.
    context = Context("R-448A", barometric_pa=SEA_LEVEL)
    found = CATALOGUE["subcooling"].compute(context, (to_si(272.9, "psig", Quantity.PRESSURE_GAUGE), 42.5)).value
    assert -0.6 < found < 0.0


def test_compression_ratio_example() -> None:
    # AD006: 280 psia over 85 psia: 3.29 (civilengineeringhandbook.tk, as printed).
    context = Context(barometric_pa=SEA_LEVEL)
    gauge = [to_si(p, "psia", Quantity.PRESSURE_ABSOLUTE) - SEA_LEVEL for p in (280.0, 85.0)]
    for name in ("compression_ratio", "compression_ratio_estimate"):
        assert CATALOGUE[name].compute(context, gauge).value == pytest.approx(3.29, abs=0.005)
    assert CATALOGUE["compression_ratio_estimate"].estimate
    assert "estimate" in CATALOGUE["compression_ratio_estimate"].validity


@pytest.mark.parametrize("row", _rows("protocol/capacitor_vectors_computed.csv"), ids=lambda row: row["capacitance_uf"])
@pytest.mark.parametrize("name", ["herm_capacitance_under_load", "fan_capacitance_under_load"])
def test_capacitance_under_load_vectors(row: dict[str, str], name: str) -> None:
    # Computed vectors (tests/data/protocol/README.md), microfarads from the rounded current printed to 0.001 uF.
    voltage = float(row["volts_across_capacitor"])
    found = CATALOGUE[name].compute(Context(), (float(row["amps_60hz"]), voltage)).value * 1e6
    digits = 0.5e-4 / (2 * math.pi * 60 * voltage) * 1e6
    assert found == pytest.approx(float(row["capacitance_uf"]), abs=digits + 1e-9)


def test_capacitance_never_uses_the_common_conductor_or_line_voltage() -> None:
    for name, inputs in {
        "herm_capacitance_under_load": ("herm_lead_current", "capacitor_herm_voltage"),
        "fan_capacitance_under_load": ("fan_capacitor_lead_current", "capacitor_fan_voltage"),
    }.items():
        assert CATALOGUE[name].inputs == inputs


def test_fifty_hertz_changes_capacitance_only_by_the_frequency() -> None:
    compute = CATALOGUE["herm_capacitance_under_load"].compute
    assert compute(Context(line_frequency_hz=50.0), (5.0, 370.0)).value == pytest.approx(
        1.2 * compute(Context(), (5.0, 370.0)).value
    )


def test_every_declaration_is_whole() -> None:
    titles = set()
    for name, derived in CATALOGUE.items():
        assert derived.name == name
        assert name not in POINTS
        assert derived.si_unit
        for part in (derived.title, derived.formula, derived.validity, derived.source):
            assert part.strip() == part != ""
        for each in derived.inputs:
            assert point(each)
        assert set(derived.instanced) <= set(derived.inputs)
        titles.add(derived.title)
    assert len(titles) == len(CATALOGUE)


def test_names_others_rely_on() -> None:
    assert set(CATALOGUE) >= {
        "vapor_dew_temperature", "liquid_bubble_temperature", "suction_dew_temperature", "discharge_dew_temperature",
        "total_superheat", "subcooling", "discharge_superheat", "condensing_over_outdoor", "liquid_line_approach",
        "temperature_split", "outdoor_coil_rise", "compression_ratio", "compression_ratio_estimate",
        "herm_capacitance_under_load", "fan_capacitance_under_load", "compressor_apparent_power",
        "outdoor_fan_apparent_power", "blower_apparent_power", "heat_strip_apparent_power",
        "evaporator_temperature_difference", "standing_over_outdoor", "return_wet_bulb", "return_dew_point",
        "return_humidity_ratio", "return_enthalpy", "supply_wet_bulb", "total_external_static", "total_capacity",
        "sensible_capacity", "latent_capacity", "airflow_from_heat_rise", "outdoor_unit_power_factor",
        "contactor_resistance", "voltage_unbalance", "heat_strip_share_of_expected",
    }  # fmt: skip
    # A range is never an exact value, an estimate says so.
    for derived in CATALOGUE.values():
        assert ("estimate" in derived.validity or "assumed" in derived.validity) or not derived.estimate, derived.name
        assert all(field in Nameplate.__struct_fields__ for field in derived.needs_nameplate)
        assert set(derived.needs_mode) <= {"cool", "heat", "fan", "emergency"}


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_every_value_exists_at_typical_readings_and_names_what_it_lacks(name: str) -> None:
    derived = CATALOGUE[name]
    values, found = typical(derived)
    assert math.isfinite(found.value)
    assert len(found.partials) == len(derived.inputs)
    assert all(math.isfinite(move.slope) for move in moves(derived))
    # Each input bears on it; only the return's humidity does not on sensible heat, once the supply's air is weighed.
    blind = [each for each, partial in zip(derived.inputs, found.partials, strict=True) if partial == 0.0]
    assert blind == (["return_air_humidity"] if name == "sensible_capacity_from_velocity" else [])
    if derived.needs_nameplate:
        with pytest.raises(NotDerivable, match="nameplate"):
            derived.compute(Context("R-410A"), values)
    for i in range(len(values)):
        broken = [math.nan if i == j else value for j, value in enumerate(values)]
        with pytest.raises(NotDerivable):
            derived.compute(CONTEXT, broken)


def test_an_instance_has_the_rating_of_its_own_strip() -> None:
    context = Context(nameplate=Nameplate(heat_strip_w=(5000.0, 10_000.0), heat_strip_rated_v=240.0))
    share = CATALOGUE["heat_strip_share_of_expected"]
    assert share.at_instance("1").compute(context, (20.0, 240.0)).value == pytest.approx(20.0 * 240.0 / 5000.0)
    second = share.at_instance("2")
    assert second.inputs == ("heat_strip_current.2", "air_handler_voltage")
    assert second.compute(context, (20.0, 240.0)).value == pytest.approx(20.0 * 240.0 / 10_000.0)
    with pytest.raises(NotDerivable, match="2 strips; say which one"):
        share.compute(context, (20.0, 240.0))
    with pytest.raises(NotDerivable, match="no strip 3"):
        share.at_instance("3").compute(context, (20.0, 240.0))
    # 15 kW at 240 V draw 62.5 A, at 208 V 54.2 A (definition of a resistance).
    expected = CATALOGUE["heat_strips_expected_current"].compute
    assert expected(context, (240.0,)).value == pytest.approx(62.5)
    assert expected(context, (208.0,)).value == pytest.approx(62.5 * 208.0 / 240.0)


def test_standing_pressure_against_the_outdoor_air() -> None:
    # 201 psig of R-410A is 70 degF on makers' charts (bubble, within 0.4 K; tests/data/thermo/saturation.csv).
    pressure = to_si(201.0, "psig", Quantity.PRESSURE_GAUGE)
    found = CATALOGUE["standing_over_outdoor"].compute(Context("R-410A"), (pressure, 19.0)).value
    assert found == pytest.approx(21.1 - 19.0, abs=0.5)
    assert CATALOGUE["standing_over_outdoor"].needs_stopped


def test_efficiency_counts_the_blower_once() -> None:
    capacity = typical(CATALOGUE["total_capacity"]).found.value
    whole = typical(CATALOGUE["cooling_efficiency"]).found.value
    assert whole == pytest.approx(capacity / (2500.0 + 420.0))
    assumed = typical(CATALOGUE["cooling_efficiency_estimate"]).found.value
    assert assumed == pytest.approx(capacity / (2500.0 + 0.365 * 0.55 / (0.3048**3 / 60.0)))
    with pytest.raises(NotDerivable, match="below 100 W"):
        CATALOGUE["cooling_efficiency"].compute(CONTEXT, (0.55, 24.0, 50.0, 13.0, 90.0, 0.0, 0.0))


def test_a_return_static_without_its_sign_is_refused() -> None:
    compute = CATALOGUE["total_external_static"].compute
    assert compute(Context(), (-60.0, 50.0)).value == 110.0
    with pytest.raises(NotDerivable, match="with its sign"):
        compute(Context(), (60.0, 50.0))


def test_an_instance_goes_to_its_own_input_only() -> None:
    second = CATALOGUE["heat_strip_apparent_power"].at_instance("2")
    assert second.name == "heat_strip_apparent_power.2"
    assert second.inputs == ("heat_strip_current.2", "air_handler_voltage")
    assert second.compute(Context(), (20.0, 240.0)) == (4800.0, (240.0, 20.0), 0.0, 0.0)
    assert CATALOGUE["subcooling"].at_instance("2") is CATALOGUE["subcooling"]


@pytest.mark.parametrize(
    ("name", "values", "reason"),
    [
        ("liquid_bubble_temperature", (5.5e6,), "critical point"),
        ("subcooling", (5.5e6, 40.0), "critical point"),
        ("total_superheat", (-1.0e5, 10.0), "empty or pumped down"),
        ("total_superheat", (8e5, math.nan), "not a number"),
        ("total_superheat", (math.nan, 10.0), "Check"),
        ("subcooling", (2.5e6, math.inf), "not a number"),
        ("temperature_split", (math.nan, 10.0), "not a number"),
        ("compression_ratio", (2.5e6, -1.1e5), "perfect vacuum"),
        ("compression_ratio", (2.5e6, math.nan), "perfect vacuum"),
        ("compression_ratio", (math.inf, 8e5), "perfect vacuum"),
        ("herm_capacitance_under_load", (0.0, 0.4), "not running"),
        ("herm_capacitance_under_load", (5.0, math.nan), "not running"),
        ("herm_capacitance_under_load", (-5.0, 370.0), "without a sign"),
        ("fan_capacitance_under_load", (math.inf, 370.0), "not a number"),
        ("compressor_apparent_power", (-1.0, 240.0), "negative"),
        ("compressor_apparent_power", (1.0, math.nan), "negative"),
    ],
)
def test_outside_validity_there_is_a_reason_and_no_number(name: str, values: tuple[float, ...], reason: str) -> None:
    with pytest.raises(NotDerivable, match=reason) as caught:
        CATALOGUE[name].compute(Context("R-410A"), values)
    assert caught.value.reason == str(caught.value)


def test_without_a_known_refrigerant_nothing_is_guessed() -> None:
    with pytest.raises(NotDerivable, match="nameplate"):
        CATALOGUE["subcooling"].compute(Context(), (2.5e6, 40.0))
    with pytest.raises(NotDerivable, match="no refrigerant is called 'R-9'"):
        CATALOGUE["subcooling"].compute(Context("R-9"), (2.5e6, 40.0))
    with pytest.raises(NotDerivable, match="frequency"):
        CATALOGUE["herm_capacitance_under_load"].compute(Context(line_frequency_hz=400.0), (5.0, 370.0))
    for derived in CATALOGUE.values():
        values = typical(derived).values
        if derived.needs_refrigerant:
            with pytest.raises(NotDerivable):
                derived.compute(Context(nameplate=CONTEXT.nameplate), values)
        else:
            assert derived.compute(Context(nameplate=CONTEXT.nameplate), values) == derived.compute(CONTEXT, values)


def test_altitude_stands_in_for_a_barometer_until_there_is_one() -> None:
    # Barometer at 5000 ft: 24.896 inHg (ALT5000 of tests/data/thermo/README.md).
    high = Context.at_altitude("R-410A", 1524.0)
    assert high.barometric_pa == pytest.approx(24.896 * 3386.389, abs=20.0)
    assert high.barometric_u_pa == WEATHER_U_PA
    measured = high.with_barometer(84_000.0, 50.0)
    assert (measured.barometric_pa, measured.barometric_u_pa, measured.refrigerant) == (84_000.0, 50.0, "R-410A")
    sea = Context.at_altitude("R-410A", 0.0)
    compute = CATALOGUE["total_superheat"].compute
    # The same gauge reading is a lower absolute pressure up there, so the same line temperature is more superheat.
    assert compute(high, (8e5, 10.0)).value > compute(sea, (8e5, 10.0)).value + 0.4


refrigerants = st.sampled_from(list(REFRIGERANTS))


@given(refrigerants, st.floats(-40.0, 60.0), st.floats(-9.99, 60.0), st.floats(60_000.0, 105_000.0))
def test_superheat_and_subcooling_invert(name: str, saturation: float, kelvin: float, barometer: float) -> None:
    """Gauge pressures made from a saturation temperature give back the distance of the line from it."""
    context = Context(name, barometric_pa=barometer)
    dew = curve(name).dew.pressure(saturation) - barometer
    bubble = curve(name).bubble.pressure(saturation) - barometer
    found = CATALOGUE["total_superheat"].compute(context, (dew, saturation + kelvin)).value
    assert found == pytest.approx(kelvin, abs=1e-7)
    found = CATALOGUE["subcooling"].compute(context, (bubble, saturation - kelvin)).value
    assert found == pytest.approx(kelvin, abs=1e-7)
    assert CATALOGUE["vapor_dew_temperature"].compute(context, (dew,)).value == pytest.approx(saturation, abs=1e-7)
    assert CATALOGUE["liquid_bubble_temperature"].compute(context, (bubble,)).value == pytest.approx(
        saturation, abs=1e-7
    )


@given(refrigerants, st.floats(2e5, 2.2e6), st.floats(2e5, 2.2e6), st.floats(-10.0, 60.0))
def test_more_pressure_is_less_superheat_and_more_subcooling(name: str, a: float, b: float, line: float) -> None:
    context = Context(name)
    low, high = sorted((a, b))
    if high - low > 1.0:
        superheat, subcooling = formulas.above_dew, formulas.below_bubble
        assert superheat(context, (low, line)).value > superheat(context, (high, line)).value
        assert subcooling(context, (low, line)).value < subcooling(context, (high, line)).value


def test_what_no_running_system_does_is_refused_and_says_where_to_look() -> None:
    context = Context("R-410A", barometric_pa=SEA_LEVEL)
    psig = 6894.757293168361
    for name, pressure, line, says in (
        ("total_superheat", 400.0, 52.0, r"vapor at this pressure condenses at 117 degF .*gauge is on this port"),
        ("total_superheat", 400.0, 52.0, "gauge pressure and not absolute"),
        ("discharge_superheat", 400.0, 90.0, "no vapor line is so much colder"),
        ("subcooling", 100.0, 95.0, r"liquid at this pressure boils at 31 degF .*out of the sun"),
    ):
        with pytest.raises(NotDerivable, match=says):
            CATALOGUE[name].compute(context, (pressure * psig, (line - 32) / 1.8))
    # as cold as a measured rooftop unit showed (tests/data/protocol/fault_cases_measured.csv): told, not refused
    assert CATALOGUE["total_superheat"].compute(context, (118 * psig, (33 - 32) / 1.8)).value < -3.0
    for name in ("compression_ratio", "compression_ratio_estimate"):
        with pytest.raises(NotDerivable, match="exchanged"):
            CATALOGUE[name].compute(context, (118 * psig, 300 * psig))
