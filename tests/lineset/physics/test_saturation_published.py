"""Shipped curves against published pressure-temperature pairs (tests/data/thermo/README.md names every source)."""

from __future__ import annotations

import pytest
from published_saturation import AGREEMENT, LEFT_OUT, pairs

PAIRS = pairs()
TRUSTED = [pair for pair in PAIRS if pair.trusted]


def test_what_is_compared_with_something() -> None:
    # R-417A, R-421A, R-422B, R-422D and R-427A have no published row here; they rest on CoolProp's mixtures alone.
    assert {pair.refrigerant for pair in TRUSTED} == {
        "R-22", "R-32", "R-134a", "R-290", "R-404A", "R-407C", "R-410A", "R-448A", "R-449A", "R-454B", "R-1234yf",
    }  # fmt: skip
    assert len(TRUSTED) > 250


@pytest.mark.parametrize("source", sorted({pair.source for pair in TRUSTED}))
def test_curve_agrees_with_source(source: str) -> None:
    far = []
    for pair in TRUSTED:
        if pair.source == source:
            miss, digits = pair.miss()
            if abs(miss) > AGREEMENT[source] + digits + 1e-3:
                far.append(f"{pair.row} {pair.refrigerant} {pair.printed}: {miss:+.3f} K")
    assert not far


def test_remembered_rows_agree_within_half_a_kelvin() -> None:
    # Rows recalled, not seen: a sanity check, not an oracle.
    remembered = [pair for pair in PAIRS if pair.kind == "memory" and not pair.suspect]
    assert len(remembered) > 30
    assert all(abs(pair.miss()[0]) <= 0.5 + pair.miss()[1] for pair in remembered)


def test_a_column_that_departs_is_no_oracle_but_no_stranger_either() -> None:
    # A trade page's R-134a column, whole psi and whole degF, off from every handbook by up to 1.5 K beyond its digits
    # from 129 degF on (and in one row, at 52 degF): left out of accuracy figures, still held to that.
    rows = [pair for pair in PAIRS if (pair.source, pair.refrigerant) in LEFT_OUT and not pair.suspect]
    assert len(rows) == 15
    assert all(abs(pair.miss()[0]) <= 1.5 + pair.miss()[1] for pair in rows)
    below = [abs(pair.miss()[0]) for pair in rows if pair.temperature_cel < 53.0]
    assert sorted(below)[-2] < 0.3


def test_rows_marked_wrong_are_noticed() -> None:
    # Published output of a mistaken calculation (issue 683 of CoolProp, and one R-410A row): 1 to 2 K off.
    wrong = [pair for pair in PAIRS if pair.suspect == "wrong"]
    assert len(wrong) == 5
    assert all(abs(pair.miss()[0]) > 1.0 for pair in wrong)
