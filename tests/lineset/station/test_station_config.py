"""The station's configuration: every problem with file, key, line and remedy, and all of them at once."""

from __future__ import annotations

import asyncio
import subprocess
from pathlib import Path

import pytest
from cli_process import said
from station_rig import instrument, station_text, write_config

from lineset.contract.entry import Calibration
from lineset.station.config import ConfigError, load, read
from lineset_drivers.errors import ProfileError

GAUGES = instrument("gauges", "pressure-transducer-2ch", "serial:///dev/ttyUSB0", "low vapor_service_pressure")


def problems(text: str, folder: Path | None = None) -> list[ProfileError]:
    with pytest.raises(ConfigError) as caught:
        read(text, "station.toml", folder)
    return caught.value.problems


def line_of(text: str, part: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if part in line)


def test_a_good_configuration_is_read_whole(tmp_path: Path) -> None:
    text = """
[station]
name = "van-3"
shop = "north"
data = "kept"
units = "si"
speed = 2

[live]
rate_hz = 5

[broker]
origins = ["http://127.0.0.1:8080"]

[[system]]
id = "upstairs"
refrigerant = "R-454B"
metering_device = "eev"
line_frequency_hz = 50
altitude_m = 1600.0
title = "attic unit"

[[instrument]]
id = "gauges"
profile = "pressure-transducer-2ch"
link = "serial:///dev/ttyUSB0?baud=19200"
unit = 7
serial = "4711"
options = { timeout_s = 0.8 }
calibration.low = { gain = 1.01, offset = -500.0, u = 300.0, due = "2027-03-01", source = "invented certificate" }

[[placement]]
instrument = "gauges"
channel = "low"
point = "vapor_service_pressure"
system = "upstairs"
"""
    config = load(write_config(tmp_path, text))
    assert (config.name, config.shop, config.units, config.speed, config.rate_hz) == ("van-3", "north", "si", 2.0, 5.0)
    assert config.data == tmp_path / "kept"
    assert config.broker.origins == ("http://127.0.0.1:8080",)
    (system,) = config.systems
    assert (system.id, system.refrigerant, system.metering_device) == ("upstairs", "R-454B", "eev")
    assert (system.line_frequency_hz, system.altitude_m, system.title) == (50.0, 1600.0, "attic unit")
    (item,) = config.instruments
    assert (item.spec.id, item.spec.profile.name, item.spec.unit, item.spec.serial) == (
        "gauges", "pressure-transducer-2ch", 7, "4711",
    )  # fmt: skip
    assert item.spec.options == {"timeout_s": 0.8}
    assert item.calibration == {
        "low": Calibration(gain=1.01, offset=-500.0, u=300.0, due="2027-03-01", source="invented certificate")
    }
    (placement,) = config.placements
    assert (placement.instrument, placement.channel, placement.point, placement.system) == (
        "gauges", "low", "vapor_service_pressure", "upstairs",
    )  # fmt: skip
    assert config.text == text


def test_live_all_means_no_rate() -> None:
    assert read("[live]\nall = true\n").rate_hz is None
    assert read("").rate_hz == 2.0


