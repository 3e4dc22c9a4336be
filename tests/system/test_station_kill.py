"""kill -9 of `lineset run` at random moments of a busy visit: it goes on, and the record and the wire agree."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from cli_process import WAIT_S
from driver_peers import PtyPeer
from station_process import StationProcess
from station_rig import (
    OVER,
    RegisterImage,
    bodies,
    check_events,
    gauges_image,
    instrument,
    listening,
    pipes_image,
    plug,
    record_events,
    station_text,
    visit_journal,
)

from lineset.journal.verify import verify

pytestmark = pytest.mark.system

KILLS = 12
PROVED = ("vapor_service_pressure", "liquid_service_pressure", "total_superheat", "subcooling")
HERE = Path(__file__).resolve().parent


@asynccontextmanager
async def busy(folder: Path) -> AsyncIterator[tuple[StationProcess, PtyPeer]]:
    """A station with pressures and temperatures that settle and stop being steady, sixty times as fast as real."""

    def restless(image: RegisterImage) -> None:
        # steps of 15 psi every ten minutes of the visit, twice as long as a steady pressure needs to settle; and a last
        # digit that is never still, since a number that never moves is taken for frozen
        image.inputs[0] = 1180 + 150 * (image.answered // 1200 % 2) + image.answered % 2
        image.inputs[1] = 3710 + image.answered % 2

    def lively(image: RegisterImage) -> None:
        image.inputs |= {0: 90 + image.answered % 2, 1: 330 + image.answered % 2}

    gauges, pipes = gauges_image(), pipes_image(9.0, 33.0, 30.0, 35.0)
    gauges.before, pipes.before = restless, lively
    bus = plug(folder / "bus", gauges, pipes)
    text = station_text(
        folder / "data",
        instrument(
            "gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure", "high liquid_service_pressure"
        )
        + instrument("pipes", "thermocouple-4ch", bus.url, "t1 vapor_line_temperature", "t2 liquid_line_temperature"),
        speed=60,
    )
    station = StationProcess(folder, text)
    try:
        yield station, bus
    finally:
        if station.running is not None:
            await station.end(signal.SIGKILL)
        bus.unplug()


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # a child that nobody has waited for yet is dead all the same
    with contextlib.suppress(OSError):
        return ") Z " not in Path(f"/proc/{pid}/stat").read_text()
    return False


async def gone(pid: int) -> None:
    async with asyncio.timeout(WAIT_S):
        while alive(pid):
            await asyncio.sleep(0.01)


def replayed(journal: Path, hash_seed: int) -> dict[str, object]:
    """Replay in another process with another hash seed."""
    done = subprocess.run(
        [sys.executable, str(HERE / "replay_again.py"), str(journal)],
        env={**os.environ, "PYTHONHASHSEED": str(hash_seed)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    found: dict[str, object] = json.loads(done.stdout)
    return found


@pytest.mark.timeout(300)
async def test_killed_at_random_moments_of_a_busy_visit(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(10**6)
    print(f"seed {seed}")
    chance = random.Random(seed)
    data = tmp_path / "data"
    journal = visit_journal(data, "v1")
    async with busy(tmp_path) as (station, _):
        await station.start()
        async with listening(station.address, name="outside") as ear:
            assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
            kept: list[tuple[int, dict[str, object]]] = []
            for kill in range(KILLS):
                await asyncio.sleep(chance.uniform(0.05, 1.6))  # the moment is to be any
                broker = station.broker_pid
                # now and then a clean end, which leaves a snapshot to go on from
                how = signal.SIGTERM if kill % 4 == 3 else signal.SIGKILL
                code = await station.end(how)
                assert code == (0 if how is signal.SIGTERM else -signal.SIGKILL)
                await gone(broker)
                if how is signal.SIGTERM:
                    found = replayed(journal, 1000 + kill)
                    assert found["snapshot"] == found["last"]
                    assert found["state_equal"], found
                rows = list(bodies(journal))
                assert rows[: len(kept)] == kept, "what was committed has changed"
                kept = rows
                sessions = ear.sessions
                await station.start()
                await ear.until(lambda sessions=sessions: ear.sessions > sessions)
            shown = await ear.command("visit-show")
            assert shown["data"]["visit"] == "v1"
            assert shown["data"]["placements"]["gauges/low"] == "main/vapor_service_pressure"
            for name in PROVED:
                await ear.settled("v1", "at_rest", name)
            assert (await ear.command("force-close", OVER))["ok"]
            last = max(record_events(journal))
            await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
        assert await station.end(signal.SIGTERM) == 0
        station.running = None
    found = verify(journal)
    assert found.ok, found.problems
    assert found.sealed
    assert not found.gaps
    assert sum(body["kind"] == "resumed" for _, body in bodies(journal)) == KILLS
    assert replayed(journal, 31337)["differences"] == []
    # all that was heard is on record as it was said, in order, and nothing on record was never said
    check_events(ear.events(), "v1", journal, killed=True)
    assert {body["name"] for _, body in bodies(journal, "settled")} >= set(PROVED)


@pytest.mark.parametrize("point", ["opening", "closing"])
async def test_killed_around_the_opening_and_the_closing_of_visits(tmp_path: Path, point: str) -> None:
    """Whatever the moment: a request that is asked again is done once, and the visit is whole or was never there."""
    chance = random.Random(20260401 if point == "opening" else 20260402)
    async with busy(tmp_path) as (station, _):
        for round_ in range(4):
            visit = f"v{round_}"
            await station.start()
            async with listening(station.address) as ear:
                if point == "closing":
                    assert (await ear.command("visit-open", {"visit": visit, "systems": []}))["ok"]
                    verb, args, request = "force-close", OVER, f"close-{round_}"
                else:
                    verb, args, request = "visit-open", {"visit": visit, "systems": []}, f"open-{round_}"
                    await ear.until(lambda: ear.online)
                asking = asyncio.create_task(ear.command(verb, args, request=request, wait_s=1.0))
                await asyncio.sleep(chance.uniform(0.0, 0.03))
                await station.end(signal.SIGKILL)
                asking.cancel()
                await asyncio.gather(asking, return_exceptions=True)
            await station.start()
            async with listening(station.address) as ear:
                again = await ear.command(verb, args, request=request)
                assert again["ok"], again
                if point == "opening":
                    assert (await ear.command("force-close", OVER))["ok"]
            assert await station.end(signal.SIGTERM) == 0
            journal = visit_journal(tmp_path / "data", visit)
            found = verify(journal)
            assert found.ok, found.problems
            assert found.sealed
            rows = [body for _, body in bodies(journal)]
            assert rows[0]["kind"] == "opened"
            assert [body["kind"] for body in rows].count("closed") == 1
            assert [b["request"] for b in rows if b["kind"] == "command"].count(request) == 1
        station.running = None
