"""A journal that cannot write: live values go on marked, nothing settles on the wire, and all comes back with space."""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest
from driver_peers import PtyPeer
from station_rig import (
    OVER,
    WAIT_S,
    Ear,
    RegisterImage,
    bodies,
    check_events,
    gauges_image,
    hearing,
    instrument,
    plug,
    record_events,
    station,
    station_text,
    visit_journal,
)

from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.journal.reader import JournalReader
from lineset.journal.verify import verify
from lineset.station.daemon import Station

SIZE = 2 * 1024 * 1024


class SmallDisk:
    """A disk of two megabytes at `folder`, which can be filled to the last byte and freed again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self) -> None:
        with (self.folder / "filler").open("ab", buffering=0) as file:
            for size in (65536, 4096, 1):
                try:
                    while True:
                        file.write(b"\0" * size)
                except OSError:
                    continue

    def free(self) -> None:
        (self.folder / "filler").unlink()


def mounted(folder: Path, size: int) -> Iterator[SmallDisk]:
    folder.mkdir(parents=True)
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip(f"this system lets us mount no small disk: {made.stderr.decode().strip()}")
    yield SmallDisk(folder)
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """A disk for the visits alone."""
    yield from mounted(tmp_path / "data" / "visits", SIZE)


@pytest.fixture
def whole_disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """A disk for all that the station keeps, its broker's messages too."""
    yield from mounted(tmp_path / "data", 4 * SIZE)


def stepping(image: RegisterImage) -> None:
    image.inputs[0] = 1180 + 200 * (image.answered // 300 % 2)


def restless_gauges(folder: Path) -> tuple[PtyPeer, str]:
    image = gauges_image()
    image.before = stepping
    bus = plug(folder / "bus", image)
    return bus, instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")


async def opened(ear: Ear) -> None:
    assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]


async def fails(running: Station) -> None:
    async with asyncio.timeout(WAIT_S):
        while running.recording:
            await asyncio.sleep(0.01)


async def test_a_full_disk_is_told_costs_nothing_and_heals(tmp_path: Path, disk: SmallDisk) -> None:
    bus, body = restless_gauges(tmp_path)
    async with (
        station(tmp_path, station_text(tmp_path / "data", body, speed=60)) as running,
        hearing(running) as ear,
    ):
        await opened(ear)
        await ear.settled("v1", "at_rest", "vapor_service_pressure")
        disk.fill()
        await ear.until(lambda: ear.on("station")[-1].json.get("recording", True) is False)
        alarm = ear.on("station")[-1].json
        committed = running.record.writer.committed
        since = len(ear.heard)
        # live values go on and say so; commands are refused at once, with the reason; what can be shown is shown
        live = "visit/v1/main/reading/vapor_service_pressure"
        await ear.until(lambda: [m for m in ear.on(live, since) if m.json.get("recorded", True) is False])
        await ear.until(lambda: [m for m in ear.on("visit/v1/main/now", since) if not m.json.get("recorded", True)])
        assert not any(m.json.get("settled", False) for m in ear.on(live, since) if not m.json.get("recorded", True))
        refused = await ear.command("note", {"text": "while the disk is full"})
        assert not refused["ok"]
        assert "disk is full" in refused["text"]
        assert (await ear.command("visit-show"))["data"]["visit"] == "v1"
        # settling goes on in memory, and stays there
        async with asyncio.timeout(WAIT_S):
            while running.record._last_event <= committed + 50:
                await asyncio.sleep(0.02)
        assert not [m for m in ear.events() if m.json["seq"] > committed]
        assert running.record.writer.committed == committed
        disk.free()
        await ear.until(lambda: ear.on("station")[-1].json.get("recording", True) is True)
        assert (await ear.command("note", {"text": "space again"}))["ok"]
        assert (await ear.command("force-close", OVER))["ok"]
        last = max(record_events(visit_journal(tmp_path / "data", "v1")))
        await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
        journal = visit_journal(tmp_path / "data", "v1")
        found = verify(journal, public_key=running.key.public)
        check_events(ear.events(), "v1", journal)
        notes = [b["text"] for _, b in bodies(journal, "note") if not b["text"].startswith("broker:")]
    bus.unplug()
    assert found.ok, found.problems
    assert not found.gaps  # memory held what the disk did not take
    assert "disk is full" in alarm["reason"]
    assert notes == ["space again"]


