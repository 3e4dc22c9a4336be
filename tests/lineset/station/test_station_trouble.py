"""Bad input from end to end: each gives the instrument a state and a sentence on its topic, and costs nothing recorded.

Running as root, permissions on a port cannot be refused here; `tests/system` does that with a user of its own.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest
from driver_peers import PtyPeer
from station_rig import (
    WAIT_S,
    Ear,
    bodies,
    gauges_image,
    hearing,
    instrument,
    pipes_image,
    plug,
    station,
    station_text,
    visit_journal,
)

from lineset.journal.verify import verify
from lineset.station.daemon import Station
from lineset_drivers.clock import NS

GAUGES, PIPES = "gauges", "pipes"

# Another program, which opens a port for itself alone until its input ends.
HOLD = """
import serial, sys
port = serial.Serial(sys.argv[1], exclusive=True)
print("held", flush=True)
sys.stdin.read()
"""


def two_on(gauges: str, pipes: str) -> str:
    return instrument(GAUGES, "pressure-transducer-2ch", gauges, "low vapor_service_pressure") + instrument(
        PIPES, "thermocouple-4ch", pipes, "t1 vapor_line_temperature"
    )


async def opened(ear: Ear) -> None:
    assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]


def recorded(tmp_path: Path, instrument: str) -> list[list[object]]:
    """The first sample of each frame of an instrument in the visit's journal, which must verify."""
    journal = visit_journal(tmp_path / "data", "v1")
    assert verify(journal).ok
    return [body["samples"][0] for _, body in bodies(journal, "frame") if body["instrument"] == instrument]


def told_in_journal(tmp_path: Path, instrument: str) -> list[tuple[str, str]]:
    rows = bodies(visit_journal(tmp_path / "data", "v1"), "instrument")
    return [(body["state"], body["reason"]) for _, body in rows if body["instrument"] == instrument]


async def later(running: Station, ear: Ear, count: int = 3) -> None:
    """Wait until the pipes have given some more readings: they go on, whatever the gauges do."""
    topic = "visit/v1/main/reading/vapor_line_temperature"
    since = len(ear.heard)
    await ear.until(lambda: len(ear.on(topic, since)) >= count)


async def test_damaged_frames_are_told_and_nothing_of_them_is_recorded(tmp_path: Path) -> None:
    gauges, pipes = gauges_image(), pipes_image(10.0)
    one, two = plug(tmp_path / "one", gauges), plug(tmp_path / "two", pipes)
    text = station_text(tmp_path / "data", two_on(one.url, two.url), speed=20)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        await ear.instrument(GAUGES, "linked")
        gauges.damaged = True
        told = await ear.instrument(GAUGES, "lost", "CRC")
        gauges.answered = 0
        await later(running, ear)
        gauges.damaged = False
        await ear.instrument(GAUGES, "linked")
    one.unplug()
    two.unplug()
    assert "cable" in told["reason"] or "wiring" in told["reason"], told["reason"]
    assert {sample[1] for sample in recorded(tmp_path, GAUGES)} == {118.0}
    assert ("lost", told["reason"]) in told_in_journal(tmp_path, GAUGES)
    assert all(state == "linked" for state, _ in told_in_journal(tmp_path, PIPES)[1:])


async def test_impossible_numbers_are_recorded_flagged_and_never_settle(tmp_path: Path) -> None:
    gauges = gauges_image()
    bus = plug(tmp_path / "bus", gauges)
    text = station_text(
        tmp_path / "data",
        instrument(
            GAUGES, "pressure-transducer-2ch", bus.url, "low vapor_service_pressure", "high liquid_service_pressure"
        ),
        speed=30,  # slow enough that a busy machine makes no reading stale
    )
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        await ear.settled("v1", "at_rest", "vapor_service_pressure")
        gauges.inputs[0] = 0x7FFF  # the profile's code for an open sensor
        gauges.inputs[1] = 20000  # 2000 psig, where the module ends at 800

        def quality(name: str) -> str:
            now = ear.on("visit/v1/main/now")
            value = now[-1].json["readings"].get(name, {}) if now else {}
            return str(value.get("quality", "good"))

        await ear.until(lambda: (quality("vapor_service_pressure"), quality("liquid_service_pressure")) ==
                        ("invalid", "over_range"))  # fmt: skip
        topic = "visit/v1/main/at_rest/settled/vapor_service_pressure"
        await ear.until(lambda: not ear.on(topic)[-1].json["settled"])
        assert ear.on(topic)[-1].json["reason"]
        value = ear.on("visit/v1/main/now")[-1].json["readings"]["vapor_service_pressure"]
        assert "v" in value
        assert value["v"] is None
        assert value.get("settled", False) is False
        gauges.inputs[0] = 1180
        await ear.until(lambda: quality("vapor_service_pressure") == "good" and ear.on(topic)[-1].json["settled"])
    bus.unplug()
    low = recorded(tmp_path, GAUGES)
    assert [None, "invalid"] in [[sample[1], sample[3]] for sample in low]
    settled = [body["name"] for _, body in bodies(visit_journal(tmp_path / "data", "v1"), "settled")]
    assert settled.count("vapor_service_pressure") == 2


async def test_a_port_that_another_program_holds(tmp_path: Path) -> None:
    gauges, pipes = gauges_image(), pipes_image(10.0)
    one, two = plug(tmp_path / "one", gauges), plug(tmp_path / "two", pipes)
    holder = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", HOLD, str(tmp_path / "one")),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert await holder.stdout.readline() == b"held\n"
    text = station_text(tmp_path / "data", two_on(one.url, two.url), speed=20)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        told = await ear.instrument(GAUGES, "seeking", "in use by the program")
        await later(running, ear)
        holder.stdin.close()
        await holder.wait()
        await ear.instrument(GAUGES, "linked")
    one.unplug()
    two.unplug()
    assert str(tmp_path / "one") in told["link"]
    assert recorded(tmp_path, GAUGES)


