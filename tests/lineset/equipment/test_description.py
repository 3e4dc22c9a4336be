"""A system's description: there and back, amended key by key, kept as a file that a person can put right."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.equipment.asking import WANTED, needs
from lineset.equipment.description import SystemFileError, amended, completed, described, read_system, system_text
from lineset.equipment.nameplate import MOTOR_KINDS, NUMBERS
from lineset.equipment.system import (
    CAPACITY_CONTROLS,
    KINDS,
    METERING_DEVICES,
    SystemDescriptionError,
    SystemRecord,
    system_record,
)

PLATE = st.fixed_dictionaries(
    {},
    optional={
        **{
            key: st.floats(low, high, allow_subnormal=False).map(lambda x: float(f"{x:.4g}")).filter(
                lambda x, low=low, high=high: low <= x <= high
            )
            for key, (_field, _factor, low, high) in NUMBERS.items()
            if key not in ("herm_capacitor_uf", "fan_capacitor_uf", "compressor_rla_a")
        },
        "compressor_motor": st.sampled_from(MOTOR_KINDS),
        "heat_strip_kw": st.lists(st.sampled_from([3.0, 5.0, 7.5]), min_size=1, max_size=3),
        "year_made": st.integers(1990, 2010),
        "year_installed": st.integers(2011, 2030),
    },
)  # fmt: skip
SYSTEMS = st.fixed_dictionaries(
    {"id": st.from_regex(r"[a-z0-9_-]{1,12}", fullmatch=True), "refrigerant": st.sampled_from(["R-410A", "R-22"])},
    optional={
        "metering_device": st.sampled_from(METERING_DEVICES),
        "kind": st.sampled_from(KINDS),
        "capacity_control": st.sampled_from(CAPACITY_CONTROLS),
        "altitude_m": st.sampled_from([0.0, 310.0, 1609.3]),
        "title": st.text(max_size=20),
        "nameplate": PLATE,
    },
)


def same(one: SystemRecord, other: SystemRecord) -> bool:
    return described(one) == described(other)


@given(SYSTEMS)
def test_a_description_comes_back_from_its_record_and_from_its_file(whole: dict[str, Any]) -> None:
    record = system_record(whole)
    assert same(system_record(described(record)), record)
    for key, value in whole.get("nameplate", {}).items():
        assert described(record).get("nameplate", {}).get(key, value) == (
            pytest.approx(value, rel=1e-9) if isinstance(value, float) else value
        )
    read, noted = read_system(system_text(record, "2027-04-12", "v1"), "a.toml")
    assert same(read, record)
    assert noted == "2027-04-12"


@given(SYSTEMS, SYSTEMS)
def test_what_is_said_now_stands_before_what_is_remembered(now: dict[str, Any], kept: dict[str, Any]) -> None:
    found = described(completed(system_record(now), system_record(kept)))
    said, before = described(system_record(now)), described(system_record(kept))
    assert found["refrigerant"] == said["refrigerant"]
    for key, value in before.get("nameplate", {}).items():
        assert found["nameplate"][key] == said.get("nameplate", {}).get(key, value)


MAIN = system_record({"id": "main", "refrigerant": "R-410A", "nameplate": {"herm_capacitor_uf": 45.0}})


def test_a_system_is_amended_key_by_key_and_a_key_is_taken_back() -> None:
    more, keys = amended(MAIN, {"compressor_rla_a": 13.5, "metering_device": "txv", "nameplate": {"year_made": 2014}})
    assert keys == ("compressor_rla_a", "metering_device", "year_made")
    assert more.metering_device == "txv"
    assert (more.nameplate.compressor_rla_a, more.nameplate.year_made) == (13.5, 2014)
    assert more.nameplate.herm_capacitor_f == pytest.approx(45e-6)
    back, _ = amended(more, {"compressor_rla_a": None})
    assert back.nameplate.compressor_rla_a is None
    assert back.nameplate.year_made == 2014


@pytest.mark.parametrize(
    ("given_now", "words"),
    [
        ({}, "KEY=VALUE"),
        ({"compressor_rla_a": 1350}, "outside 0.5 to 300; check the label"),
        ({"compressor_rla": 13.5}, "'compressor_rla' is not known"),
        ({"fan_capacitor_uf": 50.0}, "read both off the capacitor"),
        ({"id": "other"}, "stays for the visit"),
        ({"refrigerant": None}, "cannot be taken back"),
        ({"nameplate": 3}, "table of ratings"),
        ({"year_made": 2014.5}, "whole year"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_look_at(given_now: dict[str, Any], words: str) -> None:
    with pytest.raises(SystemDescriptionError, match=words):
        amended(MAIN, given_now)


def test_a_file_tells_each_problem_with_its_key_line_and_remedy() -> None:
    text = (
        'id = "main"\nrefrigerant = "R-410A"\nkind = "tower"\n[nameplate]\ncompressor_rla_a = 9999\n'
        'blower_motor = "steam"\n'
    )
    with pytest.raises(SystemFileError) as caught:
        read_system(text, "main.toml")
    assert [(problem.key, problem.line) for problem in caught.value.problems] == [
        ("kind", 3),
        ("nameplate.compressor_rla_a", 5),
        ("nameplate.blower_motor", 6),
    ]
    assert all(problem.remedy for problem in caught.value.problems)
    with pytest.raises(SystemFileError, match="not TOML"):
        read_system("id = ", "main.toml")


def test_everything_that_a_check_may_ask_for_can_be_given_as_it_is_asked() -> None:
    for key, (words, example) in WANTED.items():
        assert needs(key) == f"needs {words}: lineset visit amend {key}={example}"
        value: Any = example
        if key not in ("metering_device", "capacity_control", "kind"):
            numbers = [float(part) for part in example.split(",")]
            value = numbers if key == "heat_strip_kw" else numbers[0]
        assert amended(SystemRecord(id="a", refrigerant="R-22"), {key: value})[1] == (key,)