async def test_no_visit_is_opened_on_a_full_disk_and_the_station_goes_on(tmp_path: Path, disk: SmallDisk) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        disk.fill()
        reply = await ear.command("visit-open", {"visit": "v1", "systems": []})
        assert not reply["ok"]
        assert "disk is full" in reply["text"]
        assert running.record.visit == ""
        disk.free()
        await opened(ear)
        assert (await ear.command("force-close", OVER))["ok"]


async def test_what_memory_cannot_hold_is_lost_counted_and_the_record_still_replays(
    tmp_path: Path, disk: SmallDisk
) -> None:
    bus, body = restless_gauges(tmp_path)
    async with (
        station(tmp_path, station_text(tmp_path / "data", body, speed=60)) as running,
        hearing(running) as ear,
    ):
        await opened(ear)
        await ear.settled("v1", "at_rest", "vapor_service_pressure")
        running.record.writer._pending._limit_rows = 60
        disk.fill()
        await fails(running)
        async with asyncio.timeout(WAIT_S):
            while running.record._lost.get("gauges", 0) < 200:
                await asyncio.sleep(0.02)
        since = len(ear.heard)
        live = "visit/v1/main/reading/vapor_service_pressure"
        await ear.until(lambda: len(ear.on(live, since)) > 2)  # live values go on all the same
        assert all(m.json.get("recorded", True) is False for m in ear.on(live, since))
        disk.free()
        await ear.until(lambda: ear.on("station")[-1].json.get("recording", True) is True)
        running.record.writer._pending._limit_rows = 200_000
        topic = "visit/v1/main/at_rest/settled/vapor_service_pressure"
        await ear.until(lambda: any(m.json["settled"] for m in ear.on(topic, since) if m.payload))
        assert (await ear.command("force-close", OVER))["ok"]
        journal = visit_journal(tmp_path / "data", "v1")
        last = max(record_events(journal))
        await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
    bus.unplug()
    found = verify(journal)
    assert found.ok, found.problems
    assert not found.gaps
    (overrun,) = [b for _, b in bodies(journal, "overrun") if b["loss"] == "not_recorded"]
    assert (overrun["instrument"], overrun["count"] >= 200) == ("gauges", True)
    assert any(f"{overrun['count']} frames were lost" in b["text"] for _, b in bodies(journal, "note"))
    with JournalReader(journal) as reader:
        rows = [(row.seq, row.t, row.kind, row.body) for row in reader.rows(1)]
    assert list(replay(Engine(fingerprint()), rows)) == []
    check_events(ear.events(), "v1", journal)


@pytest.mark.system
async def test_a_disk_that_the_broker_shares_costs_neither_live_values_nor_the_alarm(
    tmp_path: Path, whole_disk: SmallDisk
) -> None:
    """nats-server stalls on a full disk when told to keep something, and stays so when there is space again."""
    bus, body = restless_gauges(tmp_path)
    async with (
        station(tmp_path, station_text(tmp_path / "data", body, speed=60)) as running,
        # the broker keeps for it what comes between its own restart and this listener's return
        hearing(running, name="outside") as ear,
    ):
        await opened(ear)
        await ear.settled("v1", "at_rest", "vapor_service_pressure")
        whole_disk.fill()
        await fails(running)
        await ear.until(lambda: ear.on("station")[-1].json.get("recording", True) is False)
        since = len(ear.heard)
        live = "visit/v1/main/reading/vapor_service_pressure"
        # longer than a stalled broker would take to be noticed
        await ear.until(lambda: len(ear.on("station", since)) >= 7)
        assert all(m.json["recording"] is False for m in ear.on("station", since))
        assert "disk is full" in ear.on("station", since)[-1].json["reason"]
        assert len(ear.on(live, since)) > 7
        assert running.publisher.status.state == "connected"
        whole_disk.free()
        journal = visit_journal(tmp_path / "data", "v1")
        while running.record.visit:  # until the broker has come back too; a refused command is asked anew
            with contextlib.suppress(aiomqtt.MqttError, AssertionError):
                await ear.command("force-close", OVER, wait_s=6.0)
        last = max(record_events(journal))
        await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
        assert running.broker is not None
    bus.unplug()
    assert verify(journal).ok
    check_events(ear.events(), "v1", journal)
