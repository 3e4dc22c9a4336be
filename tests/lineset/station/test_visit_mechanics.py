"""A visit through a station: phases refused and forced, comparisons, observations with photos, systems remembered."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import time
from pathlib import Path
from typing import Any

import pytest
from station_rig import (
    OVER,
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

from lineset.journal.errors import KeyFileError
from lineset.journal.verify import verify

JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 1500  # begins like one; what is in it nobody looks at
LEAVING = ("thermostat_restored", "caps_on", "disconnect_in")


def gauges(link: str) -> str:
    return instrument("gauges", "pressure-transducer-2ch", link, "low vapor_service_pressure")


async def opened(ear: Ear, visit: str = "v1", *systems: dict[str, Any], **more: Any) -> dict[str, Any]:
    reply = await ear.command("visit-open", {"visit": visit, "systems": list(systems), **more})
    assert reply["ok"], reply
    return reply


async def ok(ear: Ear, verb: str, **args: Any) -> dict[str, Any]:
    reply = await ear.command(verb, args)
    assert reply["ok"], reply
    return reply


async def refused(ear: Ear, verb: str, **args: Any) -> str:
    reply = await ear.command(verb, args)
    assert not reply["ok"], reply
    return str(reply["text"])


def parts_of(content: bytes, step: int = 256 * 1024, **more: Any) -> list[dict[str, Any]]:
    count = -(-len(content) // step)
    return [
        {
            "sha256": hashlib.sha256(content).hexdigest(), "media_type": "image/jpeg", "size": len(content),
            "part": n, "parts": count, "data": base64.b64encode(content[n * step : (n + 1) * step]).decode(), **more,
        }
        for n in range(count)
    ]  # fmt: skip


async def test_the_phases_and_the_closing_ask_politely_and_can_be_forced(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear, technician="T-17")
        assert "power is off" in await refused(ear, "phase", phase="before")
        await ok(ear, "declare", fact="power_off_verified")
        await ok(ear, "phase", phase="before")
        await ok(ear, "phase", phase="work")
        told = await refused(ear, "phase", phase="after")
        for fact in ("panels_on", "filter_in", "outdoor_coil_dry", "restarted"):
            assert f"lineset declare {fact}" in told
        for fact in ("panels_on", "filter_in", "outdoor_coil_dry", "restarted"):
            await ok(ear, "declare", fact=fact)
        await ok(ear, "phase", phase="after")
        await ok(ear, "phase", phase="work")  # something was forgotten
        assert "reason" in await refused(ear, "force-phase", phase="after", reason="  ")
        forced = await ok(ear, "force-phase", phase="after", reason="rain again")
        assert forced["data"]["missing"]
        told = await refused(ear, "visit-close")
        assert all(f"lineset declare {fact}" in told for fact in LEAVING)
        for fact in LEAVING:
            await ok(ear, "declare", fact=fact)
        running.visits.wanted = lambda: ("not done: filter",)  # what the worklist would ask for
        assert await refused(ear, "visit-close")
        closed = await ok(ear, "force-close", reason="no filter of that size on the van")
        assert closed["data"]["missing"] == ["not done: filter"]
        assert "no technician" not in closed["text"]
    entries = [body for _, body in bodies(visit_journal(tmp_path / "data", "v1"))]
    assert entries[0]["technician"] == "T-17"
    phases = [body for body in entries if body["kind"] == "phase"]
    assert [body["phase"] for body in phases] == ["before", "work", "after", "work", "after"]
    assert "missing" not in phases[2]
    assert phases[-1]["reason"] == "rain again"
    assert len(phases[-1]["missing"]) == 4
    assert entries[-1] == {
        "kind": "closed", "by": "the test", "reason": "no filter of that size on the van",
        "missing": ["not done: filter"],
    }  # fmt: skip


async def test_gauges_are_zeroed_through_the_station_and_power_off_is_seen(tmp_path: Path) -> None:
    image = gauges_image(0.9, -0.5)
    link = tmp_path / "usb"
    peer = plug(link, image)
    text = station_text(tmp_path / "data", gauges(peer.url), speed=10.0)
    try:
        async with station(tmp_path, text) as running, hearing(running) as ear:
            await opened(ear)
            await ear.instrument("gauges", "linked")
            await ok(ear, "declare", fact="power_off_verified")
            assert "zero the gauges (gauges/low)" in await refused(ear, "phase", phase="before")
            await ok(ear, "declare", fact="gauges_open")
            await ear.until(lambda: len(ear.on("visit/v1/event/comparison")) >= 2)
            told = {m.json["body"]["channel"]: m.json["body"] for m in ear.on("visit/v1/event/comparison")}
            assert "applied" not in told["low"]  # as usual: it is taken off from now on
            # 0.9 psi in Pa: NIST SP 811, appendix B.8
            assert told["low"]["offset"] == pytest.approx(0.9 * 6894.757, rel=1e-3)
            await ok(ear, "phase", phase="before")
            image.inputs[0] = 1189  # 118.9 psig as shown
            since = len(ear.heard)
            topic = "visit/v1/main/reading/vapor_service_pressure"
            await ear.until(lambda: any(m.json["v"] and m.json["v"] > 1e5 for m in ear.on(topic, since)))
            reading = next(m.json for m in ear.on(topic, since) if m.json["v"] and m.json["v"] > 1e5)
            assert reading["v"] == pytest.approx(118.0 * 6894.757, rel=1e-4)
            await ok(ear, "force-close", **OVER)
    finally:
        peer.unplug()


async def test_a_photo_is_taken_in_parts_and_sealed_with_the_visit(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        assert "no visit is open" in await refused(ear, "blob", **parts_of(JPEG)[0])
        await opened(ear)
        first, second = parts_of(JPEG)
        assert "send all its parts first" in await refused(ear, "observe", photo=first["sha256"])
        taken = await ok(ear, "blob", **second)  # in any order
        assert taken["data"]["missing"] == [0]
        assert (await ok(ear, "blob", **first))["data"]["complete"]
        assert "already" in (await ok(ear, "blob", **first))["text"]
        seen = await ok(ear, "observe", sign="capacitor_bulged", photo=first["sha256"], text="HERM side")
        assert seen["data"]["urgency"] == "soon"
        await ok(ear, "force-close", **OVER)
        key = running.key.public
    path = visit_journal(tmp_path / "data", "v1")
    assert verify(path, public_key=key).ok
    entries = [body for _, body in bodies(path)]
    kept = sorted((body for body in entries if body["kind"] == "blob"), key=lambda body: body.get("part", 0))
    assert b"".join(base64.b64decode(body["data"]) for body in kept) == JPEG
    observed = next(body for body in entries if body["kind"] == "observation")
    assert (observed["sign"], observed["about"], observed["photo"]) == (
        "capacitor_bulged", "capacitor", first["sha256"],
    )  # fmt: skip
    commands = [body for body in entries if body["kind"] == "command" and body["verb"] == "blob"]
    assert len(commands) == 3
    assert all(body["args"]["data"].startswith("sha256:") for body in commands)  # the bytes are there once


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"media_type": "application/pdf"}, "is no photo"),
        ({"sha256": "0" * 64}, "do not have the hash"),
        ({"sha256": "XYZ"}, "64 hex digits"),
        ({"size": 9_000_000}, "scale it down"),
        ({"size": 12}, "bytes, not 12"),
        ({"part": 3}, "count from 0"),
        ({"media_type": "image/png"}, "is no image/png"),
        ({"data": base64.b64encode(bytes(300 * 1024)).decode()}, "cut it smaller"),
    ],
)
async def test_what_cannot_be_a_photo_is_refused_and_leaves_nothing(
    tmp_path: Path, change: dict[str, Any], words: str
) -> None:
    small = b"\xff\xd8\xff and so on"
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)
        assert words in await refused(ear, "blob", **(parts_of(small)[0] | change))
        assert (await ok(ear, "blob", **parts_of(small)[0]))["data"]["complete"]  # the right one is taken after it
    kinds = [body["kind"] for _, body in bodies(visit_journal(tmp_path / "data", "v1"))]
    assert kinds.count("blob") == 1


async def test_an_observation_is_checked(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)
        assert "say what was seen" in await refused(ear, "observe")
        assert "capacitor_bulged" in await refused(ear, "observe", sign="capacitor_buldged")
        assert "no urgency" in await refused(ear, "observe", text="x", urgency="tomorrow")
        assert "no point, task or part" in await refused(ear, "observe", text="x", about="The House!")
        assert "split it" in await refused(ear, "observe", text="x" * 5000)
        assert "part, approval, return_visit" in await refused(ear, "observe", text="x", wants=["gold"])
        await ok(ear, "observe", text="oil under the flare nut", about="liquid_line_temperature")


async def test_what_is_wanted_of_the_shop_stands_in_the_visit_and_survives_a_restart(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data")
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear)
        usual = await ok(ear, "observe", sign="capacitor_bulged")
        assert usual["data"]["wants"] == ["part", "approval"]
        assert "the customer's approval is wanted" in usual["text"]
        assert (await ok(ear, "observe", sign="capacitor_bulged", wants=[]))["data"]["wants"] == []
        seen = await ok(ear, "observe", text="a secret of the house", wants=["return_visit"])
        await ear.until(lambda: ear.on(f"visit/v1/observation/{seen['data']['seq']}"))
        told = ear.on(f"visit/v1/observation/{seen['data']['seq']}")[-1].json
        assert told["wants"] == ["return_visit"]
        await ear.until(lambda: len(ear.on("visit/v1")[-1].json.get("wanted", ())) == 2)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await ear.until_kept("visit/v1", lambda: ear.on("visit/v1") and "wanted" in ear.on("visit/v1")[-1].json)
        visit = ear.on("visit/v1")[-1].json
        assert [each["wants"] for each in visit["wanted"]] == [["part", "approval"], ["return_visit"]]
        assert visit["wanted"][0]["title"] == "the capacitor's top is bulged"
        assert "secret" not in json.dumps(visit)


async def test_a_system_is_amended_judged_anew_and_remembered_for_the_next_visit(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data", system='[[system]]\nid = "yard"\nrefrigerant = "R-22"\n')
    async with station(tmp_path, text) as running, hearing(running) as ear:
        assert (await ok(ear, "systems"))["data"]["systems"] == []
        await opened(ear, "v1", {"id": "upstairs", "refrigerant": "R410A"}, {"id": "yard"})
        assert "say which system" in await refused(ear, "amend", given={"compressor_rla_a": 13.5})
        await ok(ear, "amend", system="upstairs", given={"metering_device": "txv", "compressor_rla_a": 13.5})
        assert "check the label" in await refused(
            ear, "amend", system="upstairs", given={"nameplate": {"herm_capacitor_uf": 4500}}
        )
        assert "R-999" in await refused(ear, "amend", system="upstairs", given={"refrigerant": "R-999"})
        await ok(ear, "enter", system="upstairs", point="compressor_common_current", value="11.2 A")
        await ear.until(lambda: ear.on("visit/v1/upstairs/at_rest/check/compressor_amps"))
        file = tmp_path / "data" / "systems" / "upstairs.toml"
        assert "compressor_rla_a = 13.5" in file.read_text()
        await ok(ear, "force-close", **OVER)
        listed = (await ok(ear, "systems"))["data"]["systems"]
        assert [row["id"] for row in listed] == ["upstairs", "yard"]
        assert (
            "nothing is remembered of 'attic'"
            in (await ear.command("visit-open", {"visit": "v2", "systems": [{"id": "attic"}]}))["text"]
        )
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await opened(ear, "v2", {"id": "upstairs"}, {"id": "yard"})
        record = running.record.engine.state.systems["upstairs"].record
        assert (record.refrigerant, record.metering_device, record.nameplate.compressor_rla_a) == (
            "R-410A", "txv", 13.5,
        )  # fmt: skip
        await ok(ear, "force-close", **OVER)
        file.write_text('id = "upstairs"\nrefrigerant = "R-410A"\n[nameplate]\ncompressor_rla_a = 9000\n')
        told = await ear.command("visit-open", {"visit": "v3", "systems": [{"id": "upstairs"}]})
        assert not told["ok"]
        assert "nameplate.compressor_rla_a" in told["text"]
        assert "line 4" in told["text"] or ":4" in told["text"]
    opened_bodies = next(body for _, body in bodies(visit_journal(tmp_path / "data", "v1")))
    assert opened_bodies["systems"][0]["id"] == "upstairs"
    amended = [body for _, body in bodies(visit_journal(tmp_path / "data", "v1")) if body["kind"] == "amended"]
    assert amended[0]["keys"] == ["compressor_rla_a", "metering_device"]


async def test_a_visit_goes_on_after_a_restart_with_its_facts_photos_and_comparisons(tmp_path: Path) -> None:
    image = gauges_image(0.9, -0.5)
    link = tmp_path / "usb"
    peer = plug(link, image)
    text = station_text(tmp_path / "data", gauges(peer.url), speed=10.0)
    try:
        async with station(tmp_path, text) as running, hearing(running) as ear:
            await opened(ear)
            await ear.instrument("gauges", "linked")
            await ok(ear, "declare", fact="power_off_verified")
            await ok(ear, "declare", fact="no_start_assist")
            await ok(ear, "declare", fact="gauges_open")
            await ear.until(lambda: len(ear.on("visit/v1/event/comparison")) >= 2)
            await ok(ear, "phase", phase="before")
            for part in parts_of(JPEG):
                await ok(ear, "blob", **part)
            await ok(ear, "amend", given={"compressor_rla_a": 13.5})
            correction = running.record.engine.state.instruments["gauges"].channels["low"].correction
        async with station(tmp_path, text) as running, hearing(running) as ear:
            state = running.record.engine.state
            assert state.phase == "before"
            assert state.systems["main"].declared == {"no_start_assist": True}
            assert state.systems["main"].record.nameplate.compressor_rla_a == 13.5
            assert state.instruments["gauges"].channels["low"].correction == correction
            await ok(ear, "observe", photo=parts_of(JPEG)[0]["sha256"], text="after the restart")
            await ok(ear, "phase", phase="work")
            await ok(ear, "force-close", **OVER)
    finally:
        peer.unplug()


async def test_a_key_that_others_can_read_is_refused_with_what_to_do(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")):
        key = tmp_path / "data" / "station.key"
        assert key.stat().st_mode & 0o777 == 0o600  # made on first use
    os.chmod(key, 0o640)
    with pytest.raises(KeyFileError, match="chmod 600"):
        async with station(tmp_path, station_text(tmp_path / "data")):
            pass


async def test_two_meters_that_claim_one_point_are_told_apart(tmp_path: Path) -> None:
    peer = plug(tmp_path / "usb", gauges_image())
    text = station_text(tmp_path / "data", gauges(peer.url))
    try:
        async with station(tmp_path, text) as running, hearing(running) as ear:
            await opened(ear)
            told = await ok(ear, "place", instrument="gauges", channel="high", point="vapor_service_pressure")
            assert told["text"] == (
                "gauges/high is at vapor_service_pressure of main; gauges/low was there and is placed nowhere now"
            )
            assert told["data"]["instead_of"] == "gauges/low"
            placements = (await ok(ear, "visit-show"))["data"]["placements"]
            assert placements == {"gauges/high": "main/vapor_service_pressure"}
            await ok(ear, "force-close", **OVER)
    finally:
        peer.unplug()


async def test_a_clock_that_jumps_back_an_hour_is_told_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, real_ns = time.time, time.time_ns
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)
        await ok(ear, "enter", point="outdoor_air_temperature", value="83 degF")
        before = running.record.engine.state.wall_offset_ns
        monkeypatch.setattr(time, "time", lambda: real() - 3600.0)
        monkeypatch.setattr(time, "time_ns", lambda: real_ns() - 3600 * 10**9)
        monkeypatch.setattr(running.desk, "_wall", time.time)  # it holds the clock from before it was set
        await ear.until(lambda: running.record.engine.state.wall_offset_ns < before - 3590 * 10**9)
        await ok(ear, "enter", point="return_air_temperature", value="75 degF")
        await ok(ear, "force-close", **OVER)
    path = visit_journal(tmp_path / "data", "v1")
    assert verify(path).ok
    entries = [body for _, body in bodies(path)]
    steps = [body["step_ns"] for body in entries if body["kind"] == "wall"]
    assert any(abs(step + 3600 * 10**9) < 10**9 for step in steps)
    assert [body["point"] for body in entries if body["kind"] == "entered"] == [
        "outdoor_air_temperature", "return_air_temperature",
    ]  # fmt: skip
    notes = [body["text"] for body in entries if body["kind"] == "note"]
    assert any("clock" in text and "nothing is lost" in text for text in notes)


async def test_what_a_person_saw_has_a_topic_of_its_own(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)
        seen = await ok(ear, "observe", sign="pan_cracked", text="left corner")
        await ear.until(lambda: ear.on(f"visit/v1/observation/{seen['data']['seq']}"))
        told = ear.on(f"visit/v1/observation/{seen['data']['seq']}")[-1].json
        assert (told["title"], told["urgency"], told["about"], told["text"]) == (
            "the drain pan is cracked", "soon", "drain", "left corner",
        )  # fmt: skip
        await ok(ear, "force-close", **OVER)


async def test_what_is_worth_knowing_in_spring_is_said_when_it_matters(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)

        async def told() -> list[str]:
            system = (await ok(ear, "visit-show"))["data"]["systems"]["main"]
            return [str(each) for each in system["worth_knowing"]]

        assert any("crankcase heater" in each for each in await told())
        await ok(ear, "enter", point="outdoor_air_temperature", value="46 degF")
        assert any("charge cannot be judged" in each for each in await told())
        await ok(ear, "declare", fact="winter_off")
        assert any("wait about 24 h more" in each for each in await told())
        await ok(ear, "declare", fact="winter_off", value=False)
        await ok(ear, "enter", point="outdoor_air_temperature", value="82 degF")
        assert await told() == []
        await ok(ear, "force-close", **OVER)
