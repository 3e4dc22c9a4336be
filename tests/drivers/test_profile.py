"""Profiles: the built-in ones, and that each mistake in one is told with file, key, line and remedy."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers import profile
from lineset_drivers.channel import Characteristic, Field, Query, Register
from lineset_drivers.errors import ProfileError
from lineset_drivers.frame import Flag
from lineset_drivers.quantity import Quantity
from lineset_drivers.toml_text import key_lines

PROMISED = {
    "pressure-transducer-2ch": ("modbus", {"low": "pressure_gauge", "high": "pressure_gauge"}),
    "thermocouple-4ch": ("modbus", {**{f"t{n}": "temperature" for n in range(1, 5)}, "reference": "temperature"}),
    "thermocouple-8ch": ("modbus", {f"t{n}": "temperature" for n in range(1, 9)}),
    "differential-pressure": (
        "modbus",
        {**{f"p{n}": "pressure_difference" for n in range(1, 5)}, "barometer": "pressure_absolute"},
    ),
    "power-meter-1ph": ("modbus", {"voltage": "voltage", "current": "current", "power": "power"}),
    "bench-meter": ("scpi", {"voltage": "voltage", "capacitance": "capacitance"}),
    "clamp-meter-line": (
        "lines",
        {"current": "current", "voltage": "voltage", "capacitance": "capacitance", "resistance": "resistance"},
    ),
    "air-probe": ("gatt", {"temperature": "temperature", "humidity": "relative_humidity"}),
    "clamp-meter-ble": ("gatt", {"current": "current", "voltage": "voltage"}),
    "air-beacon": ("bthome", {"temperature": "temperature", "humidity": "relative_humidity"}),
    "read-by-eye": ("entered", {"pressure": "pressure_gauge", "temperature": "temperature", "current": "current"}),
}

GOOD = """\
# a stranger's meter
[profile]
name = "stranger"
protocol = "modbus"
source = "its manual"
poll_s = 1.0

[[channel]]
name = "low"
quantity = "pressure_gauge"
unit = "psig"
function = "input"
address = 0
type = "int16"
scale = 0.1
invalid = [0x7FFF]
source = "its manual, page 3"

