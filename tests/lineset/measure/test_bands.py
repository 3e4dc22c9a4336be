"""The table of bands: everything that is declared has one, and none asks for more than its inputs can settle to."""

from __future__ import annotations

import math

import pytest

from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context, Derived
from lineset.equipment.nameplate import CompressorMap, Nameplate
from lineset.equipment.points import POINTS
from lineset.measure.bands import BANDS, KINDS, MOTOR_LEADS, Band, band_of, staying_kind
from lineset_drivers.quantity import Quantity

# A state that a two-ton air conditioner may be in, and invented ratings of one.
STATE = {
    "vapor_service_pressure": 820e3, "common_suction_pressure": 800e3, "liquid_service_pressure": 2.4e6,
    "discharge_pressure": 2.5e6, "return_air_temperature": 24.0, "return_air_humidity": 50.0,
    "supply_air_temperature": 13.0, "supply_air_humidity": 90.0, "return_air_wet_bulb": 17.0,
    "supply_air_wet_bulb": 12.0, "airflow": 0.5, "supply_air_velocity": 5.0, "return_static": -60.0,
    "supply_static": 60.0, "power": 2500.0, "blower_power": 400.0, "compressor_common_current": 10.0,
    "outdoor_fan_current": 1.0, "blower_current": 3.0, "herm_capacitance": 40e-6, "fan_capacitance": 5e-6,
    "vapor_line_temperature": 12.0, "liquid_line_temperature": 36.0, "discharge_line_temperature": 72.0,
    "compressor_power": 2280.0,
    "blower_capacitance": 10e-6, "air_handler_voltage": 240.0, "heat_strip_feed_current": 40.0,
}  # fmt: skip
HEATING = {"supply_air_temperature": 40.0}
# power 2500 W, flow 0.04 kg/s, 10 A at the state, with slopes of a few percent a kelvin (invented)
MAP = CompressorMap(
    fahrenheit=False,
    power_w=(1000.0, 0.0, 35.0, 0, 0, 0, 0, 0, 0, 0),
    mass_flow_kg_s=(0.035, 0.0012, 0, 0, 0, 0, 0, 0, 0, 0),
    current_a=(4.0, 0.0, 0.14, 0, 0, 0, 0, 0, 0, 0),
)
PLATE = Nameplate(
    herm_capacitor_f=40e-6, fan_capacitor_f=5e-6, blower_capacitor_f=10e-6, compressor_rla_a=12.0,
    outdoor_fan_fla_a=1.2, blower_fla_a=4.0, heat_strip_w=(9600.0,), duct_area_m2=0.1,
    blower_table=((50.0, 0.55), (125.0, 0.5), (200.0, 0.42)), compressor_map=MAP,
)  # fmt: skip
CONTEXT = Context.at_altitude("R-410A", 0.0, nameplate=PLATE)
LIVE = [named for named in CATALOGUE.values() if not named.paired]
NEWER = frozenset(
    {
        Quantity.HUMIDITY_RATIO,
        Quantity.ENTHALPY,
        Quantity.DENSITY,
        Quantity.MASS_FLOW,
        Quantity.HEAT_RATE,
        Quantity.EFFICIENCY,
        Quantity.REFRIGERANT_ENTHALPY,
    }
)


def _wide(band: Band, value: float) -> float:
    return max(band.band, band.relative * abs(value))


def _band(name: str, quantity: Quantity) -> Band:
    found = band_of(quantity, name)
    assert found is not None, f"nothing says what is tolerated of {name}"
    return found


@pytest.mark.parametrize("name", [*POINTS, *CATALOGUE])
def test_every_declared_point_and_value_has_a_band(name: str) -> None:
    quantity = POINTS[name].quantity if name in POINTS else CATALOGUE[name].quantity
    band = _band(name, quantity)
    assert band.reason
    assert 0.0 < band.dwell_s < band.hold_s
    assert band.band > 0.0


def test_every_kind_is_a_point_a_value_or_the_clamp_that_stays() -> None:
    assert {*KINDS} <= {*POINTS, *CATALOGUE, "running_current"}


@pytest.mark.parametrize("named", LIVE, ids=lambda named: named.name)
def test_a_value_is_judged_over_no_shorter_a_time_than_what_it_is_worked_out_from(named: Derived) -> None:
    inputs = [_band(name, POINTS[name].quantity) for name in named.inputs]
    band = _band(named.name, named.quantity)
    assert band.hold_s >= max(each.hold_s for each in inputs)
    assert band.tail_s >= 0.6 * max(each.tail_s for each in inputs)


@pytest.mark.parametrize(
    "named",
    [named for named in LIVE if named.quantity in NEWER or named.name in KINDS],
    ids=lambda named: named.name,
)
def test_a_computed_values_band_is_about_what_its_inputs_bands_come_to(named: Derived) -> None:
    state = STATE | (HEATING if "rise" in named.name else {})
    values = [state[name] for name in named.inputs]
    found = named.compute(CONTEXT, values)
    moved = [
        partial * _wide(_band(name, POINTS[name].quantity), value)
        for partial, name, value in zip(found.partials, named.inputs, values, strict=True)
    ]
    # inputs move each for itself: first order, root of the sum of squares
    come_to = math.hypot(*moved)
    times = _wide(_band(named.name, named.quantity), found.value) / come_to
    assert times > 0.5  # or it would wait for more than its inputs prove; a wet wick moves twice what RH does
    assert named.quantity not in NEWER or times < 3.0  # the others' bands are what a verdict tolerates


def test_only_a_motors_lead_is_judged_as_a_clamp_that_stays() -> None:
    assert {name for name in POINTS if staying_kind(name)} == MOTOR_LEADS
    assert all(POINTS[name].quantity is Quantity.CURRENT for name in MOTOR_LEADS)
    running = _band(staying_kind("blower_current.2"), Quantity.CURRENT)
    # the two bands that a current has: at once by hand, and over the horizon of a verdict
    assert (running.band, running.relative, running.hold_s) == (0.15, 0.015, 180)
    spot = BANDS[Quantity.CURRENT]
    assert (spot.band, spot.relative, spot.hold_s) == (0.1, 0.01, 10)
    assert band_of(Quantity.CURRENT, "blower_current") is spot