async def test_an_adapter_that_is_pulled_and_plugged_in_again(tmp_path: Path) -> None:
    gauges, pipes = gauges_image(), pipes_image(10.0)
    one, two = plug(tmp_path / "one", gauges), plug(tmp_path / "two", pipes)
    text = station_text(tmp_path / "data", two_on(one.url, two.url), speed=20)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        start = gauges.answered
        await ear.instrument(GAUGES, "linked")
        await later(running, ear)
        one.unplug()
        told = await ear.instrument(GAUGES, "lost", "Plug the adapter in again")
        await later(running, ear)
        now = lambda: [m.json["readings"] for m in ear.on("visit/v1/main/now")]  # noqa: E731
        await ear.until(lambda: any(m.get("vapor_service_pressure", {}).get("quality") == "stale" for m in now()))
        before = gauges.answered
        again = plug(tmp_path / "one", gauges)
        linked = await ear.instrument(GAUGES, "linked")
        await ear.until(lambda: gauges.answered > before + 3)
    again.unplug()
    two.unplug()
    assert told["reason"].endswith(tuple("abcdefghijklmnopqrstuvwxyz."))
    assert linked["placement"] == {"low": "main/vapor_service_pressure"}  # it sits where it sat
    assert len(recorded(tmp_path, GAUGES)) >= gauges.answered - start - 4  # all but what was on the wire


async def test_no_radio_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/no-such-bus")
    pipes = pipes_image(10.0)
    two = plug(tmp_path / "two", pipes)
    text = station_text(
        tmp_path / "data",
        instrument("air", "air-probe", "ble://AA:BB:CC:DD:EE:FF", "temperature return_air_temperature")
        + instrument(PIPES, "thermocouple-4ch", two.url, "t1 vapor_line_temperature"),
        speed=20,
    )
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        told = await ear.instrument("air", "seeking", "Bluetooth")
        await later(running, ear)
    two.unplug()
    assert len(told["reason"]) > 40  # a sentence with what to do
    assert recorded(tmp_path, PIPES)


async def test_a_wrong_instrument_on_the_port_is_refused_by_name(tmp_path: Path) -> None:
    pipes = pipes_image(10.0)
    pipes.unit = 1
    pipes.inputs |= {0: 100, 1: 200}
    bus = plug(tmp_path / "one", pipes)
    text = station_text(tmp_path / "data", instrument(GAUGES, "pressure-transducer-2ch", bus.url), speed=20)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        told = await ear.instrument(GAUGES, "seeking", "1028")  # 0x0404, the thermocouple module's model code
    bus.unplug()
    assert "528" in told["reason"]
    assert not recorded(tmp_path, GAUGES)


async def test_what_a_full_inbox_costs_is_counted_on_record(tmp_path: Path) -> None:
    """Polls are skipped and lines dropped while there is no room; both stand in the journal with their counts."""
    gauges = gauges_image()
    bus = plug(tmp_path / "bus", gauges)
    clamp = PtyPeer(tmp_path / "clamp")
    clamp.plug()
    text = station_text(
        tmp_path / "data",
        instrument(GAUGES, "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
        + instrument("clamp", "clamp-meter-line", clamp.url, "current compressor_common_current"),
        speed=20,
    )

    def line(amps: int) -> bytes:
        body = f"CM,ACA,+{amps / 100:06.2f},A,----"
        check = 0
        for char in body.encode():
            check ^= char
        return f"${body}*{check:02X}\r\n".encode()

    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        await ear.instrument(GAUGES, "linked")
        clamp.send(b"half a line\r\n" + line(0))
        await ear.instrument("clamp", "linked")
        room, running.inbox._room = running.inbox._room, 0
        for amps in range(1, 201):
            clamp.send(line(amps))
            await asyncio.sleep(0)
        async with asyncio.timeout(WAIT_S):
            while running.inbox.refused < 200:
                await asyncio.sleep(0.005)
        await running.clock.sleep_until(running.clock.now() + 5 * NS)  # ten polls long
        running.inbox._room = room
        clamp.send(line(201))
        journal = visit_journal(tmp_path / "data", "v1")
        async with asyncio.timeout(WAIT_S):
            while len({body["instrument"] for _, body in bodies(journal, "overrun")}) < 2:
                await asyncio.sleep(0.02)
            while not any(
                b["samples"][0][1] == 2.01 for _, b in bodies(journal, "frame") if b["instrument"] == "clamp"
            ):
                await asyncio.sleep(0.02)
        await ear.until(lambda: ear.on("visit/v1/main/now"))
    bus.unplug()
    clamp.unplug()
    lost = {(b["instrument"], b["loss"]): 0 for _, b in bodies(journal, "overrun")}
    for _, body in bodies(journal, "overrun"):
        lost[body["instrument"], body["loss"]] += body["count"]
    assert set(lost) == {(GAUGES, "poll_skipped"), ("clamp", "stream_dropped")}
    amps = [round(sample[1] * 100) for sample in recorded(tmp_path, "clamp")]  # type: ignore[operator]
    # the newest lines are kept, the oldest go, and each that went is counted
    assert amps[0] == 0
    assert amps[-1] == 201
    assert amps[1:] == list(range(amps[1], 202))
    assert lost["clamp", "stream_dropped"] == amps[1] - 1
