"""`lineset profile`: list, show, check, and try on real links whose far end follows a byte script."""

from __future__ import annotations

import asyncio
import json
import re
import signal
from pathlib import Path

import pytest
from cli_process import lineset, said
from driver_peers import PtyPeer, rtu
from typer.testing import CliRunner

from lineset.cli.main import app
from lineset_drivers import profile as profiles

runner = CliRunner()

# 4-channel thermocouple: 12.0, 35.4, an open one, 5.0 degC and the reference, as register words (invented data)
REPLY = rtu(2, 4, 10, 0x00, 0x78, 0x01, 0x62, 0x80, 0x00, 0x00, 0x32, 0x00, 0xD7)


def _thermocouples(request: bytes) -> list[tuple[float, bytes]]:
    """Unit 2: its model code 1028 at holding register 0, its serial number from register 2, its input registers."""
    if request[:4] == b"\x02\x03\x00\x00":
        return [(0.0, rtu(2, 3, 2, 0x04, 0x04))]
    if request[:4] == b"\x02\x03\x00\x02":
        return [(0.0, rtu(2, 3, 4, 0x00, 0x00, 0x30, 0x39))]
    return [(0.0, REPLY)] if request[:2] == b"\x02\x04" else []


def _profile(*arguments: str, code: int = 0) -> str:
    result = runner.invoke(app, ["profile", *arguments])
    assert result.exit_code == code, result.output
    return result.stdout


def test_list_names_every_profile_with_its_channels() -> None:
    out = _profile("list")
    for name in profiles.names():
        assert re.search(rf"^{name} +\w+ +\S", out, re.MULTILINE)
    rows = {row["name"]: row for row in json.loads(_profile("list", "--json"))}
    assert rows["pressure-transducer-2ch"]["channels"] == ["low", "high"]
    assert rows["pressure-transducer-2ch"]["protocol"] == "modbus"


def test_list_goes_on_when_one_of_your_own_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('[profile]\nname = "mine"\nprotocol = "carrier-pigeon"\n')
    result = runner.invoke(app, ["profile", "list", "--profiles", str(tmp_path)])
    assert result.exit_code == 1
    assert "clamp-meter-line" in result.stdout
    assert "mine.toml, line 1" in result.stderr


@pytest.mark.parametrize("name", profiles.names())
def test_show_tells_each_channel_with_unit_accuracy_resolution_and_source(name: str) -> None:
    found = profiles.load(name)
    out = _profile("show", name)
    flat = " ".join(out.split())
    for channel in found.channels:
        assert f"{channel.title}, {channel.quantity.replace('_', ' ')} in {channel.unit}" in flat
        assert f"source: {' '.join(channel.source.split())}" in flat
    assert flat.count("accuracy ") >= len(found.channels)
    assert flat.count("resolution ") >= len(found.channels)
    assert max(len(line) for line in out.splitlines()) <= 100
    data = json.loads(_profile("show", name, "--json"))
    assert [row["unit"] for row in data["channels"]] == [channel.unit for channel in found.channels]
    assert data["sha256"] == found.sha256


def test_show_carries_the_caution_of_the_quantities() -> None:
    meter = " ".join(_profile("show", "clamp-meter-line").split())
    assert "Line voltage: lock out and prove dead" in meter
    assert "Stored charge: disconnect, discharge" in meter
    gauges = " ".join(_profile("show", "pressure-transducer-2ch").split())
    assert "Refrigerant under pressure" in gauges
    assert "caution" not in _profile("show", "air-beacon")


def test_show_of_an_unknown_one_names_the_near_ones() -> None:
    result = runner.invoke(app, ["profile", "show", "clamp-meter-lime"])
    assert result.exit_code == 2
    assert "'clamp-meter-line'" in result.stderr
    assert "Traceback" not in result.output


