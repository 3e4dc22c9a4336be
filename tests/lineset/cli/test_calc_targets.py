"""`lineset calc target-...` through the command line: published cells, refusals, and the live checks' numbers."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from lineset.assess.checks import CATALOGUE as CHECKS
from lineset.assess.checks import judge
from lineset.assess.evidence import Evidence, Known
from lineset.assess.rules import SHIPPED
from lineset.cli.calc import calc
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.system import SystemRecord
from lineset.measure.uncertainty import Z95

app = typer.Typer(rich_markup_mode=None)
app.command("calc")(calc)
app.command("other")(lambda: None)  # so that "calc" stays a verb, as in the whole command line
runner = CliRunner()
DATA = Path(__file__).parents[2] / "data" / "protocol"
K_PER_F = 5.0 / 9.0
RATED = ("--outdoor-air", "85 degF", "--return-wet-bulb", "67 degF")


def _data(*arguments: str) -> dict[str, Any]:
    result = runner.invoke(app, ["calc", *arguments, "--json"])
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


def _refused(*arguments: str) -> str:
    result = runner.invoke(app, ["calc", *arguments])
    assert result.exit_code == 2
    assert result.stdout == ""
    return result.stderr


def _cells(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))[::97]


@pytest.mark.parametrize("row", _cells("target_superheat_ra3.csv"), ids=lambda row: row["outdoor_db_f"])
def test_published_superheat_cells(row: dict[str, str]) -> None:
    found = _data(
        "target_superheat",
        "--outdoor-temperature", f"{row['outdoor_db_f']} degF", "--return-wet-bulb", f"{row['return_wb_f']} degF",
    )  # fmt: skip
    assert (found["name"], found["unit"]) == ("target_superheat", "K")
    assert found["value"] / K_PER_F == pytest.approx(float(row["target_superheat_f"]), abs=1e-9)
    assert found["acceptance"]["rule"] == "simple_acceptance"
    assert found["acceptance"]["high"] - found["value"] == pytest.approx(5.0 * K_PER_F)


@pytest.mark.parametrize("row", _cells("target_temp_split_ra3.csv"), ids=lambda row: row["return_db_f"])
def test_published_split_cells_and_impossible_ones(row: dict[str, str]) -> None:
    asked = (
        "target-split",
        "--return-air",
        f"{row['return_db_f']} degF",
        "--return-wet-bulb",
        f"{row['return_wb_f']} degF",
    )
    if row["physically_possible"] == "yes":
        assert _data(*asked)["value"] / K_PER_F == pytest.approx(float(row["target_split_f"]), abs=1e-9)
    else:
        assert "above the dry bulb" in _refused(*asked)


@pytest.mark.parametrize("row", _cells("target_superheat_ra3_dash_cells.csv"), ids=lambda row: row["outdoor_db_f"])
def test_dash_cells_are_refused(row: dict[str, str]) -> None:
    words = _refused(
        "target-superheat",
        "--outdoor-air", f"{row['outdoor_db_f']} degF", "--return-wet-bulb", f"{row['return_wb_f']} degF",
    )  # fmt: skip
    assert "no valid superheat test" in words
    assert "Check both probes" in words


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (("target-superheat", "--outdoor-air", "50 degF", "--return-wet-bulb", "63 degF"), "outdoor air at 50.0 degF"),
        (("target-superheat", "--outdoor-air", "85 degF", "--return-wet-bulb", "80 degF"), "return wet bulb of 80.0"),
        (("target-superheat", *RATED, "--return-air", "65 degF"), "Check the wick"),
        (("target-superheat", "--outdoor-air", "85 degF"), '--return-wet-bulb "67 degF"'),
        (("target-superheat", "--outdoor-air", "85", "--return-wet-bulb", "67 degF"), "has no unit"),
        (("target-superheat", *RATED, "--current", "3 A"), "does not use --current"),
        (("target-superheat", *RATED, "--return-humidity", "50 %RH"), "not both"),
        (("target-superheat", *RATED, "--role", "owner"), "there are service, verifier"),
        (("target-superheat", "--outdoor-air", "85 degF", "--return-air", "75 degF", "--return-humidity", "120 %RH"),
         "Check the humidity probe"),
        (("target-split", "--return-air", "66 degF", "--return-wet-bulb", "60 degF"), "70 to 84 degF"),
        (("target-split", "--return-wet-bulb", "60 degF"), "--return-air"),
        (("target-subcooling",), "--nameplate-subcooling"),
        (("target-subcooling", "--nameplate-subcooling", "-3 degF"), "not above zero"),
        (("target-subcooling", "--nameplate-subcooling", "10 degF", "--subcooling", "9 degF", "--liquid-pressure",
          "340 psig"), "not both"),
        (("target-subcooling", "--nameplate-subcooling", "10 degF", "--liquid-pressure", "340 psig"),
         "--liquid-temperature"),
        (("superheat", "--superheat", "12 degF"), "ask for a target"),
        (("target-superheet",), "target-superheat"),
    ],
)  # fmt: skip
def test_what_cannot_be_looked_up_says_what_was_wrong_and_where_to_look(asked: tuple[str, ...], says: str) -> None:
    words = _refused(*asked)
    assert words.startswith("lineset calc: ")
    assert says in words


def _known(value_f: float, half_f: float, *, cel: bool) -> Known:
    value = (value_f - 32.0) * K_PER_F if cel else value_f * K_PER_F
    return Known(value, half_f * K_PER_F / Z95)


def _evidence(values: dict[str, Known], **plate: float) -> Evidence:
    metering = "txv" if plate else "fixed_orifice"
    system = SystemRecord(id="a", refrigerant="R-410A", metering_device=metering, nameplate=Nameplate(**plate))  # type: ignore[arg-type]
    declared = {"panels_on": True, "filter_in": True, "outdoor_coil_dry": True, "airflow_checked": True}
    return Evidence(system, run="running", mode="cool", run_s=1200.0, values=values, declared=declared)


def test_superheat_stands_as_the_live_check_has_it() -> None:
    found = _data(
        "target-superheat", "--outdoor-air", "85 +/- 1 degF", "--return-wet-bulb", "67 +/- 0.5 degF",
        "--superheat", "14 +/- 2 degF",
    )  # fmt: skip
    live = judge(
        CHECKS["superheat"],
        _evidence(
            {
                "outdoor_air_temperature": _known(85, 1, cel=True),
                "return_air_wet_bulb": _known(67, 0.5, cel=True),
                "total_superheat": _known(14, 2, cel=False),
            }
        ),
        SHIPPED,
    )
    assert (found["value"], found["uncertainty"]) == (pytest.approx(live.target), pytest.approx(live.target_u))
    assert found["interval95"] == [
        pytest.approx(found["value"] - Z95 * found["uncertainty"]),
        pytest.approx(found["value"] + Z95 * found["uncertainty"]),
    ]
    assert (found["acceptance"]["low"], found["acceptance"]["high"]) == (
        pytest.approx(live.low),
        pytest.approx(live.high),
    )
    assert found["measured"]["finding"] == live.finding == "within"
    assert found["measured"]["probability_of_conformance"] == pytest.approx(live.probability)
    assert 0.5 < found["measured"]["probability_of_conformance"] < 0.99


def test_split_stands_as_the_live_check_has_it_with_the_return_probe_counted_once() -> None:
    found = _data(
        "target-split", "--return-air", "75 +/- 0.9 degF", "--return-humidity", "52 +/- 3 %RH",
        "--supply-air", "54 +/- 0.9 degF",
    )  # fmt: skip
    dry, supply = _known(75, 0.9, cel=True), _known(54, 0.9, cel=True)
    split = Known(dry.value - supply.value, (dry.u**2 + supply.u**2) ** 0.5)
    values = {"return_air_temperature": dry, "return_air_humidity": Known(52.0, 3.0 / Z95), "temperature_split": split}
    live = judge(CHECKS["split"], _evidence(values), SHIPPED)
    assert found["value"] == pytest.approx(live.target)
    assert found["uncertainty"] == pytest.approx(live.target_u)
    assert found["measured"]["value"] == pytest.approx(live.value)
    assert found["measured"]["probability_of_conformance"] == pytest.approx(live.probability)
    assert found["acceptance"]["advisory"]  # the recalled table carries no verdict


def test_subcooling_from_its_readings_as_the_live_check_has_it() -> None:
    found = _data(
        "target-subcooling", "--nameplate-subcooling", "10 degF", "--refrigerant", "R-410A",
        "--liquid-pressure", "340 +/- 7 psig", "--liquid-temperature", "95 +/- 2 degF",
    )  # fmt: skip
    alone = _data(
        "subcooling", "--refrigerant", "R-410A", "--liquid-pressure", "340 +/- 7 psig", "--liquid-temperature",
        "95 +/- 2 degF",
    )  # fmt: skip
    evidence = _evidence({"subcooling": Known(alone["value"], alone["uncertainty"])}, subcooling_target_k=10 * K_PER_F)
    live = judge(CHECKS["subcooling"], evidence, SHIPPED)
    assert found["measured"]["value"] == alone["value"] == live.value
    assert found["measured"]["probability_of_conformance"] == pytest.approx(live.probability)
    assert "uncertainty" not in found  # a nameplate's figure is a reference and no measurement


def test_the_same_split_means_different_things_in_dry_and_damp_air() -> None:
    # common practice, no source: 70 degF returning and 49 degF supplied is normal at half humidity, low airflow at 65 %
    asked = ("target-split", "--return-air", "70 degF", "--supply-air", "49 degF", "--return-humidity")
    assert _data(*asked, "48 %RH")["measured"]["finding"] == "within"
    assert _data(*asked, "65 %RH")["measured"]["finding"] == "high"


def test_text_says_how_it_stands_by_which_source_and_for_which_instruments() -> None:
    result = runner.invoke(app, ["calc", "target-superheat", *RATED, "--superheat", "12 +/- 2 degF"])
    assert result.exit_code == 0
    words = result.stdout
    assert words.startswith("target superheat, fixed orifice: 17.3 degF  (9.61 K)")
    assert "superheat 12.0 +/- 2.0 degF against 17.3 degF: below 12.3 degF .. 22.3 degF, by simple acceptance" in words
    assert "probability of conformance 0.39" in words
    assert "RA3-14" in words
    assert "vapor service port pressure to 3.5 psi" in words
    assert "Caution: Refrigerant under pressure" in words
    assert "add refrigerant" not in words
    plain = runner.invoke(app, ["calc", "target-superheat", *RATED, "--superheat", "12 degF", "--units", "si"]).stdout
    assert "probability of conformance" in plain
    assert "0.00" not in plain  # none is made up of a value that nobody bounded
    assert plain.startswith("target superheat, fixed orifice: 9.61 K  (17.3 degF)")


def test_a_later_verifiers_tolerance_is_advice() -> None:
    later = _data("target-superheat", *RATED, "--role", "verifier_later")["acceptance"]
    assert later["advisory"]
    assert later["high"] - later["low"] == pytest.approx(16 * K_PER_F)
    assert not _data("target-superheat", *RATED)["acceptance"]["advisory"]


def test_targets_are_listed() -> None:
    rows = {row["name"]: row for row in json.loads(runner.invoke(app, ["calc", "--list", "--json"]).stdout)}
    for name in ("target_superheat", "target_split", "target_subcooling"):
        assert rows[name]["kind"] == "target"
        assert rows[name]["source"]
    text = runner.invoke(app, ["calc", "--list"]).stdout
    assert "target_superheat  (or: target-superheat)" in text
