"""Enthalpy and density off saturation: against CoolProp, their shape, derivatives, edges and cost of import."""

from __future__ import annotations

import itertools
import json
import math
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.physics import generate_curves, refrigerant
from lineset.physics.errors import CurveError, OutOfRange
from lineset.physics.refrigerant import REFRIGERANTS, curve, curve_file, from_data
from lineset.physics.refrigerant_state import REFERENCE_J_KG, States

NAMES = list(REFRIGERANTS)


def states(name: str) -> States:
    found = curve(name).states
    assert found is not None
    return found


@pytest.mark.parametrize("name", NAMES)
def test_states_are_within_25_joules_a_kilogram_of_coolprop(name: str) -> None:
    # 25 J/kg is 0.02 % of the heat that a kilogram takes up; a probe's 0.5 K is some 500 J/kg.
    body = json.loads(curve_file(name).read_text())
    found = list(generate_curves.of_states(body, pressures=7))
    assert [each.what for each in found] == [
        "bubble enthalpy", "dew enthalpy", "vapor enthalpy", "vapor density", "liquid enthalpy",
    ]  # fmt: skip
    assert all(each.good for each in found), found


@pytest.mark.parametrize("name", NAMES)
def test_in_the_envelope_of_a_running_system(name: str) -> None:
    """Evaporating -20 to 20 degC with 0 to 30 K, condensing 20 to 66 degC with 0 to 20 K, discharge up to 120 degC."""
    from CoolProp.CoolProp import PT_INPUTS, AbstractState, iphase_gas, iphase_liquid

    fluid = REFRIGERANTS[name].fluid
    own, saturation = states(name), curve(name)
    gas, liquid = (AbstractState("HEOS", fluid) for _ in range(2))
    gas.specify_phase(iphase_gas)
    liquid.specify_phase(iphase_liquid)
    dew = saturation.dew.pressure
    suction = [(dew(t), t + above) for t in (-20.0, -5.0, 10.0, 20.0) for above in (0.05, 10.0, 30.0)]
    discharge = [(dew(t), hot) for t in (20.0, 45.0, 66.0) for hot in (70.0, 95.0, 120.0)]
    cooled = [(saturation.bubble.pressure(t), t - below) for t in (20.0, 45.0, 66.0) for below in (0.05, 5.0, 20.0)]
    heats = []
    for pressure, cel in suction + discharge:
        gas.update(PT_INPUTS, pressure, cel + 273.15)
        found = own.vapor(pressure, cel)
        heats.append((found.enthalpy, gas.hmass()))
        assert found.density == pytest.approx(gas.rhomass(), rel=3e-4)
    for pressure, cel in cooled:
        liquid.update(PT_INPUTS, pressure, cel + 273.15)
        heats.append((own.liquid(pressure, cel).enthalpy, liquid.hmass()))
    zero = heats[0][0] - heats[0][1]
    # only differences mean anything: all share the first one's zero
    assert max(abs(mine - theirs - zero) for mine, theirs in heats) < 30.0


@pytest.mark.parametrize("name", NAMES)
def test_counted_from_200_kilojoules_in_the_saturated_liquid_at_zero(name: str) -> None:
    pressure = curve(name).bubble.pressure(0.0)
    assert states(name).bubble_enthalpy(pressure)[0] == pytest.approx(REFERENCE_J_KG, abs=1.0)
    assert "200 kJ/kg" in json.loads(curve_file(name).read_text())["states"]["reference"]


@pytest.mark.parametrize("name", NAMES)
def test_no_gap_and_the_right_way_up(name: str) -> None:
    own, saturation = states(name), curve(name)
    for line, spline in ((saturation.bubble, own.bubble_enthalpy), (saturation.dew, own.dew_log_density)):
        step = (line.high_pa / line.low_pa) ** (1 / 1000)
        along = [spline(min(line.low_pa * step**i, line.high_pa))[0] for i in range(1001)]
        assert all(low < high for low, high in itertools.pairwise(along))
    assert own.vapor_range.low == pytest.approx(-45.0)
    assert min(own.vapor_range.high, own.liquid_range.high) >= 66.0
    for i in range(60):
        dew = own.vapor_range.low + (own.vapor_range.high - own.vapor_range.low) * i / 59
        pressure = saturation.dew.pressure(dew)
        dew = saturation.dew(pressure)
        across = [own.vapor(pressure, dew + (own.top_cel - dew) * k / 40) for k in range(40)]
        assert all(a.enthalpy < b.enthalpy and a.density > b.density for a, b in itertools.pairwise(across))
        assert all(each.enthalpy_by_temperature > 300.0 and each.density_by_pressure > 0.0 for each in across)
        bubble = own.liquid_range.low + (own.liquid_range.high - own.liquid_range.low) * i / 59
        pressure = saturation.bubble.pressure(bubble)
        bubble = saturation.bubble(pressure)
        down = [own.liquid(pressure, bubble - own.span_k * k / 40) for k in range(41)]
        assert all(a.enthalpy > b.enthalpy for a, b in itertools.pairwise(down))
        assert all(math.isfinite(each.enthalpy_by_pressure) for each in down)


