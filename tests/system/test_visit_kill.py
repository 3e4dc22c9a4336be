"""kill -9 and a suspended process in the middle of a visit: phases, comparison and photos go on where they were."""

from __future__ import annotations

import base64
import hashlib
import signal
from pathlib import Path
from typing import Any

import pytest
from station_process import StationProcess
from station_rig import (
    OVER,
    Ear,
    RegisterImage,
    bodies,
    gauges_image,
    instrument,
    listening,
    plug,
    station_text,
    visit_journal,
)

from lineset.journal.verify import verify

pytestmark = pytest.mark.system

PHOTO = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 1200
SHA256 = hashlib.sha256(PHOTO).hexdigest()


def part(n: int) -> dict[str, Any]:
    step = 200 * 1024
    data = base64.b64encode(PHOTO[n * step : (n + 1) * step]).decode()
    return {"sha256": SHA256, "media_type": "image/jpeg", "size": len(PHOTO), "part": n, "parts": 2, "data": data}


async def ok(ear: Ear, verb: str, **args: Any) -> dict[str, Any]:
    reply = await ear.command(verb, args)
    assert reply["ok"], reply
    return reply


async def test_a_visit_killed_and_suspended_goes_on_where_it_was(tmp_path: Path) -> None:
    def lively(image: RegisterImage) -> None:
        image.inputs |= {0: base[0] + image.answered % 2, 1: -5 + image.answered % 2}

    base = [9]
    image = gauges_image()
    image.before = lively
    bus = plug(tmp_path / "bus", image)
    text = station_text(
        tmp_path / "data",
        instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure"),
        speed=20,
    )
    process = StationProcess(tmp_path, text)

    async def again(ear: Ear) -> None:
        sessions = ear.sessions
        await process.end(signal.SIGKILL)
        await process.start()
        await ear.until(lambda: ear.sessions > sessions)

    try:
        await process.start()
        async with listening(process.address, name="outside") as ear:
            await ok(ear, "visit-open", visit="v1", systems=[], technician="T-17")
            await ear.instrument("gauges", "linked")
            await ok(ear, "declare", fact="power_off_verified")
            await ok(ear, "declare", fact="gauges_open")
            await ear.until(lambda: len(ear.on("visit/v1/event/comparison")) >= 2)
            await again(ear)
            shown = (await ok(ear, "visit-show"))["data"]
            assert shown["phase"] == "at_rest"
            assert shown["systems"]["main"]["declared"]["power_off_verified"] is True
            await ok(ear, "phase", phase="before")  # both gauges were compared before it was killed
            await ok(ear, "blob", **part(0))
            await again(ear)
            assert (await ok(ear, "blob", **part(1)))["data"]["missing"] == [0]  # half a photo was never on record
            assert (await ok(ear, "blob", **part(0)))["data"]["complete"]
            await ok(ear, "amend", given={"compressor_rla_a": 13.5})
            await again(ear)
            await ok(ear, "observe", photo=SHA256, sign="oil_stain")
            base[0] = 1189
            # the comparison still holds: 118.9 psig less about 0.9
            topic = "visit/v1/main/reading/vapor_service_pressure"

            def high(since: int) -> list[float]:
                return [m.json["v"] for m in ear.on(topic, since) if m.json["v"] and m.json["v"] > 5e5]

            since = len(ear.heard)
            await ear.until(lambda: high(since))
            assert high(since)[0] == pytest.approx(118.0 * 6894.757, abs=900.0)
            assert process.running is not None
            process.running.process.send_signal(signal.SIGSTOP)
            asked = len(ear.heard)
            process.running.process.send_signal(signal.SIGCONT)
            await ear.until(lambda: ear.on(topic, asked))
            assert (await ok(ear, "visit-show"))["data"]["phase"] == "before"
            await ok(ear, "phase", phase="work")
            await again(ear)
            assert (await ok(ear, "visit-show"))["data"]["phase"] == "work"
            await ok(ear, "force-close", **OVER)
        assert await process.end(signal.SIGTERM) == 0
        process.running = None
    finally:
        if process.running is not None:
            await process.end(signal.SIGKILL)
        bus.unplug()
    path = visit_journal(tmp_path / "data", "v1")
    found = verify(path)
    assert found.ok, found.problems
    assert found.sealed
    entries = [body for _, body in bodies(path)]
    assert [body["phase"] for body in entries if body["kind"] == "phase"] == ["before", "work"]
    assert sum(body["kind"] == "comparison" for body in entries) == 2
    kept = [body for body in entries if body["kind"] == "blob"]
    assert b"".join(base64.b64decode(body["data"]) for body in kept) == PHOTO
    assert [body["photo"] for body in entries if body["kind"] == "observation"] == [SHA256]
    assert [body["reason"] for body in entries if body["kind"] == "closed"] == [OVER["reason"]]