def test_check_tells_all_problems_with_line_key_and_remedy(tmp_path: Path) -> None:
    good = profiles.load("pressure-transducer-2ch").text
    bad = tmp_path / "pressure-transducer-2ch.toml"
    bad.write_text(good.replace('unit = "', 'unit = "x', 1).replace("poll_s", "pol_s", 1))
    result = runner.invoke(app, ["profile", "check", str(bad), "clamp-meter-line"])
    assert result.exit_code == 1
    assert "clamp-meter-line: good, 4 channels" in result.stdout
    problems = profiles.check(bad)
    assert len(problems) >= 2
    for problem in problems:
        assert str(problem) in result.stdout
    rows = json.loads(_profile("check", "--json", str(bad), "clamp-meter-line", code=1))
    assert [row["good"] for row in rows] == [False, True]
    assert all(problem["line"] and problem["remedy"] for problem in rows[0]["problems"])
    assert "is not known here" in _profile("check", str(bad), code=1)


def test_check_of_what_cannot_be_read(tmp_path: Path) -> None:
    assert "cannot be read" in _profile("check", str(tmp_path / "none.toml"), code=1)
    torn = tmp_path / "torn.toml"
    torn.write_text("[profile\nname=")
    assert "this is not TOML" in _profile("check", str(torn), code=1)


async def test_try_prints_samples_and_the_bytes_they_came_from(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port", _thermocouples)
    peer.plug()
    where = ("--link", peer.url, "--unit", "2", "--count", "2")
    try:
        code, out, err = await said("profile", "try", "thermocouple-4ch", *where)
        assert code == 0
        assert out.count(REPLY.hex(" ")) == 2
        assert re.search(r"t1 +12 degC", out)
        assert re.search(r"t2 +35\.4 degC", out)
        assert re.search(r"t3 +no valid value", out)
        assert "linked: giving samples, it says 12345" in err
        code, out, _ = await said("profile", "try", "thermocouple-4ch", *where, "--json")
        rows = [json.loads(line) for line in out.splitlines()]
        assert code == 0
        assert [row["raw"] for row in rows] == [REPLY.hex()] * 2
        assert rows[0]["samples"][2] == {"channel": "t3", "value": None, "unit": "degC", "flag": "invalid"}
    finally:
        peer.unplug()


async def test_try_goes_on_until_it_is_ended(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port", _thermocouples)
    peer.plug()
    try:
        where = ("--link", peer.url, "--unit", "2", "--count", "0")
        async with lineset("profile", "try", "thermocouple-4ch", *where) as running:
            await running.until("t4 ")
            await running.until("t4 ", after=len(running.out))
            running.process.send_signal(signal.SIGINT)
            assert await running.end() == 0
    finally:
        peer.unplug()


async def test_try_tells_silence_damage_and_a_missing_port_in_sentences(tmp_path: Path) -> None:
    silent = PtyPeer(tmp_path / "silent", lambda request: [])
    damaged = PtyPeer(
        tmp_path / "damaged", lambda request: [(0.0, b + b"\x00") for _, a in _thermocouples(request) if (b := a[:-1])]
    )
    silent.plug()
    damaged.plug()

    async def tried(link: str) -> tuple[int, str, str]:
        return await said("profile", "try", "thermocouple-4ch", "--link", link, "--unit", "2", "--patience", "1.5")

    try:
        quiet, broken, none = await asyncio.gather(
            tried(silent.url), tried(damaged.url), tried("serial:///dev/no-such-port")
        )
    finally:
        silent.unplug()
        damaged.unplug()
    for code, out, err in (quiet, broken, none):
        assert code == 3
        assert "lineset profile try: nothing came from" in err
        assert "Traceback" not in out + err
    assert "there is no such port now" in none[2]
    assert quiet[2] != broken[2]


async def test_try_with_wrong_words() -> None:
    code, _, err = await said("profile", "try", "thermocouple-4ch", "--link", "tpc://192.0.2.7")
    assert code == 2
    assert "Did you mean 'tcp'?" in err
    code, _, err = await said("profile", "try", "read-by-eye", "--link", "entered:")
    assert code == 2
    assert "lineset enter" in err
