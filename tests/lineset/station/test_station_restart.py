"""A station that was stopped, or broken off, goes on where it was: visits, commands, instruments."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from pathlib import Path

import pytest
from station_rig import (
    OVER,
    WAIT_S,
    Ear,
    bodies,
    gauges_image,
    hearing,
    instrument,
    plug,
    station,
    station_text,
    visit_journal,
)

from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.verify import verify


def gauges(link: str) -> str:
    return instrument("gauges", "pressure-transducer-2ch", link, "low vapor_service_pressure")


async def opened(ear: Ear, visit: str = "v1") -> None:
    reply = await ear.command("visit-open", {"visit": visit, "systems": []})
    assert reply["ok"], reply


async def test_a_request_is_done_once_and_answered_alike_also_after_a_restart(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data")
    enter = {"point": "vapor_service_pressure", "value": "118 psig"}
    async with station(tmp_path, text) as running, hearing(running) as ear:
        opening = await ear.command("visit-open", {"visit": "v1", "systems": []}, request="open-1")
        first = await ear.command("enter", enter, request="enter-1")
        second = await ear.command("enter", enter, request="enter-1")
        assert {**second, "duplicate": False} == {**first, "duplicate": False}
        assert second["duplicate"]
        other = await ear.command("enter", {**enter, "value": "119 psig"}, request="enter-1")
        assert not other["ok"]
        assert "used for another command" in other["text"]
        refused = await ear.command("visit-open", {"visit": "v2", "systems": []}, request="open-2")
        assert not refused["ok"]
    for _ in range(2):
        async with station(tmp_path, text) as running, hearing(running) as ear:
            again = await ear.command("enter", enter, request="enter-1")
            assert {**again, "duplicate": False} == {**first, "duplicate": False}
            assert await ear.command("visit-open", {"visit": "v1", "systems": []}, request="open-1") == {
                **opening,
                "duplicate": True,
            }
            assert (await ear.command("visit-open", {"visit": "v2", "systems": []}, request="open-2"))[
                "text"
            ] == refused["text"]
    async with station(tmp_path, text) as running, hearing(running) as ear:
        closing = await ear.command("force-close", OVER, request="close-1")
        assert closing["ok"]
    async with station(tmp_path, text) as running, hearing(running) as ear:
        again = await ear.command("force-close", OVER, request="close-1")
        assert again == {**closing, "duplicate": True}
        await opened(ear, "v2")
        again = await ear.command("force-close", OVER, request="close-1")  # asked late: v2 stays open
        assert again["data"]["visit"] == "v1"
        assert (await ear.command("visit-show"))["data"]["visit"] == "v2"
    entered = list(bodies(visit_journal(tmp_path / "data", "v1"), "entered"))
    assert len(entered) == 1


async def test_a_closing_that_was_broken_off_is_finished_at_the_next_start(tmp_path: Path) -> None:
    """As if the power went between the last entry and the seal."""
    text = station_text(tmp_path / "data")
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        await ear.command("enter", {"point": "vapor_service_pressure", "value": "118 psig"})

        async def no_power(*_: object) -> None:
            raise asyncio.CancelledError

        running.record.seal = no_power  # type: ignore[assignment,method-assign]
        closing = asyncio.create_task(ear.command("force-close", OVER, request="close-1"))
        await ear.until(lambda: running.record.visit == "" or ear.on("visit/v1")[-1].json["state"] == "closed")
        closing.cancel()
    assert not verify(visit_journal(tmp_path / "data", "v1")).sealed
    async with station(tmp_path, text) as running, hearing(running) as ear:
        assert running.record.visit == ""
        found = verify(visit_journal(tmp_path / "data", "v1"), public_key=running.key.public)
        assert found.ok
        assert found.sealed
        again = await ear.command("force-close", OVER, request="close-1")
        assert (again["ok"], again["duplicate"], again["data"]["head"]) == (True, True, found.head.hex())
        await opened(ear, "v2")
        # its last event was told before the end, or is told now
        journal = visit_journal(tmp_path / "data", "v1")
        with JournalReader(journal) as reader:
            identity = reader.identity
        async with asyncio.timeout(WAIT_S):
            while running.outbox.through("broker", identity) < found.last:
                await asyncio.sleep(0.01)


async def test_a_sealed_file_that_a_kill_left_with_a_rollback_journal_is_put_right_at_the_next_start(
    tmp_path: Path,
) -> None:
    """As if the power went while SQLite made the sealed journal one plain file."""
    text = station_text(tmp_path / "data")
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        assert (await ear.command("force-close", OVER))["ok"]
    path = visit_journal(tmp_path / "data", "v1")
    beside = path.with_name("v1.journal-journal")
    before = path.read_bytes()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA cache_size = 1")  # pages go into the file before the end
        db.execute("BEGIN")
        db.execute("CREATE TABLE half (x)")
        db.executemany("INSERT INTO half VALUES (?)", [(b"x" * 3000,) for _ in range(50)])
        half = path.read_bytes(), beside.read_bytes()
        db.execute("ROLLBACK")
    path.write_bytes(half[0])
    beside.write_bytes(half[1])
    assert half[0] != before
    assert not verify(path).ok
    async with station(tmp_path, text):
        pass
    assert not beside.exists()
    assert path.read_bytes() == before
    found = verify(path)
    assert (found.ok, found.sealed) == (True, True)


async def test_a_visit_that_never_got_its_first_entry_was_never_opened(tmp_path: Path) -> None:
    """As if the power went between the making of the file and its first commit."""
    text = station_text(tmp_path / "data")
    async with station(tmp_path, text):
        pass
    JournalFile.create(visit_journal(tmp_path / "data", "v1"), meta={"station": "van-3", "visit": "v1"}).close()
    async with station(tmp_path, text) as running, hearing(running) as ear:
        assert running.record.visit == ""
        await opened(ear)
    assert next(bodies(visit_journal(tmp_path / "data", "v1")))[1]["kind"] == "opened"


async def test_a_restart_goes_on_with_the_visit_and_says_so(tmp_path: Path) -> None:
    bus = plug(tmp_path / "bus", gauges_image())
    text = station_text(tmp_path / "data", gauges(bus.url), speed=20)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        await ear.command("force-phase", {"phase": "before", **OVER})
        before = await ear.settled("v1", "before", "vapor_service_pressure")
    changed = text.replace(
        'profile = "pressure-transducer-2ch"',
        'profile = "pressure-transducer-2ch"\ncalibration.low = { offset = 6894.757 }',
    )
    async with station(tmp_path, changed) as running, hearing(running) as ear:
        assert running.record.visit == "v1"
        assert running.record.engine.state.phase == "before"
        await ear.until(
            lambda: any(m.json["settled"] and m.json["seq"] > before["seq"]
                        for m in ear.on("visit/v1/main/before/settled/vapor_service_pressure") if m.payload)
        )  # fmt: skip
        after = await ear.settled("v1", "before", "vapor_service_pressure")
        shown = await ear.command("visit-show")
        assert shown["data"]["placements"] == {"gauges/low": "main/vapor_service_pressure"}
        await ear.command("force-close", OVER)
    bus.unplug()
    assert after["seq"] > before["seq"]
    assert after["v"] - before["v"] == pytest.approx(6894.757, abs=1)  # the new calibration holds from now on
    journal = visit_journal(tmp_path / "data", "v1")
    assert verify(journal).ok
    kinds = [body["kind"] for _, body in bodies(journal)]
    assert kinds.count("resumed") == 1
    told = [body for _, body in bodies(journal, "introduced") if body["instrument"] == "gauges"]
    low = [next(channel for channel in body["channels"] if channel["name"] == "low") for body in told]
    assert [channel.get("calibration", {}).get("offset", 0.0) for channel in low] == [0.0, 6894.757]


async def test_an_instrument_that_left_the_configuration_is_told_lost(tmp_path: Path) -> None:
    bus = plug(tmp_path / "bus", gauges_image())
    text = station_text(tmp_path / "data", gauges(bus.url), speed=60)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        await ear.instrument("gauges", "linked")
    bus.unplug()
    async with station(tmp_path, station_text(tmp_path / "data", speed=60)) as running, hearing(running) as ear:
        told = await ear.instrument("gauges", "lost", "not in the configuration")
        assert told["placement"] == {"low": "main/vapor_service_pressure"}
        now = lambda: ear.on("visit/v1/main/now")  # noqa: E731
        await ear.until(lambda: now() and now()[-1].json["readings"]["vapor_service_pressure"]["quality"] == "stale")
