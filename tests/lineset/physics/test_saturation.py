"""Saturation curves: fidelity to CoolProp, shape, inverses, range, names, damage."""

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
from lineset.physics.errors import CurveError, OutOfRange, UnknownRefrigerant
from lineset.physics.refrigerant import (
    REFRIGERANTS,
    canonical_name,
    caution,
    curve,
    curve_file,
    from_data,
    safety_class,
)
from lineset.physics.saturation import Line

NAMES = list(REFRIGERANTS)
lines = st.sampled_from([line for name in NAMES for line in (curve(name).bubble, curve(name).dew)])


@pytest.mark.parametrize("name", NAMES)
def test_shipped_curve_is_within_a_tenth_of_a_millikelvin_of_coolprop(name: str) -> None:
    body = json.loads(curve_file(name).read_text())
    # CoolProp's mixtures cost up to a millisecond a point: every sixth step of a blend, all of a pure fluid.
    found = list(generate_curves.differences(body, fractions=(0.5,), stride=6 if body["fluid"].endswith("mix") else 1))
    assert [difference.phase for difference in found] == ["bubble", "dew"]
    assert all(abs(difference.kelvin) <= 1e-4 for difference in found), found
    assert body["coolprop"] == generate_curves.coolprop_version()


@pytest.mark.parametrize("name", NAMES)
def test_shipped_curve_covers_the_trade_without_a_gap_and_rises(name: str) -> None:
    saturation = curve(name)
    for line in (saturation.bubble, saturation.dew):
        assert line.low_cel <= -45.0
        assert line.high_cel >= min(66.0, saturation.critical_temperature_cel - 2.001)
        assert line.high_pa < saturation.critical_pressure_pa
        step = (line.high_pa / line.low_pa) ** (1 / 4000)
        temperatures = [line(min(line.low_pa * step**i, line.high_pa)) for i in range(4001)]
        assert all(math.isfinite(value) for value in temperatures)
        assert all(low < high for low, high in itertools.pairwise(temperatures))


@pytest.mark.parametrize("name", NAMES)
def test_dew_is_never_below_bubble(name: str) -> None:
    saturation = curve(name)
    low = max(saturation.bubble.low_pa, saturation.dew.low_pa)
    high = min(saturation.bubble.high_pa, saturation.dew.high_pa)
    pressures = [low * (high / low) ** (i / 500) for i in range(500)]
    pure = name in ("R-22", "R-32", "R-134a", "R-290", "R-1234yf")
    for pressure in pressures:
        assert saturation.glide(pressure) == pytest.approx(0.0, abs=1e-9) if pure else saturation.glide(pressure) > 0.0


@given(lines, st.floats(0.0, 1.0))
def test_pressure_and_temperature_are_inverses(line: Line, fraction: float) -> None:
    pressure = min(max(line.low_pa * (line.high_pa / line.low_pa) ** fraction, line.low_pa), line.high_pa)
    assert line.pressure(line(pressure)) == pytest.approx(pressure, rel=1e-11)
    temperature = line.low_cel + fraction * (line.high_cel - line.low_cel)
    assert line(line.pressure(temperature)) == pytest.approx(temperature, abs=1e-9)


@given(lines, st.floats(0.001, 0.999))
def test_slope_is_that_of_the_curve(line: Line, fraction: float) -> None:
    pressure = line.low_pa * (line.high_pa / line.low_pa) ** fraction
    h = pressure * 1e-5
    assert line.slope(pressure) == pytest.approx((line(pressure + h) - line(pressure - h)) / (2 * h), rel=1e-5)
    assert line.with_slope(pressure) == (line(pressure), line.slope(pressure))


@given(lines, st.one_of(st.floats(0.0, 0.9999999), st.floats(1.0000001, 100.0), st.just(math.nan), st.just(math.inf)))
def test_outside_its_range_a_curve_gives_no_number(line: Line, factor: float) -> None:
    pressure = line.low_pa * factor if factor < 1.0 else line.high_pa * factor
    with pytest.raises(OutOfRange, match="Check"):
        line(pressure)
    with pytest.raises(OutOfRange):
        line.with_slope(pressure)
    for temperature in (line.low_cel - 1e-6, line.high_cel + 1e-6, math.nan):
        with pytest.raises(OutOfRange):
            line.pressure(temperature)


