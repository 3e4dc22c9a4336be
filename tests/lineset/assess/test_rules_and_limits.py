"""The table of limits against its published rows, what is asked of instruments, and a shop's rules file."""

import csv
import math
from pathlib import Path

import pytest

from lineset.assess.decision import Rule
from lineset.assess.errors import OutsideTable
from lineset.assess.limits import LATER_VERIFIER, LIMITS, SERVICE, VERIFIER, Limit, limit
from lineset.assess.rules import SHIPPED, RulesError, read_rules
from lineset.assess.supply import SUPPLY_RANGES, derating

DATA = Path(__file__).parents[2] / "data" / "protocol"
F = 5 / 9


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


_WHERE = {
    ("superheat (fixed orifice)", "installer"): ("superheat", SERVICE),
    ("superheat (fixed orifice)", "verifier"): ("superheat", VERIFIER),
    ("subcooling (TXV/EXV)", "installer"): ("subcooling", SERVICE),
    ("subcooling (TXV/EXV)", "verifier"): ("subcooling", VERIFIER),
    ("metering device (TXV)", "installer"): ("metering_device", SERVICE),
    ("metering device (TXV)", "verifier"): ("metering_device", VERIFIER),
    ("temperature split (airflow)", "installer"): ("split", SERVICE),
    ("temperature split (airflow)", "verifier"): ("split", VERIFIER),
    ("superheat chart (maker)", "installer"): ("superheat", SERVICE),
    ("minimum suction superheat (maker)", "installer"): ("lowest_superheat", SERVICE),
    ("superheat, later code cycles", "verifier"): ("superheat", LATER_VERIFIER),
    ("subcooling, later code cycles", "verifier"): ("subcooling", LATER_VERIFIER),
}


def test_every_published_tolerance_is_a_limit_and_recalled_ones_carry_no_verdict() -> None:
    published = rows("pass_fail_tolerances.csv")
    assert len(published) == 12
    for row in published:
        found: Limit = LIMITS[_WHERE[row["test"], row["role"]]]
        for side, value in (("low_f", found.low), ("high_f", found.high)):
            wanted = float(row[side]) * F if row[side] else None
            assert value == (None if wanted is None else pytest.approx(wanted)), row
        assert found.rule is Rule.SIMPLE
        assert found.low_basis.carries_verdict == row["source"].startswith("seen"), row
    assert not LIMITS["subcooling", SERVICE].high_basis.carries_verdict  # "high side by symmetry, memory"


def test_supply_ranges_and_derating_are_the_references() -> None:
    published = rows("supply_voltage_ranges.csv")
    assert len(published) == len(SUPPLY_RANGES) == 12
    for row in published:
        found = SUPPLY_RANGES[int(row["nominal_v"]), row["point"], row["range_name"]]
        assert found == (float(row["low_v"]), float(row["high_v"]))
    for row in rows("nema_derating_curve.csv"):
        assert derating(float(row["voltage_unbalance_pct"]) / 100) == pytest.approx(float(row["derating_factor"]))
    with pytest.raises(OutsideTable, match="Do not run the motor"):
        derating(0.06)


def test_no_text_is_what_is_shipped() -> None:
    assert read_rules("  \n") is SHIPPED
    assert SHIPPED.sha256 == ""


def test_a_shops_rules_are_read() -> None:
    text = """
name = "spring rules"
role = "verifier"
[preconditions]
run_minutes = 20
lowest_outdoor_f = 60
[limits.superheat]
low_f = -4
high_f = 4
source = "the maker's sheet"
[limits.capacitor]
low_pct = -8
high_pct = 8
[limits.subcooling]
low_f = -2
rule = "guard_band"
"""
    rules = read_rules(text)
    assert rules.settings.run_minutes == 20
    assert rules.settings.lowest_outdoor_cel == pytest.approx((60 - 32) / 1.8)
    superheat = limit("superheat", rules.role, rules.limits)
    assert superheat.low == pytest.approx(-4 * F)
    assert superheat.named == "spring rules: the maker's sheet, shop"
    capacitor = limit("capacitor", rules.role, rules.limits)
    assert (capacitor.low, capacitor.high) == (pytest.approx(-0.08), pytest.approx(0.08))
    subcooling = limit("subcooling", rules.role, rules.limits)
    assert subcooling.rule is Rule.GUARDED
    assert subcooling.high == pytest.approx(4 * F)  # the verifier's, kept, and no surer than before
    assert not subcooling.high_basis.carries_verdict
    assert "else" in subcooling.source
    assert len(rules.sha256) == 64
    assert limit("split", rules.role, rules.limits) is LIMITS["split", VERIFIER]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("[limits.superheet]\nlow_f = 1\n", 1, "no limit is called 'superheet'"),
        ("[limits.superheat]\nlow_c = -3\n", 2, "this key is not known here"),
        ("[limits.superheat]\nlow_f = 3\nhigh_f = -3\n", 3, "not above the low one"),
        ("[limits.superheat]\nlow_f = 'x'\n", 2, "expected a number"),
        ("[limits.static]\nhigh_inwc = inf\n", 2, "cannot be a limit"),
        ("[limits.static]\nhigh_inwc = nan\n", 2, "is not"),
        ("role = 'owner'\n", 1, "'owner' is not known here"),
        ("[preconditions]\nrun_minutes = -5\n", 2, "less than 0"),
        ("[tables]\nconfirmed = ['RA9']\n", 2, "no recalled table"),
        ("[limits.superheat\n", 1, "not TOML"),
        ("colour = 1\n", 1, "not known here"),
    ],
)
def test_a_wrong_rules_file_names_line_and_remedy(text: str, line: int, words: str) -> None:
    with pytest.raises(RulesError) as refused:
        read_rules(text, "rules.toml")
    problem = refused.value.problems[0]
    assert problem.line == line
    assert words in problem.problem
    assert problem.remedy
    assert "rules.toml" in str(refused.value)


def test_all_limits_are_numbers_and_say_where_they_are_from() -> None:
    for row in LIMITS.values():
        assert row.source
        assert row.low is None or math.isfinite(row.low)
        assert row.low is None or row.high is None or row.low < row.high
