"""The catalogue of points, how values are shown, and descriptions of systems that cannot be used."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.derive.catalogue import CATALOGUE
from lineset.equipment.display import shown, unit_shown
from lineset.equipment.points import POINTS, PointError, point, title
from lineset.equipment.system import SystemDescriptionError, system_record
from lineset.equipment.walk import stop_of, walking_order
from lineset_drivers.quantity import Quantity, parse_measured, to_si

Q = Quantity
# the points that the plan of the house names
NAMED = """vapor_service_pressure common_suction_pressure liquid_service_pressure discharge_pressure
    vapor_line_temperature liquid_line_temperature discharge_line_temperature outdoor_air_temperature
    condenser_leaving_temperature return_air_temperature return_air_humidity supply_air_temperature
    supply_air_humidity return_static supply_static filter_drop coil_drop barometric_pressure line_voltage
    control_voltage contactor_drop compressor_common_current compressor_run_current compressor_start_current
    outdoor_fan_current capacitor_herm_voltage capacitor_fan_voltage herm_lead_current fan_capacitor_lead_current
    herm_capacitance fan_capacitance blower_capacitance blower_current heat_strip_current power""".split()


def test_all_points_that_were_promised_exist_and_each_has_its_place_on_the_walk() -> None:
    assert set(NAMED) <= set(POINTS)
    for name, place in POINTS.items():
        assert re.fullmatch("[a-z0-9_]+", name)
        assert place.name == name
        assert place.where
        assert place.title
        stop_of(name)
    assert len({walking_order(name) for name in POINTS}) == len(POINTS)


def test_points_and_derived_values_never_share_a_name() -> None:
    assert not set(POINTS) & set(CATALOGUE)


@pytest.mark.parametrize("name", ["heat_strip_current.2", "blower_current.12"])
def test_a_point_may_carry_an_instance(name: str) -> None:
    assert point(name) is POINTS[name.split(".")[0]]
    assert title(name).endswith(name.split(".")[1])


@pytest.mark.parametrize(
    "name",
    ["", ".", "heat_strip_current.", "heat_strip_current.0", "power.-1", "power.100", "POWER", "power/1", "power\n"],
)
def test_what_is_no_point_is_refused(name: str) -> None:
    with pytest.raises(PointError, match="no point is called"):
        point(name)


def test_a_slip_of_the_pen_is_told_the_nearest_names() -> None:
    with pytest.raises(PointError, match="did you mean vapor_service_pressure"):
        point("vapour_service_pressure")


@given(st.text(max_size=30))
def test_any_text_is_a_point_or_is_refused(name: str) -> None:
    try:
        assert point(name).name == name.split(".")[0]
    except PointError:
        assert name not in POINTS


@pytest.mark.parametrize("quantity", list(Quantity))
@pytest.mark.parametrize("units", ["customary", "si"])
def test_what_is_shown_can_be_typed_in_again(quantity: Quantity, units: Any) -> None:
    symbol = {"kPa gauge": "kPag", "kPa absolute": "kPaa", "sq ft": "ft2", "lb/cu ft": "lb/ft3"}.get(
        unit_shown(quantity, units), unit_shown(quantity, units)
    )
    symbol = {"(COP)": "COP", "Btu/Wh (EER)": "Btu/Wh"}.get(symbol, symbol)
    low, high = (0.2, 0.4) if quantity in (Q.RATIO, Q.HUMIDITY_RATIO) else (10.0, 60.0)
    if quantity is Q.CAPACITANCE:
        low, high = 1e-5, 6e-5
    for value in (low, high):
        number = shown(value, quantity, units).split(" ")[0]
        read = parse_measured(f"{number} {symbol}".strip(), quantity).value
        step = 10.0 ** -len(number.partition(".")[2]) if "." in number else 1.0
        assert abs(read - value) <= 0.51 * abs(to_si(step, symbol, quantity) - to_si(0.0, symbol, quantity)) + 1e-12


def test_values_with_their_uncertainty_as_people_write_them() -> None:
    # 1.96 is the two-sided 95 % quantile of the normal distribution (JCGM 100:2008, table G.1)
    assert shown(10.0, Q.TEMPERATURE, "customary", 0.5) == "50.0 +/- 1.8 degF"
    assert shown(100.0 / 1.8, Q.TEMPERATURE_DIFFERENCE) == "100.0 degF"
    assert shown(45e-6, Q.CAPACITANCE) == "45.00 uF"


GOOD: dict[str, Any] = {"id": "main", "refrigerant": "R-410A"}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"id": ""}, "'id' is missing"),
        ({"id": 5}, "'id' is missing"),
        ({"id": "Main Street"}, "must be 1 to 32"),
        ({"refrigerant": None}, "'refrigerant' is missing"),
        ({"metering_device": "magic"}, "use txv"),
        ({"line_frequency_hz": 400}, "50 or 60"),
        ({"line_frequency_hz": "sixty"}, "line_frequency_hz is a number"),
        ({"line_frequency_hz": [60]}, "line_frequency_hz is a number"),
        ({"altitude_m": "high"}, "altitude_m is a number"),
        ({"altitude_m": True}, "altitude_m is a number"),
        ({"altitude_m": 9000}, "outside"),
        ({"altitude_m": float("nan")}, "outside"),
        ({"colour": "grey"}, "'colour' is not known"),
    ],
)
def test_a_description_that_cannot_be_used_is_refused_by_key(change: dict[str, Any], says: str) -> None:
    with pytest.raises(SystemDescriptionError, match=re.escape(says)):
        system_record(GOOD | change)


def test_a_description_that_can_be_used() -> None:
    record = system_record(GOOD | {"metering_device": "txv", "line_frequency_hz": 50, "altitude_m": -12})
    assert (record.id, record.line_frequency_hz, record.altitude_m) == ("main", 50.0, -12.0)