@given(st.sampled_from(NAMES), st.floats(0.02, 0.98), st.floats(0.01, 0.98))
def test_derivatives_of_vapor_and_liquid(name: str, along: float, off: float) -> None:
    own, saturation = states(name), curve(name)
    pressure = saturation.dew.pressure(own.vapor_range.low + (own.vapor_range.high - own.vapor_range.low) * along)
    dew = saturation.dew(pressure)
    cel = dew + (own.top_cel - dew) * off
    found = own.vapor(pressure, cel)
    h, k = pressure * 1e-5, 1e-4
    ends = [own.vapor(pressure + s * h, cel) for s in (1, -1)]
    assert found.enthalpy_by_pressure == pytest.approx((ends[0].enthalpy - ends[1].enthalpy) / (2 * h), rel=1e-4)
    assert found.density_by_pressure == pytest.approx((ends[0].density - ends[1].density) / (2 * h), rel=1e-4)
    ends = [own.vapor(pressure, cel + s * k) for s in (1, -1)]
    assert found.enthalpy_by_temperature == pytest.approx((ends[0].enthalpy - ends[1].enthalpy) / (2 * k), rel=1e-4)
    assert found.density_by_temperature == pytest.approx((ends[0].density - ends[1].density) / (2 * k), rel=1e-4)
    bubble = own.liquid_range.low + (own.liquid_range.high - own.liquid_range.low) * along
    pressure, cel = saturation.bubble.pressure(bubble), bubble - own.span_k * off
    wet = own.liquid(pressure, cel)
    liquids = [own.liquid(pressure + s * pressure * 1e-5, cel) for s in (1, -1)]
    slope = (liquids[0].enthalpy - liquids[1].enthalpy) / (2e-5 * pressure)
    assert wet.enthalpy_by_pressure == pytest.approx(slope, rel=1e-3, abs=1e-6)
    liquids = [own.liquid(pressure, cel + s * k) for s in (1, -1)]
    assert wet.enthalpy_by_temperature == pytest.approx((liquids[0].enthalpy - liquids[1].enthalpy) / (2 * k), rel=1e-4)


def test_where_temperature_does_not_tell_the_enthalpy_there_is_none() -> None:
    own = states("R-410A")
    pressure = curve("R-410A").dew.pressure(7.0)
    with pytest.raises(OutOfRange, match="the vapor is wet"):
        own.vapor(pressure, 6.9)
    with pytest.raises(OutOfRange, match="no running compressor"):
        own.vapor(pressure, 130.1)
    with pytest.raises(OutOfRange, match="Check the gauge"):
        own.vapor(curve("R-410A").dew.pressure(-46.0), 0.0)
    with pytest.raises(OutOfRange):
        own.vapor(pressure, math.nan)
    pressure = curve("R-410A").bubble.pressure(45.0)
    with pytest.raises(OutOfRange, match="the line holds vapor"):
        own.liquid(pressure, 45.1)
    with pytest.raises(OutOfRange, match="no condenser subcools"):
        own.liquid(pressure, 4.9)
    with pytest.raises(OutOfRange, match="is below the range"):
        own.liquid(curve("R-410A").bubble.pressure(-1.0), -5.0)


def test_a_refrigerant_made_at_run_time_has_states_too() -> None:
    # R-152a has no shipped file; latent heat at 25 degC 279.4 kJ/kg (from memory of a handbook's table).
    own = states("R-152a")
    made = curve("R-152a")
    latent = own.dew_enthalpy(made.dew.pressure(25.0))[0] - own.bubble_enthalpy(made.bubble.pressure(25.0))[0]
    assert latent == pytest.approx(279.4e3, rel=0.01)


def test_a_curve_without_states_is_still_a_curve_and_damaged_ones_are_refused() -> None:
    body = json.loads(curve_file("R-32").read_text())
    bare = {key: value for key, value in body.items() if key != "states"}
    bare["sha256"] = refrigerant.digest(bare)
    assert from_data(bare, "r-32.json").states is None
    with pytest.raises(CurveError, match="holds no enthalpies"):
        list(generate_curves.of_states(bare))
    body["states"]["vapor"]["specific_heat"][3][2] += 1e-3
    with pytest.raises(CurveError, match="digest"):
        from_data(body, "r-32.json")
    del body["states"]["dew_enthalpy"]
    body["sha256"] = refrigerant.digest(body)
    with pytest.raises(CurveError, match="not a curve"):
        from_data(body, "r-32.json")


def test_verify_notices_an_enthalpy_that_is_too_far(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    body = json.loads(curve_file("R-32").read_text())
    body["states"]["vapor"]["specific_heat"][0][0] += 1.0
    body["sha256"] = refrigerant.digest(body)
    monkeypatch.setattr(refrigerant, "CURVES", tmp_path)
    (tmp_path / "r-32.json").write_text(generate_curves.text(body))
    assert generate_curves.main(["--verify", "R-32"]) == 1
    assert "vapor enthalpy" in next(row for row in capsys.readouterr().out.splitlines() if "TOO FAR" in row)


def test_states_import_neither_coolprop_nor_numpy() -> None:
    code = (
        "import sys; from lineset.physics.refrigerant import curve; curve('R-454B').states.vapor(9e5, 20.0);"
        "sys.exit(bool({'CoolProp', 'numpy', 'asyncio'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, env={"PYTHONPATH": ":".join(sys.path)})
    assert done.returncode == 0
