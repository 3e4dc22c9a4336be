"""Constants and facts of the trade (tests/data/protocol, each row's source there) against what uses them."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from lineset.assess.checks import CATALOGUE as CHECKS
from lineset.assess.limits import LIMITS, SERVICE
from lineset.assess.preconditions import AIRFLOW
from lineset.assess.supply import derating
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context
from lineset.equipment.nameplate import Nameplate
from lineset.physics import air_side, electrical
from lineset.physics.air import sensible_heat
from lineset.physics.gradient import inputs
from lineset.physics.refrigerant import curve, safety_class

DATA = Path(__file__).parents[2] / "data" / "protocol"
BTU_H = 1055.05585262 / 3600.0
CFM = 0.3048**3 / 60.0
LB = 0.45359237
DENSITY = 0.075 * LB / 0.3048**3  # standard air of the trade, lb/ft3
SEA_LEVEL = 101_325.0


def facts(name: str) -> dict[str, str]:
    with (DATA / name).open(encoding="utf-8") as file:
        return {row["item"]: row["value"] for row in csv.DictReader(file)}


def test_every_air_side_fact() -> None:
    said = facts("air_side_facts.csv")
    sensible = sensible_heat(CFM, DENSITY, 1.0 / 1.8) / BTU_H
    assert sensible == pytest.approx(float(said.pop("sensible constant")), abs=0.005)
    pounds_per_hour = CFM * DENSITY / LB * 3600.0  # of air, at 1 cfm
    assert pounds_per_hour == pytest.approx(float(said.pop("total-heat constant")), abs=0.005)
    # a grain is 1/7000 lb; 1061 Btu/lb at 0 degF counts the vapor's heat, 1076 condenses it at 50 degF or so
    assert "0.68 (0.69" in said.pop("latent constant, grains")
    low, _, high = said.pop("latent constant, humidity ratio").partition("..")
    assert (pounds_per_hour * 1061 / 7000, pounds_per_hour * 1076 / 7000) == (
        pytest.approx(0.68, abs=0.005), pytest.approx(0.69, abs=0.005),
    )  # fmt: skip
    flow, warm_t, wet_w, dry_w, site = inputs([CFM, 24.0, 0.010, 0.008, SEA_LEVEL])
    entering, leaving = (air_side.air_of_ratio(warm_t, w, site) for w in (wet_w, dry_w))
    duty = air_side.cooling_duty(air_side.mass_flow(flow, entering), entering, leaving)
    # ours weighs the air as it is at 24 degC, 1.5 % lighter than standard air: brought back to standard air
    latent = duty.latent.value / BTU_H / 0.002 * (DENSITY * entering.volume.value)
    # the trade takes one heat of vapor, 1061 or 1076 Btu/lb; ours is that of condensing at 75 degF, 1050 Btu/lb
    assert float(low) * 0.985 < latent < float(high)
    assert "density" in said.pop("altitude correction")  # each row of air_density_altitude_computed.csv is a check
    condensate = duty.condensate.value * 3600 / LB / 0.002 * (DENSITY * entering.volume.value)
    assert said.pop("condensate rate").startswith("4.5*cfm*(W_in - W_out)")
    assert condensate == pytest.approx(4.5, rel=0.003)
    assert said.pop("rough condensate from latent load") == "latent Btu/h / 1061"
    assert duty.latent.value / BTU_H / (duty.condensate.value * 3600 / LB) == pytest.approx(1061, rel=0.02)
    assert said.pop("bypass factor") == "(T_leave - T_adp)/(T_enter - T_adp)"
    t1, rh1, t2, rh2, site = inputs([26.7, 51.0, 13.0, 92.0, SEA_LEVEL])
    warm, cold = air_side.air(t1, rh1, site), air_side.air(t2, rh2, site)
    adp = air_side.apparatus_dew_point(warm, cold).value
    assert air_side.bypass_factor(warm, cold).value == pytest.approx((13.0 - adp) / (26.7 - adp))
    assert f"{said.pop('lower bound for valid charge test')} cfm/ton" in AIRFLOW.source
    inwc = float(said.pop("maximum external static pressure, usual rating"))
    high_limit = LIMITS["static", SERVICE].high
    assert high_limit == pytest.approx(inwc * 249.0889)
    # recalled rules of thumb for airflow and the static of rating tests: lineset holds nothing against them
    assert set(said) == {
        "nominal airflow", "humid climate airflow", "dry climate airflow",
        "federal test external static, conventional ducted (app. M1)",
        "federal test external static, older app. M by size", "federal test external static, small-duct high-velocity",
    }  # fmt: skip


def test_every_electrical_fact() -> None:
    said = facts("electrical_facts.csv")
    for hertz in (60, 50):
        factor = float(said.pop(f"capacitor microfarads under load, {hertz} Hz").removesuffix("*I/V"))
        assert electrical.capacitance(1.0, 1.0, float(hertz)) * 1e6 == pytest.approx(factor, abs=0.005)
    usual = re.match(r"\+/-(\d+)", said.pop("run-capacitor tolerance, usual marking"))
    assert usual
    assert Nameplate().allowed_capacitor_part * 100 == pytest.approx(float(usual[1]))
    formula = CATALOGUE["voltage_unbalance"]
    assert said.pop("voltage unbalance definition") == "100*max|V-Vavg|/Vavg"
    for volts in ((236.0, 240.0, 233.0), (230.0, 230.0, 220.0)):
        mean = sum(volts) / 3.0
        wanted = max(abs(v - mean) for v in volts) / mean
        assert formula.compute(Context(), volts).value == pytest.approx(wanted)
    unbalance = LIMITS["voltage_unbalance", SERVICE].high
    assert unbalance is not None
    assert unbalance * 100 == pytest.approx(float(said.pop("recommended unbalance limit at motor terminals")))
    assert derating(float(said.pop("do not run above unbalance")) / 100) > 0.0
    # looser figures, of a supply without load and of one unit's maker: the motor's own is what is held against
    assert unbalance * 100 < float(said.pop("unit-maker unbalance limit (one maker)")) < 3.1
    assert unbalance * 100 < float(said.pop("supply unbalance limit, no load"))
    window = said.pop("dual-rated 208/230 V equipment window")
    row = LIMITS["line_voltage", SERVICE]
    assert window.startswith(f"{row.low:.0f}..{row.high:.0f} ")
    per_kw = float(said.pop("resistance heat current at 240 V"))
    assert electrical.apparent_power(per_kw, 240.0) == pytest.approx(1000.0, abs=0.1)
    at_208 = float(said.pop("resistance heat output at 208 V of a 240 V element"))
    assert at_208 == pytest.approx((208 / 240) ** 2, 1e-4)
    btu = float(said.pop("heat per kW"))
    assert btu * BTU_H == pytest.approx(1000.0, rel=2e-6)
    assert said.pop("airflow by temperature rise") == "3412.14*kW/(1.08*dT)"
    ours = air_side.heat_rise_airflow(*inputs([5000.0, 21.1, 41.1, SEA_LEVEL])).value / CFM
    assert ours == pytest.approx(btu * 5 / (1.08 * 36.0), rel=0.01)  # 1.08 is dry air of 0.075 lb/ft3
    assert said.pop("RLA is not a pass/fail reading").startswith("compare with maker performance data")
    amps = LIMITS["motor_amps", SERVICE]
    assert not amps.high_basis.carries_verdict
    assert "motor_amps" in {check.limit for check in CHECKS.values()}
    # of codes and standards, recalled; no number of lineset's rests on them. Its cautions refer to codes as such.
    assert set(said) == {
        "start-capacitor tolerance, usual", "residual voltage after disconnection",
        "stored-energy hazard threshold, 100-400 V", "stored-energy hazard threshold, >=400 V",
        "stored-energy hazard threshold, <100 V", "current unbalance per voltage unbalance", "motor voltage tolerance",
        "RLA from maximum continuous current", "minimum circuit ampacity", "maximum overcurrent device",
    }  # fmt: skip


def test_every_fact_of_mildly_flammable_refrigerants() -> None:
    with (DATA / "a2l_facts.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    said = {(row["refrigerant"], row["item"], row["unit"]): row["value"] for row in rows}
    slowest = float(said.pop(("class A2L", "burning velocity at most", "cm/s")))
    for name in ("R-32", "R-454B"):
        assert safety_class(name) == "A2L"
        assert float(said.pop((name, "burning velocity", "cm/s"))) <= slowest
    # lower flammability limit by volume and by mass are one figure: 52.02 g/mol of R-32 at 23 degC (ISO 817)
    per_m3 = float(said.pop(("R-32", "LFL", "vol %"))) / 100 * SEA_LEVEL * 0.05202 / (8.314 * 296.15)
    r32, r454b = float(said.pop(("R-32", "LFL", "kg/m3"))), float(said.pop(("R-454B", "LFL", "kg/m3")))
    assert per_m3 == pytest.approx(r32, rel=0.01)
    (charge,) = (key for key in said if key[1].startswith("charge m1"))
    assert said.pop(charge) == "6*LFL"
    assert f"R-32 {6 * r32:.2f}; R-454B {6 * r454b:.2f}" in charge[2]
    # warming potentials of the fourth assessment: a blend has its parts' by mass (R-125 3500, R-1234yf 4)
    gwp = {name: float(said.pop((name, "GWP100 AR4", ""))) for name in ("R-410A", "R-32", "R-454B")}
    assert gwp["R-410A"] == pytest.approx(0.5 * gwp["R-32"] + 0.5 * 3500, abs=1.0)
    assert gwp["R-454B"] == pytest.approx(0.689 * gwp["R-32"] + 0.311 * 4, abs=1.0)
    ((_, _, words),) = said
    (glide,) = said.values()
    assert words.endswith("use dew for superheat, bubble for subcooling")
    line = curve("R-454B")
    # "approx", without a pressure: ours is 2.2 to 2.8 degF between 0 and 40 degC
    for cel in (0.0, 20.0, 40.0):
        pressure = line.bubble.pressure(cel)
        assert (line.dew(pressure) - cel) * 1.8 == pytest.approx(float(glide), abs=0.5)