[[channel]]
name = "high"
quantity = "pressure_gauge"
unit = "bar"
function = "input"
address = 1
source = "its manual, page 3"
"""


def changed(old: str, new: str) -> list[ProfileError]:
    assert GOOD.count(old) >= 1
    return profile.read(GOOD.replace(old, new, 1), "stranger.toml")[1]


def test_the_promised_profiles_are_there_and_without_a_problem() -> None:
    assert set(PROMISED) <= set(profile.names())
    assert not list(profile.check_all())
    for name, (protocol, channels) in PROMISED.items():
        loaded = profile.load(name)
        assert loaded.name == name
        assert loaded.protocol == protocol
        assert {c.name: str(c.quantity) for c in loaded.channels}.items() >= channels.items()


def test_every_channel_of_a_built_in_profile_names_its_source_and_how_well_it_measures() -> None:
    for name in profile.names():
        for channel in profile.load(name).channels:
            assert channel.source, (name, channel.name)
            assert channel.resolution > 0, (name, channel.name)
            assert channel.response_s > 0, (name, channel.name)
            assert channel.accuracy.at(0.0, channel.resolution) + channel.accuracy.reading_pct > 0, (name, channel.name)


def test_a_profile_is_typed() -> None:
    loaded = profile.load("pressure-transducer-2ch")
    low = loaded.channel("low")
    assert low.quantity is Quantity.PRESSURE_GAUGE
    assert low.where == Register("input", 0, "int16")
    assert loaded.identity is not None
    assert loaded.identity.serial_register == Register("holding", 2, "uint32", count=2)
    assert isinstance(profile.load("bench-meter").channel("voltage").where, Query)
    assert isinstance(profile.load("clamp-meter-line").channel("current").where, Field)
    assert isinstance(profile.load("air-probe").channel("humidity").where, Characteristic)
    # 0.5 % of 118.4 psi and 1.0 psi: 0.592 + 1.0
    assert low.accuracy.at(118.4, low.resolution) == pytest.approx(1.592)
    with pytest.raises(KeyError, match="Did you mean 'low'"):
        loaded.channel("lo")


def test_the_hash_is_of_the_text() -> None:
    loaded = profile.load("air-beacon")
    assert loaded.sha256 == hashlib.sha256(loaded.text.encode()).hexdigest()
    assert tomllib.loads(loaded.text)["profile"]["name"] == "air-beacon"


def test_raw_values_become_samples_in_the_profiles_unit() -> None:
    low = profile.load("pressure-transducer-2ch").channel("low")
    assert low.sample(1184).value == 118.4
    assert low.sample(0x7FFF) == profile.load("pressure-transducer-2ch").channel("low").sample(32767)
    assert (low.sample(0x7FFF).value, low.sample(0x7FFF).flag) == (None, Flag.INVALID)
    # the manual prints 0x8001; a signed register holds -32767
    assert low.sample(-32767).flag == Flag.UNDER_RANGE
    over = low.sample(5001)
    assert (over.value, over.flag) == (500.1, Flag.OVER_RANGE)
    assert low.sample(float("nan")).flag == Flag.INVALID
    clamp = profile.load("clamp-meter-line").channel("resistance")
    assert clamp.sample(1.5, "kOhm").value == 1500.0
    assert clamp.sample("OL").flag == Flag.OVER_RANGE


def test_a_folder_of_ones_own_comes_before_the_built_in_ones(tmp_path: Path) -> None:
    own = tmp_path / "stranger.toml"
    own.write_text(GOOD)
    assert "stranger" in profile.names(tmp_path)
    assert profile.load("stranger", tmp_path).file == str(own)
    assert profile.load(own) == profile.load("stranger", tmp_path)
    (tmp_path / "air-probe.toml").write_text(GOOD.replace('"stranger"', '"air-probe"'))
    assert profile.load("air-probe", tmp_path).protocol == "modbus"


def test_an_unknown_name_is_met_with_a_near_one() -> None:
    with pytest.raises(ProfileError, match="Did you mean 'air-probe'") as caught:
        profile.load("air-prob")
    assert "read-by-eye" in caught.value.remedy


def test_a_file_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    assert "no such file" in profile.check(tmp_path / "none.toml")[0].problem
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    assert "UTF-8" in profile.check(binary)[0].problem


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "problem", "remedy"),
    [
        ('unit = "psig"', 'unit = "psia"', 11, "channel[0].unit", "unknown unit 'psia' for pressure gauge", "psig"),
        ('unit = "psig"', 'unit = "psgi"', 11, "channel[0].unit", "unknown unit 'psgi'", "'psig'"),
        (
            '"pressure_gauge"',
            '"presure_gauge"',
            10,
            "channel[0].quantity",
            "not known",
            "Did you mean 'pressure_gauge'",
        ),
        ('protocol = "modbus"', 'protocol = "modbuss"', 4, "profile.protocol", "not known", "Did you mean 'modbus'"),
        ('name = "stranger"', 'name = "strange"', 3, "profile.name", "differs from the file's", '"stranger"'),
        ("poll_s = 1.0", "poll_s = 0", 6, "profile.poll_s", "not above 0", "larger"),
        ("poll_s = 1.0\n", "", 2, "profile.poll_s", "no pace", "poll_s = 1.0"),
        ("poll_s = 1.0", 'poll_s = "1"', 6, "profile.poll_s", "expected a number", "poll_s = 0.5"),
        ("scale = 0.1", "sacle = 0.1", 15, "channel[0].sacle", "not known here", "Did you mean 'scale'"),
        ("scale = 0.1", "scale = 0", 15, "channel[0].scale", "every value the same", "one raw step"),
        ("address = 0", "address = 70000", 13, "channel[0].address", "more than 65535", "65535"),
        ("address = 0", "address = 0.5", 13, "channel[0].address", "expected a whole number", "address = 1"),
        ("address = 0\n", "", 8, "channel[0].address", "missing", "address ="),
        ('type = "int16"', 'type = "int17"', 14, "channel[0].type", "not known", "int16"),
        ('type = "int16"', 'type = "ascii"\ncount = 4', 14, "channel[0].type", "text", "[identity]"),
        ('name = "high"', 'name = "low"', 20, "channel[1].name", "two channels", "own name"),
        ('name = "high"', 'name = "High Side"', 20, "channel[1].name", "wrong form", "low"),
        ("invalid = [0x7FFF]", "invalid = [true]", 16, "channel[0].invalid", "does not belong", "0x7FFF"),
        ("invalid = [0x7FFF]", "invalid = [0x17FFF]", 16, "channel[0].invalid", "never holds", "as sent"),
        ("invalid = [0x7FFF]", "range = [500, 0]", 16, "channel[0].range", "not a range", "lower"),
        ("invalid = [0x7FFF]", "accuracy = { counts = 5 }", 16, "channel[0].accuracy", "resolution", "Add resolution"),
        ("invalid = [0x7FFF]", "accuracy = { pct = 5 }", 16, "channel[0].accuracy.pct", "not known", "reading_pct"),
        ("[[channel]]", "[[chanel]]", 8, "chanel", "not known", "Did you mean 'channel'"),
        ("poll_s = 1.0", "poll_s = 1.0\npoll_s = 2.0", 7, "", "not TOML", "Correct this line"),
        ("scale = 0.1", "scale = ", 15, "", "not TOML", "Correct this line"),
    ],
)
def test_each_mistake_is_told_with_its_line(old: str, new: str, line: int, key: str, problem: str, remedy: str) -> None:
    found = [e for e in changed(old, new) if problem in e.problem]
    assert found, changed(old, new)
    error = found[0]
    assert (error.line, error.key, error.file) == (line, key, "stranger.toml")
    assert remedy in error.remedy
    assert f"stranger.toml, line {line}" in str(error)


def test_all_problems_are_told_and_not_only_the_first(tmp_path: Path) -> None:
    text = GOOD.replace('unit = "psig"', 'unit = "degF"').replace("address = 1\n", "").replace("scale", "skale")
    path = tmp_path / "stranger.toml"
    path.write_text(text)
    problems = profile.check(path)
    assert [p.line for p in problems] == [11, 15, 19]
    with pytest.raises(ProfileError, match=r"line 11.*2 more problems in this file"):
        profile.load(path)


def test_a_line_profile_is_checked_against_its_pattern() -> None:
    text = profile.load("clamp-meter-line").text
    problems = profile.read(text.replace('group = "current"', 'group = "curent"'), "clamp-meter-line.toml")[1]
    assert "no group 'curent'" in problems[0].problem
    assert "Did you mean 'current'" in problems[0].remedy
    problems = profile.read(text.replace("(?P<held>[H-])", "(?P<held>[H-]"), "clamp-meter-line.toml")[1]
    assert "not a regular expression" in problems[0].problem


def test_a_delimited_line_profile_can_tell_channels_by_a_word() -> None:
    text = """