def test_range_error_says_what_where_and_what_to_do() -> None:
    with pytest.raises(OutOfRange) as caught:
        curve("R-410A").bubble(6.0e6)
    message = str(caught.value)
    assert "R-410A, bubble temperature: 6000.0 kPa (870.2 psi) absolute is above the range" in message
    assert "critical point" in message
    assert caught.value.high == curve("R-410A").bubble.high_pa
    with pytest.raises(OutOfRange, match=r"is below the range .* empty or pumped down"):
        curve("R-410A").dew(1000.0)


@pytest.mark.parametrize(
    ("spelling", "name"),
    [("R410A", "R-410A"), ("r-410a", "R-410A"), ("410A", "R-410A"), ("R 410 A", "R-410A"), (" r_454b ", "R-454B"),
     ("R134A", "R-134a"), ("r1234YF", "R-1234yf"), ("HFO-1234yf", "R-1234yf"), ("Propane", "R-290"), ("22", "R-22"),
     ("hfc-32", "R-32")],
)  # fmt: skip
def test_names_are_understood_as_people_spell_them(spelling: str, name: str) -> None:
    assert canonical_name(spelling) == name
    assert curve(spelling) is curve(name)
    assert curve(spelling).refrigerant == name


@pytest.mark.parametrize("name", ["", "banana", "R-", "R-999", "R-4100", "R22R32", "R32[0.5]&R1234yf[0.5]", "water"])
def test_unknown_name_is_refused_and_shipped_ones_are_named(name: str) -> None:
    with pytest.raises(UnknownRefrigerant, match="Curves are shipped for R-22"):
        curve(name)


def test_refrigerant_without_a_shipped_curve_goes_through_coolprop() -> None:
    made = curve("R-152a")
    assert made.refrigerant == "R-152a"
    assert "CoolProp" in made.source
    # Normal boiling point of R-152a: 247.2 K, -24.0 degC (ASHRAE 34, from memory).
    assert made.dew(101_325.0) == pytest.approx(-24.0, abs=0.1)
    assert curve("r152A") is made
    assert safety_class("R-152a") is None
    assert "not known" in caution("R-152a")


def test_every_class_has_its_caution() -> None:
    # Safety groups of ANSI/ASHRAE Standard 34 (see refrigerant.py for which were read and which are remembered).
    by_class = {name: REFRIGERANTS[name].safety_class for name in NAMES}
    assert {name for name, found in by_class.items() if found == "A2L"} == {"R-32", "R-454B", "R-1234yf"}
    assert {name for name, found in by_class.items() if found == "A3"} == {"R-290"}
    assert "mildly flammable" in caution("R-454B")
    assert "highly flammable" in caution("propane")
    assert "flammable" not in caution("R-410A")