@pytest.mark.parametrize(
    ("body", "part", "key", "words", "remedy"),
    [
        ('[station]\nname = "Van 3"', "name", "station.name", "wrong form", "van-1"),
        ("[station]\nspeed = 0", "speed", "station.speed", "not above 0", "larger"),
        ("[station]\nspeed = true", "speed", "station.speed", "expected a number", "speed = "),
        ('[station]\nunits = "metric"', "units", "station.units", "not known", "customary, si"),
        ('[station]\nprofiles = "nowhere"', "profiles", "station.profiles", "no folder", "Make it"),
        ('[station]\nsped = 2', "sped", "station.sped", "not known", "speed"),
        ("[life]\nall = true", "[life]", "life", "not known", "live"),
        ("[live]\nrate_hz = 1000", "rate_hz", "live.rate_hz", "more than 100", "at most"),
        ('[broker]\nurl = "http://x"', "url", "broker.url", "no broker's address", "mqtts://host"),
        ('[broker]\nurl = "mqtt://broker.example:1883"', "url", "broker.url", "travel readable", "mqtts://host"),
        ('[broker]\nurl = "mqtt://localhost.example"', "url", "broker.url", "travel readable", "mqtts://host"),
        ('[broker]\ncredentials = "x.toml"', "credentials", "broker.credentials", "another broker", "url"),
        (GAUGES.replace("serial:///dev", "serail:///dev"), "link", "instrument[0].link", "no kind of link", "serial"),
        (GAUGES.replace("/dev/ttyUSB0", "/dev/ttyUSB0?boud=9600"), "link", "instrument[0].link", "boud", "baud"),
        (GAUGES.replace("serial:///dev/ttyUSB0", "ble://AA:BB:CC:DD:EE:FF"), "link", "instrument[0].link",
         "not read over ble", "serial:///dev"),
        (GAUGES.replace("transducer-2ch", "transducer-3ch"), "profile", "instrument[0].profile",
         "no such profile", "pressure-transducer-2ch"),
        (GAUGES.replace('point = "vapor_service_pressure"', 'point = "vapor_line_temperature"'), "point",
         "placement[0].point", "takes temperature, gauges/low measures pressure gauge", "own quantity"),
        (GAUGES.replace('point = "vapor_service_pressure"', 'point = "vapour_port"'), "point",
         "placement[0].point", "vapour_port", "catalogue"),
        (GAUGES.replace('channel = "low"', 'channel = "lo"'), "channel", "placement[0].channel", "no channel", "low"),
        (GAUGES.replace('[[placement]]\ninstrument = "gauges"', '[[placement]]\ninstrument = "gages"'), '"gages"',
         "placement[0].instrument", "no instrument is called 'gages'", "gauges"),
        (GAUGES + 'system = "attic"', "attic", "placement[0].system", "no system is called 'attic'", "main"),
        (GAUGES + GAUGES.partition("[[placement]]")[0].replace("ttyUSB0", "ttyUSB1"), "", "instrument[1].id",
         "two instruments are called 'gauges'", "own id"),
        (GAUGES + instrument("more", "pressure-transducer-2ch", "serial:///dev/ttyUSB0"), "", "instrument[1].unit",
         "gauges has unit number 1 on this link already", "own unit number"),
        (GAUGES + instrument("clamp", "clamp-meter-line", "serial:///dev/ttyUSB0"), "", "instrument[1].link",
         "gauges is on this link already", "own link"),
        (instrument("clamp", "clamp-meter-line", "serial:///dev/ttyUSB0", more="unit = 3"), "unit",
         "instrument[0].unit", "not of a Modbus unit", "Remove"),
        (instrument("g", "pressure-transducer-2ch", "serial:///dev/ttyUSB0", more="options = { boud = 9600 }"),
         "options", "instrument[0].options.boud", "not known", "baud"),
        (instrument("g", "pressure-transducer-2ch", "serial:///dev/ttyUSB0",
                    more='calibration.low = { due = "next May" }'),
         "calibration", "instrument[0].calibration.low.due", "wrong form", "2027-03-01"),
        (instrument("g", "pressure-transducer-2ch", "serial:///dev/ttyUSB0", more="calibration.mid = { u = 1.0 }"),
         "calibration", "instrument[0].calibration", "no channel 'mid'", "high, low"),
        (instrument("eye", "read-by-eye", "serial:///dev/ttyUSB0"), "link", "instrument[0].link", "not read over",
         "entered:"),
        (GAUGES + '[[placement]]\ninstrument = "gauges"\nchannel = "low"\npoint = "common_suction_pressure"', "",
         "placement[1].channel", "placed already", "once"),
        (GAUGES + '[[placement]]\ninstrument = "gauges"\nchannel = "high"\npoint = "vapor_service_pressure"', "",
         "placement[1].point", "another channel is placed at", "one channel"),
    ],
)  # fmt: skip
def test_a_problem_names_file_key_line_and_remedy(body: str, part: str, key: str, words: str, remedy: str) -> None:
    text = body if body.startswith(("[station]", "[l", "[b")) else station_text(Path("data"), body)
    found = problems(text)
    assert [problem.key for problem in found] == [key], [str(problem) for problem in found]
    (problem,) = found
    assert problem.file == "station.toml"
    assert words in problem.problem
    assert remedy in problem.remedy
    if part:
        assert problem.line == line_of(text, part)
    assert str(problem).startswith(f"station.toml, line {problem.line}, key '{key}'")


@pytest.mark.parametrize(
    ("system", "key", "words"),
    [
        ('id = "main"\nrefrigerant = "R-999"', "system[0].refrigerant", "R-999"),
        ('id = "main"', "system[0].refrigerant", "missing"),
        ('refrigerant = "R-410A"', "system[0].id", "missing"),
        ('id = "event"\nrefrigerant = "R-410A"', "system[0].id", "cannot be called"),
        ('id = "main"\nrefrigerant = "R-410A"\nline_frequency_hz = 55', "system[0].line_frequency_hz", "50 or 60"),
        (
            'id = "main"\nrefrigerant = "R-22"\n[system.nameplate]\ncompressor_rla_a = 1350',
            "system[0].nameplate.compressor_rla_a",
            "outside 0.5 to 300",
        ),
        (
            'id = "main"\nrefrigerant = "R-22"\n[system.nameplate]\nyear_made = 2019\nyear_installed = 2014',
            "system[0].nameplate",
            "before year_made",
        ),
        ('id = "main"\nrefrigerant = "R-410A"\nline_frequency_hz = "60"', "system[0].line_frequency_hz", "number"),
        ('id = "main"\nrefrigerant = "R-410A"\nmetering_device = "tvx"', "system[0].metering_device", "tvx"),
        ('id = "main"\nrefrigerant = "R-410A"\naltitude = 300', "system[0].altitude", "not known"),
    ],
)
def test_a_system_is_checked_before_the_first_visit(system: str, key: str, words: str) -> None:
    (problem,) = problems(f"[[system]]\n{system}\n")
    assert problem.key == key
    assert words in problem.problem
    assert problem.line


