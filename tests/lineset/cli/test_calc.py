"""`lineset calc` through its command line: values, units, uncertainty, cautions, errors and exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from lineset.cli.calc import calc
from lineset.cli.calc_options import OPTIONS, like, listed
from lineset.cli.calc_ratings import RATINGS
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.sensitivity import typical
from lineset.equipment.points import POINTS
from lineset.physics.refrigerant import curve

app = typer.Typer(rich_markup_mode=None)
app.command("calc")(calc)
app.command("other")(lambda: None)  # so that "calc" stays a verb, as in the whole command line
runner = CliRunner()
SUPERHEAT = ("superheat", "--refrigerant", "R-454B", "--vapor-temperature", "52 degF")


def _run(*arguments: str) -> str:
    result = runner.invoke(app, ["calc", *arguments])
    assert result.exit_code == 0, result.stderr
    return result.stdout


def _data(*arguments: str) -> dict[str, Any]:
    found = json.loads(_run(*arguments, "--json"))
    assert isinstance(found, dict)
    return found


def _refused(*arguments: str) -> str:
    result = runner.invoke(app, ["calc", *arguments])
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    return result.stderr


def test_superheat_as_text() -> None:
    out = _run(*SUPERHEAT, "--vapor-pressure", "118 psig")
    first = out.splitlines()[0]
    assert first.startswith("total superheat: 7.")
    assert first.endswith("(3.97 K)")
    assert "118.0 psig" in out
    assert "52.0 degF" in out
    assert "R-454B, safety class A2L" in out
    assert "standard atmosphere at sea level" in out
    assert "Caution: A2L, mildly flammable" in out
    assert "interval" not in out


def test_superheat_as_json_is_si() -> None:
    found = _data(*SUPERHEAT, "--vapor-pressure", "118 psig")
    dew = curve("R-454B").dew(118 * 6894.757293168361 + 101325.0)
    assert found["name"] == "total_superheat"
    assert found["unit"] == "K"
    assert found["value"] == pytest.approx(20 / 1.8 - dew, abs=1e-9)
    assert found["saturation_temperature"] == {"value": pytest.approx(dew), "unit": "Cel"}
    assert list(found["inputs"]) == ["vapor_service_pressure", "vapor_line_temperature", "barometric_pressure"]
    assert found["inputs"]["vapor_line_temperature"]["unit"] == "Cel"
    assert found["refrigerant"]["curve_sha256"] == curve("R-454B").sha256
    assert "uncertainty" not in found
    assert "interval95" not in found


def test_uncertainty_comes_from_what_was_typed() -> None:
    found = _data("superheat", "--refrigerant", "410a", "--vapor-pressure", "118 +/- 1.5 psig",
                  "--vapor-temperature", "52 +/- 1 degF")  # fmt: skip
    slope = curve("R-410A").dew.slope(118 * 6894.757293168361 + 101325.0)
    weather = (
        2000.0 / 3.0**0.5 * 1.959964
    )  # the standard atmosphere's limits, as a visit without a barometer takes them
    half = ((slope * 1.5 * 6894.757) ** 2 + (1 / 1.8) ** 2 + (slope * weather) ** 2) ** 0.5  # first order, independent
    low, high = found["interval95"]
    assert high - low == pytest.approx(2 * half, rel=1e-3)
    budget = {row["source"]: row for row in found["budget"]}
    assert list(budget) == ["stated vapor_line_temperature", "stated vapor_service_pressure", "barometer site"]
    assert sum(row["share"] for row in budget.values()) == pytest.approx(1.0)
    assert budget["stated vapor_line_temperature"]["uncertainty"] == pytest.approx(1 / 1.8 / 1.959964, rel=1e-6)
    assert sum(row["uncertainty"] ** 2 for row in budget.values()) == pytest.approx(found["uncertainty"] ** 2)
    given = _data("superheat", "--refrigerant", "410a", "--vapor-pressure", "118 +/- 1.5 psig",
                  "--vapor-temperature", "52 +/- 1 degF", "--barometer", "14.7 psia")  # fmt: skip
    assert "barometer site" not in {row["source"] for row in given["budget"]}
    assert (low + high) / 2 == pytest.approx(found["value"])
    assert found["uncertainty"] == pytest.approx(half / 1.959964, rel=1e-6)
    text = _run("superheat", "--refrigerant", "410a", "--vapor-pressure", "118 +/- 1.5 psig",
                "--vapor-temperature", "52 +/- 1 degF")  # fmt: skip
    assert "95 % interval: " in text
    assert "118.0 +/- 1.5 psig" in text


def test_the_budget_is_told_to_people_with_the_largest_first() -> None:
    pressures = ("--liquid-pressure", "330 +/- 2 psig", "--vapor-pressure", "118 +/- 1 psig")
    text = _run("compression-ratio", *pressures)
    ordered = (
        "uncertainty comes from", "liquid service port pressure: measured elsewhere",
        "vapor service port pressure: the +/-", "barometric pressure at the site",
    )  # fmt: skip
    at = [text.index(words) for words in ordered]
    assert at == sorted(at)
    bare = _run("compression-ratio", "--liquid-pressure", "330 psig", "--vapor-pressure", "118 psig")
    assert "uncertainty comes" not in bare


def test_barometer_and_its_uncertainty_count() -> None:
    exact = _data(*SUPERHEAT, "--vapor-pressure", "118 psig", "--barometer", "98 kPa")
    unsure = _data(*SUPERHEAT, "--vapor-pressure", "118 psig", "--barometer", "98 +/- 1 kPa")
    assert exact["value"] == unsure["value"]
    slope = curve("R-454B").dew.slope(118 * 6894.757 + 98e3)
    assert unsure["uncertainty"] == pytest.approx(slope * 1000 / 1.959964, rel=1e-5)
    assert "uncertainty" not in exact
    # 24.896 inHg at 5000 ft (ALT5000 of tests/data/thermo/README.md): the two ways to say it agree.
    high = _data(*SUPERHEAT, "--vapor-pressure", "118 psig", "--altitude", "5000 ft")
    measured = _data(*SUPERHEAT, "--vapor-pressure", "118 psig", "--barometer", "24.896 inHg")
    assert high["value"] == pytest.approx(measured["value"], abs=0.002)
    assert high["value"] > exact["value"] + 0.3


def test_absolute_pressure_needs_no_barometer() -> None:
    at_sea = _data("dew", "--refrigerant", "R-32", "--pressure", "132.7 +/- 1 psia")
    high = _data("dew", "--refrigerant", "R-32", "--pressure", "132.7 +/- 1 psia", "--barometer", "84 +/- 1 kPa")
    assert at_sea["value"] == pytest.approx(curve("R-32").dew(132.7 * 6894.757293168361), abs=1e-9)
    assert at_sea["value"] == pytest.approx(high["value"], abs=1e-9)
    assert at_sea["uncertainty"] == pytest.approx(high["uncertainty"], rel=1e-9)


def test_negative_values_are_shown_not_clamped() -> None:
    # RD041 of tests/data/thermo/worked_refrigerant.csv: -0.5 degF subcooling.
    found = _data("subcooling", "--refrigerant", "R-448A", "--liquid-pressure", "272.9 psig",
                  "--liquid-temperature", "108.5 degF")  # fmt: skip
    assert -0.6 < found["value"] < 0.0
    assert _data("split", "--return-air", "-5 degF", "--supply-air", "-10 degF")["value"] == pytest.approx(5 / 1.8)


def test_capacitance_and_apparent_power() -> None:
    # 40 uF at 370 V and 60 Hz: 5.5795 A (tests/data/protocol/capacitor_vectors_computed.csv).
    found = _data("capacitance", "--current", "5.5795 A", "--voltage", "370 V")
    assert (found["name"], found["unit"]) == ("capacitance_under_load", "F")
    assert found["value"] * 1e6 == pytest.approx(40.0, abs=0.001)
    fifty = _data("fan-capacitance-under-load", "--current", "5.5795 A", "--voltage", "370 V", "--frequency", "50 Hz")
    assert list(fifty["inputs"]) == ["fan_capacitor_lead_current", "capacitor_fan_voltage", "line_frequency"]
    assert fifty["value"] == pytest.approx(found["value"] * 1.2)
    out = _run("capacitance", "--current", "5.58 +/- 0.1 A", "--voltage", "370 V")
    assert out.startswith("capacitance under load: 40.00 uF\n")
    assert "never line voltage" in out
    assert "stored charge" in out
    power = _data("apparent-power", "--current", "10 A", "--voltage", "240 V")
    assert (power["value"], power["unit"]) == (2400.0, "VA")


def test_compression_ratio_from_service_ports_says_it_is_an_estimate() -> None:
    service = _data("compression-ratio", "--liquid-pressure", "280 psia", "--vapor-pressure", "85 psia")
    assert service["estimate"] is True
    assert service["value"] == pytest.approx(3.29, abs=0.005)  # AD006 of tests/data/thermo/worked_airside.csv
    assert "(an estimate)" in _run("compression-ratio", "--liquid-pressure", "280 psig", "--vapor-pressure", "85 psig")
    true = _data("compression-ratio", "--discharge-pressure", "280 psia", "--suction-pressure", "85 psia")
    assert (true["name"], true["estimate"]) == ("compression_ratio", False)


@pytest.mark.parametrize(
    ("short", "option", "name"),
    [
        ("dew", "--vapor-pressure", "vapor_dew_temperature"),
        ("dew", "--suction-pressure", "suction_dew_temperature"),
        ("dew", "--pressure", "dew_temperature"),
        ("bubble", "--liquid-pressure", "liquid_bubble_temperature"),
        ("bubble", "--pressure", "bubble_temperature"),
        ("Vapor-Dew_Temperature", "--vapor-pressure", "vapor_dew_temperature"),
    ],
)
def test_bubble_and_dew_at_any_port(short: str, option: str, name: str) -> None:
    found = _data(short, "--refrigerant", "R-407C", option, "118 psig")
    assert found["name"] == name
    line = curve("R-407C").dew if "dew" in name else curve("R-407C").bubble
    assert found["value"] == pytest.approx(line(118 * 6894.757293168361 + 101325.0), abs=1e-9)


def test_si_units_first() -> None:
    out = _run(*SUPERHEAT, "--vapor-pressure", "118 psig", "--units", "si")
    assert out.startswith("total superheat: 3.97 K  (7.")
    assert "813.6 kPa gauge  (118.0 psig)" in out


def test_list_names_all_with_inputs_formula_validity_source() -> None:
    listed = json.loads(_run("--list", "--json"))
    assert {row["name"] for row in listed} >= set(CATALOGUE)
    for row in listed:
        assert row["inputs"]
        assert row["options"]
        assert row["formula"]
        assert row["validity"]
        assert row["source"]
    text = _run("--list")
    assert "total_superheat  (or: superheat)" in text
    assert "--vapor-pressure --vapor-temperature --refrigerant" in text


RATED = {
    "--rated-current": "14.1 A", "--capacitor-rating": "45 uF", "--strip-power": "5 kW", "--duct-area": "2 ft2",
    "--blower-table": "0.3 inWC 1240 cfm, 0.5 inWC 1180 cfm",
    "--compressor-map": " ".join(str(each) for each in (900, 3, 20, 0.1, 0.05, 0.01, 1e-4, 1e-4, 1e-4, 1e-4)),
}  # fmt: skip


def _typical(name: str, options: list[str]) -> list[str]:
    """The options of a value with the typical readings of its like, in SI."""
    derived = like(next(each for each in listed() if each.name == name))
    values = typical(derived).values
    return [
        text
        for flag, name, value in zip(options, derived.inputs, values, strict=True)
        for text in (flag, f"{value:.12f} {POINTS[name].si_unit}")
    ]


def test_every_declared_value_can_be_asked_for() -> None:
    for row in json.loads(_run("--list", "--json")):
        if row.get("kind") == "target":
            continue  # see test_calc_targets.py
        rated = [text for flag in row["ratings"] for text in (flag, RATED[flag])]
        found = _data(row["name"], "--refrigerant", "R-410A", *_typical(row["name"], row["options"]), *rated)
        assert (found["name"], found["unit"]) == (row["name"], row["unit"])
        if not row["ratings"]:
            base = like(next(each for each in listed() if each.name == row["name"]))
            assert found["value"] == pytest.approx(typical(base).found.value, rel=1e-6)


def test_sensitivities_are_listed() -> None:
    rows = {row["name"]: row for row in json.loads(_run("--list", "--json"))}
    assert rows["total_superheat"]["sensitivity"]["vapor_line_temperature"] == 1.0
    assert rows["dew_temperature"]["sensitivity"]["pressure"] > 0.0
    assert rows["total_capacity"]["range"]
    assert rows["total_capacity"]["needs_mode"] == ["cool"]
    text = _run("--list")
    assert "+1 degF per degF of vapor line temperature" in text
    assert "EER per cfm of airflow" in text


def test_air_side_values() -> None:
    # 85 degF 50 %: 34.62 Btu/lb, 14.01 cu ft/lb (ASHRAE Handbook Fundamentals 2009, chapter 1, example 3).
    air = ("--air", "85 degF", "--humidity", "50 %RH")
    assert _run("enthalpy", *air).startswith("enthalpy: 34.6")
    assert _data("wet-bulb", *air)["unit"] == "Cel"
    back = _data("humidity", "--air", "100 degF", "--wet-bulb", "65 degF")
    assert back["value"] == pytest.approx(13.0, abs=0.5)  # the same handbook 2017, example 1, read off a chart
    states = ("--return-air", "85 degF", "--return-humidity", "50 %RH", "--supply-air", "50 degF",
              "--supply-humidity", "100 %RH")  # fmt: skip
    capacity = _run("capacity", "--airflow", "10000 cfm", *states)
    # 50.8 tons (example 3): 610,000 Btu/h
    assert capacity.startswith(("total capacity: 61", "total capacity: 60"))
    assert "no verdict" in capacity
    assert "Btu/h" in capacity
    both = _data("eer", "--airflow", "10000 cfm", *states, "--power", "50 kW", "--blower-power", "5 kW")
    assert both["value"] == pytest.approx(50.8 * 3.51685 / 55.0, rel=3e-3)
    rise = ("--current", "75 A", "--voltage", "235 V", "--return-air", "74 degF", "--supply-air", "110 degF")
    # AD002 of tests/data/thermo/worked_airside.csv: 1548 cfm; within 1 % (see test_air_side.py)
    assert _data("airflow", *rise)["value"] / (0.3048**3 / 60.0) == pytest.approx(1548.0, rel=0.01)
    static = _run("static", "--return-static", "-0.24 inWC", "--supply-static", "0.22 inWC")
    assert static.startswith("total external static pressure: 0.460 inWC")


def test_ratings() -> None:
    share = _run("compressor-share-of-rla", "--current", "11 A", "--rated-current", "14.1 A")
    assert share.startswith("compressor current over RLA: 78.0 %")
    assert "a rating is not a target" in share
    unbalance = _run("unbalance", "--voltage-ab", "460 V", "--voltage-bc", "467 V", "--voltage-ca", "450 V")
    assert unbalance.startswith("voltage unbalance: 2.0 %")
    found = _data("herm-capacitance-over-rating", "--capacitance", "44 uF", "--capacitor-rating", "45 uF")
    assert found["value"] == pytest.approx(44.0 / 45.0)
    assert found["ratings"] == {"capacitor_rating": "45 uF"}
    strips = ("strip-current", "--voltage", "208 V", "--strip-power", "5 kW, 10 kW")
    assert _data(*strips)["value"] == pytest.approx(62.5 * 208.0 / 240.0)
    assert _data(*strips, "--strip-voltage", "208 V")["value"] == pytest.approx(15_000.0 / 208.0)
    # one coefficient alone: C2 is of the suction dew temperature, in the map's own unit
    ports = (
        "map-power",
        "--refrigerant",
        "R-410A",
        "--discharge-pressure",
        "365 psig",
        "--suction-pressure",
        "118 psig",
    )
    only = ("--compressor-map", "0 1 0 0 0 0 0 0 0 0")
    dew = curve("R-410A").dew(118 * 6894.757293168361 + 101_325.0)
    assert _data(*ports, *only)["value"] == pytest.approx(dew * 1.8 + 32.0)
    assert _data(*ports, *only, "--map-temperature", "degC")["value"] == pytest.approx(dew)


DEW = ("dew", "--refrigerant", "R-32", "--pressure", "118 psig")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("subcoolin",), "did you mean subcooling or target-subcooling?"),
        (("xyzzy",), "`lineset calc --list` names all"),
        ((), "name what to compute"),
        (("superheat", "--refrigerant", "R-32", "--vapor-pressure", "118 psig"),
         '--vapor-temperature "VALUE degF" (vapor line temperature)'),
        ((*SUPERHEAT[:1], *SUPERHEAT[3:], "--vapor-pressure", "118 psig"), "needs --refrigerant"),
        (("superheat",), "--refrigerant NAME"),
        (("compression-ratio", "--liquid-pressure", "300 psig"), "--vapor-pressure"),
        (("bubble", "--refrigerant", "R-x", "--pressure", "100 psig"), "no refrigerant is called 'R-x'"),
        (("bubble", "--refrigerant", "R-410A", "--pressure", "900 psig"), "is above the range 60.7 kPa (8.8 psi)"),
        (("dew", "--refrigerant", "R-410A", "--pressure", "-14 psig"), "is below the range 60.5 kPa (8.8 psi)"),
        (("dew", "--refrigerant", "R-410A", "--pressure", "118 degF"), "psig"),
        (("dew", "--refrigerant", "R-410A", "--pressure", "118"), 'such as "118 psig"'),
        (("dew", "--refrigerant", "R-410A", "--pressure", "many psig"), "--pressure: cannot read 'many psig'"),
        (("dew", "--refrigerant", "R-410A", "--pressure", "1e999 psig"), "cannot be a gauge pressure"),
        (("dew", "--refrigerant", "R-410A", "--pressure", "-20 psig"), "lies between -15.954 and"),
        (("bubble", "--refrigerant", "R-407C", "--vapor-pressure", "70 psig"), "ask for `dew`"),
        (("dew", "--refrigerant", "R-407C", "--liquid-pressure", "250 psig"), "ask for `bubble`"),
        (("superheat", "--refrigerant", "R-410A", "--vapor-pressure", "400 psig", "--vapor-temperature", "52 degF"),
         "no vapor line is so much colder"),
        (("compression-ratio", "--suction-pressure", "300 psig", "--discharge-pressure", "118 psig"), "exchanged"),
        (("split", "--return-air", "75 degF", "--supply-air", "-500 degF"), "cannot be a temperature"),
        (("split", "--return-air", "75 degF", "--supply-air", "55 degF", "--current", "2 A"), "does not use --current"),
        (("capacitance", "--current", "5 A", "--voltage", "10 V"), "below 90 V"),
        (("capacitance", "--current", "5 A", "--voltage", "370 V", "--frequency", "400 Hz"), "40 .. 70 Hz"),
        ((*DEW, "--barometer", "14.7 psig"), "psia"),
        ((*DEW, "--barometer", "14.7 kPa"), "outside 45 .. 110 kPa"),
        ((*DEW, "--altitude", "5000"), '"5000 ft" or "1500 m"'),
        ((*DEW, "--altitude", "50000 m"), "standard atmosphere"),
        ((*DEW, "--altitude", "1 m", "--barometer", "1 bar"), "not both"),
        (("compression-ratio", "--liquid-pressure", "300 psia", "--vapor-pressure", "118 psig"), "all as absolute"),
        (("compression-ratio", "--liquid-pressure", "300 psig", "--vapor-pressure", "-15 psig"), "perfect vacuum"),
        ((*SUPERHEAT, "--vapor-pressure", "118 psig", "--units", "metric"), "neither customary nor si"),
        (("airflow", "--velocity", "600 fpm"), '--duct-area "2.0 ft2"'),
        (("compressor-share-of-rla", "--rated-current", "14 A"), '--current "VALUE A"'),
        (("airflow", "--velocity", "600 fpm", "--duct-area", "2"), 'write it like "2.0 ft2"'),
        (("airflow", "--velocity", "600 fpm", "--duct-area", "0 ft2"), "not above zero"),
        (("airflow", "--velocity", "600 fpm", "--duct-area", "2 ft2", "--strip-power", "5 kW"), "--strip-power"),
        (("static", "--return-static", "0.2 inWC", "--supply-static", "0.2 inWC"), "with its sign"),
        (("dew-point", "--air", "75 degF", "--wet-bulb", "76 degF"), "cannot be above its dry bulb"),
        (("wet-bulb", "--air", "75 degF", "--humidity", "101 %RH"), "above 100 %"),
        (("airflow", "--return-static", "-0.2 inWC", "--supply-static", "0.2 inWC", "--blower-table", "0.3 inWC 9 cfm"),
         "two rows"),
        (("map-power", "--refrigerant", "R-410A", "--suction-pressure", "118 psig", "--discharge-pressure", "365 psig",
          "--compressor-map", "1 2 3"), "3 coefficients"),
        (("map-power", "--refrigerant", "R-410A", "--suction-pressure", "118 psig", "--discharge-pressure", "365 psig",
          "--compressor-map", "1 0 0 0 0 0 0 0 0 0", "--map-temperature", "F"), "neither degF nor degC"),
    ],
)  # fmt: skip
def test_a_bad_question_gets_a_clear_answer_and_exit_code_2(arguments: tuple[str, ...], says: str) -> None:
    error = _refused(*arguments)
    assert error.startswith("lineset calc: ")
    assert says in error


def test_help_names_the_inputs_and_an_example() -> None:
    out = _run("--help")
    for option in OPTIONS.values():
        assert option.flag in out
    for key in RATINGS:
        assert "--" + key.replace("_", "-") in out
    for flag in ("--refrigerant", "--frequency", "--altitude", "--barometer", "--units", "--json", "--list"):
        assert flag in out
    assert "lineset calc superheat --refrigerant R-454B" in " ".join(out.split())


def test_a_calculation_imports_nothing_heavy() -> None:
    code = (
        "import sys, typer; from lineset.cli.calc import calc\n"
        "early = set(sys.modules)\n"
        "calc('superheat', refrigerant='R-454B', vapor_pressure='118 psig', vapor_temperature='52 degF')\n"
        "assert not {name for name in early if name.startswith('lineset.derive')}\n"
        "assert not {'CoolProp', 'numpy', 'asyncio', 'pydantic'} & set(sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        check=False,
        env={"PYTHONPATH": ":".join(sys.path)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("total superheat: 7.")
