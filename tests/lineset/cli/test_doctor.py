"""`lineset doctor`: each check where it is good and where it is not, and the whole beside a running station."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
from pathlib import Path
from typing import NamedTuple

import pytest
from claimed_port import free_port
from cli_process import Bench, said

from lineset.cli import doctor_machine, doctor_station
from lineset.cli.diagnosis import GOOD, MIND, STOPS
from lineset.journal.seal import StationKey
from lineset.physics import refrigerant
from lineset.station.config import read
from lineset_drivers.transports import serial as serial_ports
from lineset_simulators.bluez import SimulatedBluez
from lineset_simulators.bus import VARIABLE, dbus_daemon, private_bus

HEAD = '[station]\nname = "van-1"\n'
BEACON = '[[instrument]]\nid = "beacon"\nprofile = "air-beacon"\nlink = "ble://02:00:00:00:00:61"\n'
GAUGES = '[[instrument]]\nid = "gauges"\nprofile = "pressure-transducer-2ch"\nlink = "serial:///dev/no-such-port"\n'


def test_python_and_libraries_of_this_machine_are_good() -> None:
    assert doctor_machine.python().state == GOOD
    assert doctor_machine.libraries().state == GOOD


def test_a_missing_and_an_old_library_stop_the_job() -> None:
    wanted = ["no-such-library>=1.0", "msgspec>=999.0", "typer==0.0.1", "rich>=1.0"]
    found = doctor_machine.libraries(wanted)
    assert found.state == STOPS
    assert "no-such-library is missing" in found.found
    assert "msgspec is" in found.found
    assert "==0.0.1 is needed" in found.found
    assert "rich" not in found.found
    assert "pip install" in found.remedy


@pytest.fixture
def own_curves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the shipped curves, read anew."""
    folder = tmp_path / "curves"
    shutil.copytree(refrigerant.CURVES, folder)
    monkeypatch.setattr(refrigerant, "CURVES", folder)
    monkeypatch.setattr(refrigerant, "_LOADED", {})
    return folder


def test_a_damaged_curve_stops_the_job(own_curves: Path) -> None:
    assert doctor_machine.curves().state == GOOD
    file = own_curves / "r-32.json"
    body = json.loads(file.read_bytes())
    body["dew"]["temperature_Cel"][3] += 0.001
    file.write_text(json.dumps(body))
    refrigerant._LOADED.clear()
    found = doctor_machine.curves()
    assert found.state == STOPS
    assert "r-32.json" in found.found
    assert "digest" in found.found


def test_the_local_broker_is_asked_its_version() -> None:
    found = doctor_machine.broker_program(needed=True)
    assert found.state == GOOD
    assert "nats-server" in found.found


def test_a_missing_broker_stops_the_job_only_when_it_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lineset.stream.broker.PROGRAM", "no-such-server")
    assert doctor_machine.broker_program(needed=True).state == STOPS
    assert doctor_machine.broker_program(needed=False).state == MIND


class _Usage(NamedTuple):
    total: int
    used: int
    free: int


@pytest.mark.parametrize(("free", "state"), [(50e6, STOPS), (500e6, MIND), (50e9, GOOD)])
def test_free_disk(free: float, state: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: _Usage(10**12, 0, int(free)))
    found = doctor_machine.disk(tmp_path / "not" / "yet" / "there")
    assert found.state == state
    assert str(tmp_path) in found.found


