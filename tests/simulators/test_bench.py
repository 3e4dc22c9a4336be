"""The bench as a process of its own: where it says its instruments are, they are; and it ends cleanly."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import termios
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bleak import BleakClient, BleakScanner
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from lineset_simulators.rig import Rig
from lineset_simulators.scenario import read

SCENARIOS = Path(__file__).parents[2] / "demo" / "scenarios"


class Bench:
    """A running `lineset-bench`, its description and its control socket."""

    def __init__(self, process: subprocess.Popen[str], out: Path) -> None:
        self.process, self.out = process, out
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, "the bench ended at once"
        self.found: dict[str, Any] = json.loads(line)

    def link(self, instrument: str) -> str:
        row = next(row for row in self.found["instruments"] if row["id"] == instrument)
        return str(row["link"])

    async def ask(self, **request: Any) -> dict[str, Any]:
        host, port = self.found["control"].split(":")
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(json.dumps(request).encode() + b"\n")
        answer = json.loads(await asyncio.wait_for(reader.readline(), 60))
        writer.close()
        await writer.wait_closed()
        assert isinstance(answer, dict)
        return answer


def start(out: Path, scenario: str = "spring_visit.toml", *, env: dict[str, str] | None = None) -> Bench:
    command = [sys.executable, "-m", "lineset_simulators.bench", str(SCENARIOS / scenario)]
    process = subprocess.Popen(
        [*command, "--speed", "20", "--out", str(out), "--json"],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **(env or {})},
    )
    return Bench(process, out)


def stop(bench: Bench, number: int = signal.SIGTERM) -> int:
    bench.process.send_signal(number)
    code = bench.process.wait(60)
    assert bench.process.stdout is not None
    bench.process.stdout.close()
    return code


def _children(pid: int) -> set[int]:
    listed = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True, check=False)
    return {int(line) for line in listed.stdout.split()}


def assert_nothing_left(bench: Bench, children: set[int]) -> None:
    assert not list((bench.out / "ports").iterdir())
    assert not (bench.out / "bench.json").exists()
    for child in children:
        with pytest.raises(ProcessLookupError):
            os.kill(child, 0)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    running = start(tmp_path_factory.mktemp("bench"))
    children = _children(running.process.pid)
    yield running
    assert len(list((running.out / "ports").iterdir())) == 2
    assert stop(running) == 0
    assert_nothing_left(running, children)


def test_the_file_says_what_is_printed(bench: Bench) -> None:
    assert json.loads((bench.out / "bench.json").read_text("utf-8")) == bench.found
    assert bench.found["invented"] is True
    assert [row["id"] for row in bench.found["instruments"]] == [
        *("gauges", "pipes", "clamp", "power", "bench", "statics", "supply", "return")
    ]


async def test_wired_instruments_show_the_plants_truth(bench: Bench) -> None:
    assert (await bench.ask(do="blower", value=True))["ok"]
    assert (await bench.ask(do="outdoor_unit", value=True))["ok"]
    serial = AsyncModbusSerialClient(bench.link("gauges").removeprefix("serial://"), baudrate=9600, timeout=10)
    power = bench.link("power").removeprefix("tcp://").split(":")
    meter = AsyncModbusTcpClient(power[0], port=int(power[1]), timeout=10)
    assert await serial.connect()
    assert await meter.connect()
    assert (await bench.ask(do="speed", value=200))["ok"]
    began = (await bench.ask(do="clock"))["t"]
    while (await bench.ask(do="clock"))["t"] < began + 120:
        await asyncio.sleep(0.05)
    assert (await bench.ask(do="speed", value=20))["ok"]
    gauges = await serial.read_input_registers(0, count=2, device_id=1)
    pipes = await serial.read_input_registers(0, count=5, device_id=2)
    watts = await meter.read_input_registers(0, count=6, device_id=1)
    truth = (await bench.ask(do="truth"))["truth"]
    serial.close()
    meter.close()
    # the plant pulls down meanwhile and the probes lag: wide, but far narrower than any mix-up of registers
    assert gauges.registers[0] / 10 == pytest.approx(truth["vapor_service_pressure"] / 6894.757, abs=6.0)
    assert gauges.registers[1] / 10 == pytest.approx(truth["liquid_service_pressure"] / 6894.757, abs=6.0)
    assert pipes.registers[2] / 10 == pytest.approx(truth["outdoor_air_temperature"], abs=0.6)
    values = meter.convert_from_registers(watts.registers, meter.DATATYPE.FLOAT32)
    assert isinstance(values, list)
    assert values[0] == pytest.approx(truth["line_voltage"], abs=2.0)
    assert values[2] == pytest.approx(truth["power"], rel=0.03)


async def _lines(path: str, count: int) -> list[str]:
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(fd, termios.TCSANOW)
    loop = asyncio.get_running_loop()
    ready = asyncio.Event()
    loop.add_reader(fd, ready.set)
    got = b""
    try:
        while got.count(b"\n") < count + 1:
            ready.clear()
            await asyncio.wait_for(ready.wait(), 60)
            with contextlib.suppress(BlockingIOError):  # the reader may be told once more after the last byte
                got += os.read(fd, 4096)
    finally:
        loop.remove_reader(fd)
        os.close(fd)
    return got.decode("ascii").splitlines()[1:-1]  # the first one may be partial


async def test_the_clamp_goes_where_it_is_told_and_reads_nothing_when_released(bench: Bench) -> None:
    assert (await bench.ask(do="outdoor_unit", value=True))["ok"]
    assert (await bench.ask(do="clamp", instrument="clamp", on="outdoor_fan_current"))["ok"]
    path = bench.link("clamp").removeprefix("serial://")
    shown = float((await _lines(path, 6))[-1].split(",")[2])
    truth = (await bench.ask(do="truth"))["truth"]
    assert shown == pytest.approx(truth["outdoor_fan_current"], abs=0.06)
    assert (await bench.ask(do="clamp", instrument="clamp", on="released"))["ok"]
    shown = float((await _lines(path, 6))[-1].split(",")[2])
    assert shown < 0.1
    assert (await bench.ask(do="clamp", instrument="clamp", on="herm_capacitance"))["ok"]
    line = (await _lines(path, 6))[-1]
    assert line.split(",")[1::2][:2] == ["CAP", "uF"]
    assert float(line.split(",")[2]) == pytest.approx(truth["herm_capacitance"] * 1e6, abs=0.2)


async def test_the_bench_meter_follows_its_leads(bench: Bench) -> None:
    assert (await bench.ask(do="outdoor_unit", value=True))["ok"]
    assert (await bench.ask(do="clamp", instrument="bench", on="capacitor_herm_voltage"))["ok"]
    await asyncio.sleep(0.2)
    host, port = bench.link("bench").removeprefix("tcp://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(b"CONF?\nREAD?\n")
    assert await reader.readline() == b'"VOLT:AC"\n'
    volts = float(await reader.readline())
    writer.close()
    await writer.wait_closed()
    truth = (await bench.ask(do="truth"))["truth"]
    assert volts == pytest.approx(truth["capacitor_herm_voltage"], abs=4.0)


async def test_faults_unplugging_and_refusals_over_the_control_socket(bench: Bench) -> None:
    path = Path(bench.link("clamp").removeprefix("serial://"))
    assert (await bench.ask(do="unplug", instrument="clamp"))["ok"]
    assert not path.is_symlink()
    assert (await bench.ask(do="plug", instrument="clamp"))["ok"]
    assert path.is_symlink()
    assert (await bench.ask(do="fault", instrument="statics", kind="exception", code=6, times=1))["ok"]
    host, port = bench.link("statics").removeprefix("tcp://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(bytes.fromhex("00 07 00 00 00 06 01 04 00 10 00 01"))
    assert await reader.readexactly(9) == bytes.fromhex("00 07 00 00 00 03 01 84 06")
    writer.close()
    await writer.wait_closed()
    for request, reason in (
        ({"do": "dance"}, "no such request 'dance'"),
        ({"do": "clamp", "instrument": "nobody", "on": "power"}, "no instrument 'nobody'"),
        ({"do": "clamp", "instrument": "clamp", "on": "moon"}, "no point 'moon'"),
        ({"do": "clamp", "instrument": "gauges", "on": "line_voltage"}, "is not moved about"),
        ({"do": "fault", "instrument": "gauges", "kind": "smoke"}, "no fault 'smoke'"),
        ({"do": "fault", "instrument": "supply", "kind": "silence"}, "is on the radio"),
        ({"do": "speed", "value": 0}, "above 0 to 200"),
        ({"do": "outdoor_unit", "value": "maybe"}, "true or false"),
    ):
        answer = await bench.ask(**request)
        assert answer["ok"] is False
        assert reason in answer["error"]


async def test_the_clock_keeps_its_speed_and_takes_another(bench: Bench) -> None:
    async def pace(seconds: float) -> float:
        began, first = time.monotonic(), (await bench.ask(do="clock"))["t"]
        await asyncio.sleep(seconds)
        last = (await bench.ask(do="clock"))["t"]
        return float(last - first) / (time.monotonic() - began)

    async def comes_to(speed: float) -> None:
        """Within a while: a machine that is busy for a moment holds up the bench or us, and not for good."""
        found = []
        for _ in range(20):
            found.append(await pace(0.5))
            if found[-1] == pytest.approx(speed, rel=0.3):
                return
        raise AssertionError(f"never {speed:g} visit seconds a second, but {found}")

    await comes_to(20.0)
    assert (await bench.ask(do="speed", value=100))["ok"]
    await comes_to(100.0)
    assert (await bench.ask(do="speed", value=20))["ok"]


@pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed on this machine")
async def test_radio_instruments_are_on_the_air(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bench.found["dbus"])
    heard: asyncio.Queue[bytes] = asyncio.Queue()

    def advert(device: Any, data: Any) -> None:
        if (payload := data.service_data.get("0000fcd2-0000-1000-8000-00805f9b34fb")) is not None:
            heard.put_nowait(bytes(payload))

    device = await BleakScanner.find_device_by_address("C0:FF:EE:00:00:01", timeout=60)
    async with BleakScanner(advert):
        payload = await asyncio.wait_for(heard.get(), 60)
    truth = (await bench.ask(do="truth"))["truth"]
    celsius = int.from_bytes(payload[6:8], "little", signed=True) / 100
    assert celsius == pytest.approx(truth["return_air_temperature"], abs=0.3)
    assert device is not None
    async with BleakClient(device) as client:
        raw = await client.read_gatt_char("00002a6d-0000-1000-8000-00805f9b34fb")
    assert int.from_bytes(raw, "little") / 10 == pytest.approx(truth["barometric_pressure"], abs=60)


def test_without_a_message_bus_the_radio_instruments_are_on_tcp(tmp_path: Path) -> None:
    running = start(tmp_path, env={"PATH": "/nonexistent"})
    try:
        assert running.found["dbus"] == ""
        assert "no Bluetooth here" in running.found["notes"][0]
        models = {row["id"]: (row["model"], row["link"].split(":")[0]) for row in running.found["instruments"]}
        assert models["supply"] == ("air-probe-line", "tcp")
        assert models["return"] == ("air-probe-line", "tcp")
    finally:
        assert stop(running, signal.SIGINT) == 0  # as Ctrl-C does; the other benches are ended with SIGTERM
    assert_nothing_left(running, set())


def test_a_scenario_that_cannot_be_played_ends_with_two(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text("[plant]\nwheels = 4\n")
    done = subprocess.run(
        [sys.executable, "-m", "lineset_simulators.bench", str(file)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "unknown key 'wheels'" in done.stderr
    assert done.stdout == ""


async def test_an_instrument_at_a_point_that_is_not_there_is_refused(tmp_path: Path) -> None:
    plan = {"id": "a", "model": "thermocouple-4ch", "channels": {"t1": "moon"}}
    rig = Rig(read({"instrument": [plan]}), tmp_path)
    with pytest.raises(ValueError, match="instrument a, channel t1: no point 'moon'"):
        await rig.start()
    await rig.close()


async def test_the_timeline_acts_at_its_visit_seconds(tmp_path: Path) -> None:
    events = [{"at": 30.0, "do": "outdoor_unit", "value": True}, {"at": 10.0, "do": "blower"}]
    rig = Rig(read({"event": [*events, {"at": 1.0, "do": "dance"}]}), tmp_path, speed=200.0)
    await rig.start()
    playing = asyncio.create_task(rig.play())
    while rig.plant.time_s < 20.0:
        await asyncio.sleep(0.005)
    assert (rig.plant.blower_on, rig.plant.outdoor_on) == (True, False)
    while rig.plant.time_s < 35.0:
        await asyncio.sleep(0.005)
    assert rig.plant.outdoor_on  # and the event that could not be done ended nothing
    playing.cancel()
    await asyncio.gather(playing, return_exceptions=True)
    await rig.close()
