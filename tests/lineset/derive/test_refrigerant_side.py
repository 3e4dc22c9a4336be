"""The refrigerant side: states, mass flow and capacity against a published cycle, a second opinion, calc and engine."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
from engine_entries import Bench

from lineset.cli.calc_answer import CalcError, answer
from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.circuit_formulas import FAN_SHARE, FLOW_PER_DENSITY, HEAT_LOSS
from lineset.derive.declared import Context, NotDerivable
from lineset.derive.sensitivity import CONTEXT, NAMEPLATE, typical
from lineset.equipment.nameplate import nameplate

ATMOSPHERE = 101_325.0
# A real cycle of R-134a from memory of a textbook (Cengel and Boles, Thermodynamics, example 11-2): vapor enters the
# compressor at 0.14 MPa, -10 degC, leaves it at 0.8 MPa, 50 degC, liquid at 0.72 MPa, 26 degC. Its enthalpies 246.36,
# 286.69 and 87.83 kJ/kg give 158.53 kJ/kg taken up, 40.33 kJ/kg of work; at 0.05 kg/s 7.93 kW and 2.02 kW.
SUCTION = (140e3 - ATMOSPHERE, -10.0)
DISCHARGE = (800e3 - ATMOSPHERE, 50.0)
LIQUID = (720e3 - ATMOSPHERE, 26.0)
R134A = Context("R-134a", barometric_pa=ATMOSPHERE)


def value(name: str, context: Context, *values: float) -> float:
    return CATALOGUE[name].compute(context, values).value


def test_a_published_cycle() -> None:
    assert value("refrigerating_effect", R134A, *SUCTION, *LIQUID) == pytest.approx(158.53e3, abs=100.0)
    work = value("discharge_enthalpy", R134A, *DISCHARGE) - value("suction_enthalpy", R134A, *SUCTION)
    assert work == pytest.approx(40.33e3, abs=100.0)
    # the book's compressor loses nothing, ours the stated part: its power is that much more
    power = 2016.5 / (1.0 - HEAT_LOSS)
    names = ("refrigerant_mass_flow_from_power", "refrigerant_capacity_from_power")
    reads = (power, *DISCHARGE, *SUCTION)
    assert value(names[0], R134A, *reads) == pytest.approx(0.05, rel=3e-3)
    assert value(names[1], R134A, *reads, *LIQUID) == pytest.approx(7.93e3, rel=3e-3)


@pytest.mark.parametrize("refrigerant", ["R-410A", "R-454B", "R-22"])
def test_states_agree_with_coolprop_itself(refrigerant: str) -> None:
    from CoolProp.CoolProp import PropsSI

    from lineset.physics.refrigerant import REFRIGERANTS, curve

    fluid = REFRIGERANTS[refrigerant].fluid
    if (
        refrigerant == "R-454B"
    ):  # another door to it: by mole fraction, from 68.9/31.1 by mass, 52.024 and 114.0416 g/mol
        x = 68.9 / 52.024 / (68.9 / 52.024 + 31.1 / 114.0416)
        fluid = f"R32[{x}]&R1234yf[{1 - x}]"
    context = Context(refrigerant, barometric_pa=ATMOSPHERE)
    line = curve(refrigerant)
    low, high = line.dew.pressure(7.0), line.bubble.pressure(46.0)
    taken_up = PropsSI("H", "P|gas", low, "T", 290.15, fluid) - PropsSI("H", "P|liquid", high, "T", 313.15, fluid)
    found = value("refrigerating_effect", context, low - ATMOSPHERE, 17.0, high - ATMOSPHERE, 40.0)
    assert found == pytest.approx(taken_up, rel=5e-4)
    dense = value("suction_density", context, low - ATMOSPHERE, 17.0)
    assert dense == pytest.approx(PropsSI("D", "P|gas", low, "T", 290.15, fluid), rel=5e-4)


def test_the_outdoor_units_power_has_its_fans_share_taken_off() -> None:
    whole = CATALOGUE["refrigerant_mass_flow_from_power_estimate"]
    alone = CATALOGUE["refrigerant_mass_flow_from_power"]
    reads = (*DISCHARGE, *SUCTION)
    found = whole.compute(R134A, (2000.0, *reads)).value
    assert found == pytest.approx((1.0 - FAN_SHARE) * alone.compute(R134A, (2000.0, *reads)).value)
    assert whole.estimate
    assert not alone.estimate


def test_the_maps_flow_is_corrected_for_the_suctions_superheat() -> None:
    high, low, line = typical(CATALOGUE["refrigerant_mass_flow_from_map"]).values
    sheet = NAMEPLATE.compressor_map
    assert sheet is not None
    bare = value("compressor_map_mass_flow", CONTEXT, high, low)
    dew = value("suction_dew_temperature", CONTEXT, low)
    # at the rated superheat, 20 degF where no other is given, nothing is corrected
    assert value("refrigerant_mass_flow_from_map", CONTEXT, high, low, dew + 20 / 1.8) == pytest.approx(bare, rel=1e-9)
    for rated, at in (({"superheat_k": 5.0}, dew + 5.0), ({"return_gas_cel": 18.3}, 18.3)):
        plate = msgspec.structs.replace(NAMEPLATE, compressor_map=msgspec.structs.replace(sheet, **rated))
        own = replace(CONTEXT, nameplate=plate)
        assert value("refrigerant_mass_flow_from_map", own, high, low, at) == pytest.approx(bare, rel=1e-9)
        ratio = value("suction_density", own, low, line) / value("suction_density", own, low, at)
        expected = bare * (1.0 + FLOW_PER_DENSITY * (ratio - 1.0))
        assert value("refrigerant_mass_flow_from_map", own, high, low, line) == pytest.approx(expected, rel=1e-9)
    warm = value("refrigerant_mass_flow_from_map", CONTEXT, high, low, dew + 25.0)
    assert warm < bare  # thinner vapor, less flow


def test_a_maps_rating_is_read_from_the_description() -> None:
    rows = [1.0] * 10
    for key, text, field, expected in (
        ("superheat_f", 20, "superheat_k", 20 / 1.8), ("return_gas_f", 65, "return_gas_cel", 33 / 1.8),
    ):  # fmt: skip
        sheet = nameplate({"compressor_map": {"temperature": "degF", "mass_flow_lb_h": rows, key: text}}).compressor_map
        assert getattr(sheet, field) == pytest.approx(expected)
    both = {"temperature": "degF", "mass_flow_lb_h": rows, "superheat_f": 20, "return_gas_f": 65}
    with pytest.raises(ValueError, match="not both"):
        nameplate({"compressor_map": both})


def test_two_ways_agree_where_the_typical_readings_belong_together() -> None:
    by_power = typical(CATALOGUE["refrigerant_capacity_from_power"]).found.value
    by_map = typical(CATALOGUE["refrigerant_capacity_from_map"]).found.value
    # each is known to some 10 % at 95 %
    assert by_power == pytest.approx(by_map, rel=0.15)


@pytest.mark.parametrize(
    ("name", "values", "reason"),
    [
        ("suction_enthalpy", (860e3, 5.0), "the vapor is wet"),
        ("liquid_enthalpy", (2450e3, 43.0), "the line holds vapor"),
        ("refrigerant_mass_flow_from_power", (50.0, 2520e3, 72.0, 840e3, 12.0), "below 100 W"),
        ("refrigerant_mass_flow_from_power", (2500.0, 900e3, 14.0, 840e3, 12.0), "no compression"),
        ("refrigerant_capacity_from_power", (2500.0, 2520e3, 40.0, 840e3, 12.0, 2450e3, 36.0), "the vapor is wet"),
    ],
)
def test_a_state_that_cannot_be_known_gives_no_value(name: str, values: tuple[float, ...], reason: str) -> None:
    with pytest.raises(NotDerivable, match=reason):
        CATALOGUE[name].compute(Context("R-410A"), values)


def test_none_of_it_can_become_a_verdict() -> None:
    ours = [each for each in CATALOGUE.values() if each.name.startswith(("refrigerant_mass_flow", "refrigerant_cap"))]
    assert len(ours) == 8
    for each in ours:
        assert each.as_range
        assert "no verdict" in each.validity
        assert "oil in circulation and pressure drops are covered" in each.validity


def test_calc_and_a_visit_give_the_same() -> None:
    typed = {
        "power": "2500 W", "liquid_pressure": "340 psig", "discharge_temperature": "165 degF",
        "vapor_pressure": "122 psig", "vapor_temperature": "54 degF", "liquid_temperature": "95 degF",
    }  # fmt: skip
    asked = answer("refrigerant-capacity", typed, refrigerant="R-410A")
    assert asked.derived.name == "refrigerant_capacity_from_power_estimate"
    assert 7e3 < asked.value < 14e3
    assert asked.interval95 is None
    given = answer("refrigerant-capacity", typed | {"power": "2500 +/- 25 W"}, refrigerant="R-410A")
    assert given.interval95 is not None
    # what the shell, the fan and the oil may do is in it, however well everything was read
    assert given.interval95[1] - given.interval95[0] > 0.12 * given.value
    with pytest.raises(CalcError, match="needs"):
        answer("refrigerant-flow", {"power": "2500 W"}, refrigerant="R-410A")
    points = (
        ("power", 2500.0), ("liquid_service_pressure", 340 * 6894.757293168361),
        ("discharge_line_temperature", (165 - 32) / 1.8), ("vapor_service_pressure", 122 * 6894.757293168361),
        ("vapor_line_temperature", (54 - 32) / 1.8), ("liquid_line_temperature", (95 - 32) / 1.8),
    )  # fmt: skip
    bench = Bench().open()
    for name, amount in points:
        bench.push(e.Entered(instrument="eye", system="main", point=name, value=amount, text=f"{amount}"))
    live = {each.name: each.value for each in bench.engine.take_live() if each.derived}
    assert live["refrigerant_capacity_from_power_estimate"] == pytest.approx(asked.value, rel=1e-9)
    lines = {key: text for key, text in typed.items() if key not in ("power", "discharge_temperature")}
    effect = answer("refrigerating_effect", lines, refrigerant="R-410A").value
    assert live["refrigerating_effect"] == pytest.approx(effect, rel=1e-9)