@pytest.mark.parametrize(
    ("fluid", "by_mass"),
    [
        # ANSI/ASHRAE Standard 34, from memory; R-422D's was read in a pressure-temperature chart's description.
        ("R417A.mix", {"R125": 46.6, "R134a": 50.0, "n-Butane": 3.4}),
        ("R421A.mix", {"R125": 58.0, "R134a": 42.0}),
        ("R422B.mix", {"R125": 55.0, "R134a": 42.0, "IsoButane": 3.0}),
        ("R422D.mix", {"R125": 65.1, "R134a": 31.5, "IsoButane": 3.4}),
        ("R427A.mix", {"R32": 15.0, "R125": 25.0, "R143a": 10.0, "R134a": 50.0}),
    ],
)
def test_predefined_mixtures_have_the_published_compositions(fluid: str, by_mass: dict[str, float]) -> None:
    import CoolProp.CoolProp

    state = CoolProp.CoolProp.AbstractState("HEOS", fluid)
    found = dict(zip(state.fluid_names(), state.get_mass_fractions(), strict=True))
    assert found == pytest.approx({name: percent / 100.0 for name, percent in by_mass.items()}, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "bubble", "dew"),
    [
        # Boiling points at 101.3 kPa [degC], from memory of ANSI/ASHRAE Standard 34, table D-2; that of R-417A from
        # memory of its maker's sheet (the standard's figures, -38.0 and -32.9 as remembered, are 1.1 K higher).
        ("R-417A", -39.1, None), ("R-421A", -40.8, -35.5), ("R-422D", -43.2, -38.4), ("R-427A", -43.0, -36.3),
    ],
)  # fmt: skip
def test_remembered_boiling_points_of_field_replacements(name: str, bubble: float, dew: float | None) -> None:
    assert curve(name).bubble(101_325.0) == pytest.approx(bubble, abs=0.3)
    if dew is not None:
        assert curve(name).dew(101_325.0) == pytest.approx(dew, abs=0.3)


def test_damaged_curve_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = json.loads(curve_file("R-32").read_text())
    changed = json.loads(json.dumps(body))
    changed["dew"]["temperature_Cel"][100] += 1e-4
    with pytest.raises(CurveError, match="digest"):
        from_data(changed, "r-32.json")
    changed["sha256"] = refrigerant.digest(changed)
    assert from_data(changed, "r-32.json").sha256 != body["sha256"]
    changed["dew"]["temperature_Cel"][100] -= 50.0
    changed["sha256"] = refrigerant.digest(changed)
    with pytest.raises(CurveError, match="does not rise"):
        from_data(changed, "r-32.json")
    del changed["bubble"]
    changed["sha256"] = refrigerant.digest(changed)
    with pytest.raises(CurveError, match="not a curve"):
        from_data(changed, "r-32.json")
    monkeypatch.setattr(refrigerant, "CURVES", tmp_path)
    monkeypatch.setattr(refrigerant, "_LOADED", {})
    with pytest.raises(CurveError, match="cannot read the curve of R-32"):
        curve("R-32")
    (tmp_path / "r-32.json").write_text("{")
    with pytest.raises(CurveError, match="generate_curves"):
        curve("R-32")


def test_verify_notices_a_curve_that_is_too_far(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    body = json.loads(curve_file("R-32").read_text())
    body["dew"]["temperature_Cel"][100] += 5e-4
    body["sha256"] = refrigerant.digest(body)
    monkeypatch.setattr(refrigerant, "CURVES", tmp_path)
    (tmp_path / "r-32.json").write_text(generate_curves.text(body))
    assert generate_curves.main(["--verify", "R-32"]) == 1
    out = capsys.readouterr().out
    assert "dew" in out
    assert "TOO FAR" in out
    assert generate_curves.main(["--verify", "R-9"]) == 2


def test_generator_writes_what_is_shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shipped = curve_file("R-290").read_text()
    monkeypatch.setattr(refrigerant, "CURVES", tmp_path)
    assert generate_curves.main(["R-290"]) == 0
    made, kept = json.loads(curve_file("R-290").read_text()), json.loads(shipped)
    # The last digit may differ between processors' math libraries; the curve may not.
    for phase in ("bubble", "dew"):
        assert made[phase]["temperature_Cel"] == pytest.approx(kept[phase]["temperature_Cel"], abs=1e-6)
        assert made[phase]["slope_K"] == pytest.approx(kept[phase]["slope_K"], abs=1e-4)


def test_look_up_imports_neither_coolprop_nor_numpy() -> None:
    code = (
        "import sys; from lineset.physics.refrigerant import curve; curve('R-454B').dew(9e5);"
        "sys.exit(bool({'CoolProp', 'numpy', 'asyncio'} & set(sys.modules)))"
    )
    assert (
        subprocess.run([sys.executable, "-c", code], check=False, env={"PYTHONPATH": ":".join(sys.path)}).returncode
        == 0
    )