def test_all_problems_come_at_once_and_in_order_of_lines() -> None:
    text = station_text(
        Path("data"),
        instrument("gauges", "pressure-transducer-3ch", "nonsense", "low vapor_service_pressure")
        + instrument("air", "thermocouple-4ch", "serial:///dev/ttyUSB1", "t1 power")
        + "[[placement]]\ninstrument = 3\n",
        more='units = "metric"\ncolour = "blue"\n',
        system='[[system]]\nid = "main"\nrefrigerant = "R-999"\n',
    )
    found = problems(text)
    assert [problem.key for problem in found] == [
        "station.units",
        "station.colour",
        "system[0].refrigerant",
        "instrument[0].profile",
        "instrument[0].link",
        "placement[1].point",
        "placement[2].channel",
        "placement[2].point",
        "placement[2].instrument",
    ]
    assert [problem.line for problem in found] == sorted(problem.line for problem in found)
    assert all(problem.remedy for problem in found)


def test_a_placement_on_a_wrong_instrument_is_no_second_problem() -> None:
    (problem,) = problems(station_text(Path("d"), GAUGES.replace("transducer-2ch", "transducer-3ch")))
    assert problem.key == "instrument[0].profile"


def test_a_profile_of_ones_own_tells_its_own_lines(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "gauge.toml").write_text('[profile]\nname = "gauge"\nprotocol = "modbus"\nsource = "x"\npoll = 1\n')
    text = station_text(tmp_path, instrument("g", "gauge", "serial:///dev/ttyUSB0"), more='profiles = "mine"\n')
    found = problems(text, tmp_path)
    assert {problem.file for problem in found} == {str(folder / "gauge.toml")}
    assert {"profile.poll", ""} <= {problem.key for problem in found}
    assert all(problem.line and problem.remedy for problem in found)


def test_no_toml_at_all_is_one_problem() -> None:
    (problem,) = problems('[station]\nname = "van\n')
    assert problem.line == 2
    assert "not TOML" in problem.problem


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"nowhere.toml: cannot read it \(No such file"):
        load(tmp_path / "nowhere.toml")
    (tmp_path / "latin.toml").write_bytes(b'[station]\nname = "caf\xe9"\n')
    with pytest.raises(ConfigError, match="UTF-8"):
        load(tmp_path / "latin.toml")


def test_several_systems_want_to_be_named_by_each_placement() -> None:
    two = '[[system]]\nid = "a"\nrefrigerant = "R-410A"\n[[system]]\nid = "b"\nrefrigerant = "R-22"\n'
    (problem,) = problems(station_text(Path("d"), GAUGES, system=two))
    assert problem.key == "placement[0].system"
    assert "a, b" in problem.remedy
    assert len(read(station_text(Path("d"), GAUGES + 'system = "b"\n', system=two)).placements) == 1
    (problem,) = problems(two.replace('id = "b"', 'id = "a"'))
    assert "two systems" in problem.problem


def check(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    """`lineset run --check` as a process of its own."""
    arguments = ("run", "--check", "-c", str(write_config(folder, text)))
    return subprocess.CompletedProcess(arguments, *asyncio.run(said(*arguments)))


def test_check_says_good_or_all_that_is_wrong(tmp_path: Path) -> None:
    good = check(tmp_path, station_text(tmp_path, GAUGES))
    assert good.returncode == 0, good.stderr
    assert "1 instruments, 1 placements, 1 systems" in good.stdout
    assert not (tmp_path / "visits").exists()
    bad = GAUGES.replace("transducer-2ch", "transducer-3ch").replace("serial:///dev/ttyUSB0", "nonsense")
    told = check(tmp_path, station_text(tmp_path, bad))
    assert told.returncode == 2
    assert told.stderr.count("station.toml, line ") == 2
    assert not told.stdout


def test_check_looks_at_the_credentials_file(tmp_path: Path) -> None:
    secrets = tmp_path / "broker.credentials"
    secrets.write_text('username = "van"\npassword = "invented"\n')
    secrets.chmod(0o644)
    text = '[broker]\nurl = "mqtts://broker.example:8883"\ncredentials = "broker.credentials"\n'
    told = check(tmp_path, text)
    assert told.returncode == 2
    assert f"chmod 600 {secrets}" in told.stderr
    assert "invented" not in told.stderr
    secrets.chmod(0o600)
    assert check(tmp_path, text).returncode == 0