@pytest.mark.parametrize(("config", "state"), [(None, STOPS), (HEAD + BEACON, MIND), (HEAD + GAUGES, STOPS)])
def test_a_barred_port_names_its_group(
    config: str | None, state: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = tmp_path / "ttyUSB0"
    port.touch()
    monkeypatch.setattr(serial_ports, "list_ports", lambda: [serial_ports.Port(str(port), "adapter")])
    monkeypatch.setattr(os, "access", lambda *_: False)  # the tests may run as root, who may open everything
    monkeypatch.setattr(doctor_machine, "_group_of", lambda _: "dialout")
    found = doctor_machine.serial_ports(read(config) if config else None)
    assert found.state == state
    assert str(port) in found.found
    assert "sudo usermod -aG dialout" in found.remedy


def test_nobody_is_told_to_join_the_group_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "ttyS0"
    port.touch()
    monkeypatch.setattr(serial_ports, "list_ports", lambda: [serial_ports.Port(str(port), "built in")])
    monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.setattr(doctor_machine, "_group_of", lambda _: "root")
    foreign = doctor_machine.serial_ports(None)  # a built-in port that nobody uses
    assert str(port) not in foreign.found + foreign.remedy
    named = (
        HEAD + f'[[instrument]]\nid = "g"\nprofile = "pressure-transducer-2ch"\nlink = "serial://{port}"\nunit = 1\n'
    )
    found = doctor_machine.serial_ports(read(named))
    assert (found.state, str(port) in found.found) == (STOPS, True)
    assert "usermod" not in found.remedy


def test_ports_that_may_be_opened_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "ttyUSB0"
    port.touch()
    monkeypatch.setattr(serial_ports, "list_ports", lambda: [serial_ports.Port(str(port), "adapter")])
    assert doctor_machine.serial_ports(None).found == f"{port}: this user may open them"


@pytest.mark.parametrize(("needed", "state"), [(True, STOPS), (None, MIND), (False, GOOD)])
def test_without_bus_and_radio_only_what_is_needed_stops_the_job(
    needed: bool | None, state: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, "unix:path=/nowhere/at/all")
    assert doctor_machine.message_bus(needed=needed).state == state
    assert doctor_machine.radio(needed=needed).state == state
    assert "service is not running" in doctor_machine.radio(needed=needed).found


@pytest.mark.skipif(dbus_daemon() is None, reason="dbus-daemon is not installed")
async def test_a_radio_that_is_switched_off_is_told_and_one_that_listens_is_good() -> None:
    with private_bus():
        bluez = SimulatedBluez(powered=False)
        await bluez.start()
        try:
            assert (await asyncio.to_thread(doctor_machine.message_bus, needed=True)).state == GOOD
            off = await asyncio.to_thread(doctor_machine.radio, needed=True)
            bluez.power(True)
            on = await asyncio.to_thread(doctor_machine.radio, needed=True)
        finally:
            await bluez.kill()
    assert (off.state, on.state) == (STOPS, GOOD)
    assert "switched off" in off.found
    assert "Switch Bluetooth on" in off.remedy


def test_a_clock_that_cannot_be_right_stops_the_job() -> None:
    assert doctor_machine.wall_clock(0.0).state == STOPS
    assert "1970" in doctor_machine.wall_clock(0.0).found
    assert doctor_machine.wall_clock().state in (GOOD, MIND)


def test_a_wrong_configuration_is_told_with_line_and_remedy(tmp_path: Path) -> None:
    file = tmp_path / "van.toml"
    file.write_text(HEAD + GAUGES.replace("pressure-transducer-2ch", "pressure-transducer-3ch") + "nonsense = 1\n")
    config, found = doctor_station.configured(file)
    assert config is None
    assert found.state == STOPS
    assert "van.toml, line 5" in found.found
    assert "2 problems" in found.found
    assert found.remedy
    assert doctor_station.configured(tmp_path / "none.toml")[1].state == STOPS
    assert doctor_station.configured(None)[1].state == MIND


def test_what_is_not_plugged_in_is_named(tmp_path: Path) -> None:
    there = tmp_path / "port"
    there.touch()
    found = doctor_station.plugged_in(read(HEAD + GAUGES))
    assert found.state == MIND
    assert "gauges (serial:///dev/no-such-port)" in found.found
    assert doctor_station.plugged_in(read(HEAD + GAUGES.replace("/dev/no-such-port", str(there)))).state == GOOD
    adapter = GAUGES.replace("serial:///dev/no-such-port", "usb://0403:6001:NONE:0")
    assert doctor_station.plugged_in(read(HEAD + adapter)).state == MIND


def test_a_data_folder_that_takes_nothing_stops_the_job(tmp_path: Path) -> None:
    tmp_path.chmod(0o700)
    assert doctor_station.data_folder(tmp_path).state == GOOD
    assert list(tmp_path.iterdir()) == []  # what was tried is gone
    assert doctor_station.data_folder(tmp_path / "new").state == GOOD
    assert doctor_station.data_folder(Path("/proc/no-such-folder")).state in (STOPS, GOOD)
    assert doctor_station.data_folder(Path("/proc/self")).state == STOPS
    tmp_path.chmod(0o755)
    assert doctor_station.data_folder(tmp_path).state == MIND
    tmp_path.chmod(0o700)


def test_a_key_that_others_may_read_stops_the_job(tmp_path: Path) -> None:
    path = tmp_path / "station.key"
    assert doctor_station.key(path).state == GOOD
    made = StationKey.generate(path)
    assert made.public.hex()[:16] in doctor_station.key(path).found
    path.chmod(0o644)
    found = doctor_station.key(path)
    assert found.state == STOPS
    assert f"chmod 600 {path}" in found.found


async def test_the_whole_beside_a_running_station_and_its_journals(bench: Bench) -> None:
    await bench.do("visit-open", visit="v1", systems=[])
    await bench.do("enter", point="line_voltage", value="241 V")
    await bench.do("force-close", reason="the test is over")
    await bench.do("visit-open", visit="v2", systems=[])
    arguments = ("doctor", "--config", str(bench.config), "--at", str(bench.at))
    code, out, err = await said(*arguments, "--json")
    found = json.loads(out)
    checks = {row["name"]: row for row in found["checks"]}
    assert checks["running station"]["found"] == "van-1 is online and recording"
    assert checks["journals"]["found"] == "2 visits, 1 closed; 2 of the last 2 as written; v2 is open"
    assert checks["station key"]["state"] == GOOD
    assert checks["configuration"]["found"].endswith("1 instrument, 1 placement, 1 system")
    assert (code, found["ready"]) == (0, True), err
    damaged = bench.station.config.data / "visits" / "v1.journal"
    await _damage(damaged)
    code, out, _ = await said(*arguments)
    assert code == 1
    assert "stops  journals" in out
    assert "v1.journal: row " in " ".join(out.split())
    assert "This stops the job: journals." in out
    assert "Keep the file as it is for the audit" in " ".join(out.split())


async def _damage(path: Path) -> None:
    """Alter one entry as a careless hand would: through SQLite, its triggers put away before and back after."""
    import sqlite3

    def alter() -> None:
        db = sqlite3.connect(path)
        kept = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in kept:
            db.execute(f"DROP TRIGGER {name}")
        db.execute(
            "UPDATE rows SET body = CAST(replace(CAST(body AS TEXT), '241', '239') AS BLOB) WHERE kind = 'entered'"
        )
        assert db.execute("SELECT changes()").fetchone() == (1,)
        for _, sql in kept:
            db.execute(sql)
        db.commit()
        db.close()

    await asyncio.to_thread(alter)


async def test_a_station_that_was_killed_is_told(tmp_path: Path, bench: Bench) -> None:
    left = tmp_path / "left"
    left.mkdir()
    text = json.loads((bench.at / "broker.json").read_text())
    file = left / "broker.json"
    file.write_text(json.dumps({**text, "url": "mqtt://127.0.0.1:1"}))
    file.chmod(0o600)
    gone = await asyncio.to_thread(doctor_station.running_station, left)
    assert gone.state == MIND
    assert "cannot be reached" in gone.found
    assert (await asyncio.to_thread(doctor_station.running_station, tmp_path)).state == GOOD
    file.write_text(json.dumps({**text, "station": "van-9"}))
    silent = await asyncio.to_thread(doctor_station.running_station, left)
    assert silent.state == STOPS
    assert "says nothing" in silent.found


async def test_another_broker_is_knocked_at(bench: Bench) -> None:
    assert bench.station.broker is not None
    who = bench.station.broker.address("station")
    secret = bench.config.with_name("secret.toml")
    secret.write_text(f'username = "{who.username}"\npassword = "{who.password}"\n')
    secret.chmod(0o600)
    text = f'{HEAD}[broker]\nurl = "mqtt://127.0.0.1:{who.port}"\ncredentials = "secret.toml"\n'
    config = read(text, bench.config)
    assert (await asyncio.to_thread(doctor_station.other_broker, config)).state == GOOD
    secret.write_text('username = "station"\npassword = "wrong"\n')
    refused = await asyncio.to_thread(doctor_station.other_broker, config)
    assert refused.state == MIND
    assert "refused the user name or password" in refused.found


def test_it_says_where_a_scraper_finds_the_metrics_and_whether_anything_answers(tmp_path: Path) -> None:
    port = free_port()
    config = read(f"{HEAD}[metrics]\nenabled = true\nport = {port}\n", tmp_path / "van.toml")
    found = doctor_station.metrics(config)
    assert (found.state, f"http://127.0.0.1:{port}/metrics" in found.found) == (GOOD, True)
    assert "no station runs" in found.found
    with socket.create_server(("127.0.0.1", port)):
        assert "something answers there" in doctor_station.metrics(config).found
    assert "metrics" in [each.name for each in doctor_station.station(config, tmp_path / "run", 0)]
    plain = read(HEAD, tmp_path / "van.toml")
    assert "metrics" not in [each.name for each in doctor_station.station(plain, tmp_path / "run", 0)]
    any_port = doctor_station.metrics(read(f"{HEAD}[metrics]\nenabled = true\nport = 0\n", tmp_path / "van.toml"))
    assert any_port.state == MIND