[profile]
name = "columns"
protocol = "lines"
source = "its manual"
[lines]
delimiter = ";"
held_column = 3
units = { MFD = "uF" }
[[channel]]
name = "capacitance"
quantity = "capacitance"
unit = "uF"
column = 1
when = { 0 = ["CAP"] }
source = "its manual"
"""
    loaded, problems = profile.read(text, "columns.toml")
    assert not problems
    assert loaded.channels[0].where == Field(column=1, when={0: ("CAP",)})
    problems = profile.read(text.replace("{ 0 =", "{ zero ="), "columns.toml")[1]
    assert "no column" in problems[0].problem


def test_a_channel_may_say_that_it_catches_a_start() -> None:
    text = profile.load("clamp-meter-line").text
    marked, problems = profile.read(text.replace('name = "current"', 'name = "current"\ncaptures = "inrush"', 1))
    assert not problems
    assert {each.name: each.captures for each in marked.channels}["current"] == "inrush"
    assert {each.captures for each in profile.load("clamp-meter-line").channels} == {""}
    _, problems = profile.read(text.replace('name = "current"', 'name = "current"\ncaptures = "peak"', 1))
    assert "captures" in problems[0].key


def test_a_gatt_profile_is_checked_against_its_layout() -> None:
    text = profile.load("clamp-meter-ble").text
    problems = profile.read(text.replace('when = "function=1"', 'when = "fnuction=1"'), "clamp-meter-ble.toml")[1]
    assert "Did you mean 'function'" in problems[0].remedy


@given(st.text(max_size=300))
def test_no_text_whatever_makes_checking_fall_over(text: str) -> None:
    _, problems = profile.read(text, "any.toml")
    assert problems
    assert all(p.remedy and p.line >= 1 for p in problems)


NAMES = st.text("abcdefgh", min_size=1, max_size=4)
VALUES = st.sampled_from(
    ["1", '"a # b [x]"', "'''\nkey = 1\n[no]\n'''", '"""\nq = "1"\n"""', "[\n  1,\n  2, # c ]\n]", "{ a = 1 }", "'\"'"]
)


@given(st.lists(st.tuples(NAMES, VALUES), unique_by=lambda pair: pair[0], max_size=8), st.booleans())
def test_lines_of_keys_are_those_of_the_text(pairs: list[tuple[str, str]], many: bool) -> None:
    head = "[[table]]" if many else "[table]"
    text, expected = f"# comment\n{head}\n", {}
    for key, value in pairs:
        expected[key] = text.count("\n") + 1
        text += f"{key} = {value}\n"
    tomllib.loads(text)
    lines = key_lines(text)
    path: tuple[str | int, ...] = ("table", 0) if many else ("table",)
    assert lines[path] == 2
    assert {path[-1]: line for path, line in lines.items() if len(path) > (2 if many else 1)} == expected


def test_profiles_are_read_without_heavy_imports() -> None:
    code = (
        "import sys; from lineset_drivers import profile; profile.load('thermocouple-8ch');"
        "print([m for m in ('pydantic', 'serial', 'asyncio', 'bleak', 'structlog', 'difflib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
