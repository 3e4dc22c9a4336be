"""Visits by command: opened, shown, moved on, closed, sealed; each once, and nothing lost between two journals."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
from pathlib import Path

import aiomqtt
import pytest
from station_rig import (
    OVER,
    WAIT_S,
    Ear,
    RegisterImage,
    bodies,
    gauges_image,
    hearing,
    instrument,
    plug,
    station,
    station_journals,
    station_text,
    visit_journal,
)

from lineset.contract.entry import INPUT_KINDS
from lineset.journal.verify import verify
from lineset.station.daemon import Station


def gauges(link: str) -> str:
    return instrument("gauges", "pressure-transducer-2ch", link, "low vapor_service_pressure")


async def opened(ear: Ear, visit: str = "v1") -> None:
    reply = await ear.command("visit-open", {"visit": visit, "systems": []})
    assert reply["ok"], reply


async def test_a_visit_is_opened_shown_moved_on_and_closed(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        nothing = await ear.command("visit-show")
        assert (nothing["ok"], nothing["text"]) == (True, "no visit is open")
        opening = await ear.command(
            "visit-open",
            {
                "visit": "2027-0412",
                "systems": [{"id": "a", "refrigerant": "R410A"}, {"id": "b", "refrigerant": "R-22"}],
            },
        )
        assert opening["ok"]
        assert opening["data"] == {"visit": "2027-0412", "systems": ["a", "b"]}
        told = await ear.command("enter", {"point": "vapor_service_pressure", "value": "118 psig"})
        assert not told["ok"]
        assert "a, b" in told["text"]  # which of them?
        entered = await ear.command(
            "enter", {"point": "vapor_service_pressure", "value": "118 psig", "system": "a"}, actor="the apprentice"
        )
        assert entered["ok"]
        assert (await ear.command("force-phase", {"phase": "before", **OVER}))["ok"]
        refused = await ear.command("phase", {"phase": "during"})
        assert not refused["ok"]
        assert "at_rest, before, work, drying, after" in refused["text"]
        assert (await ear.command("note", {"text": "cap was loose"}))["ok"]
        shown = await ear.command("visit-show")
        assert shown["data"]["phase"] == "before"
        assert shown["data"]["systems"]["a"]["refrigerant"] == "R-410A"  # written as it is known
        # 118 psig in Pa: NIST SP 811, appendix B.8
        assert shown["data"]["systems"]["a"]["settled"]["vapor_service_pressure"] == pytest.approx(
            118 * 6894.757, rel=1e-6
        )
        assert shown["data"]["systems"]["b"]["settled"] == {}
        await ear.until(lambda: ear.on("visit/2027-0412") and ear.on("visit/2027-0412")[-1].json["phase"] == "before")
        closing = await ear.command("force-close", {"reason": "done"})
        assert closing["ok"]
        await ear.until(lambda: ear.on("visit/2027-0412")[-1].json["state"] == "closed")
        again = await ear.command("force-close", OVER)
        assert not again["ok"]
        assert again["text"] == "no visit is open"
        for verb, args in (("note", {"text": "x"}), ("phase", {"phase": "after"}), ("place", {"instrument": "by-eye"})):
            reply = await ear.command(verb, args)
            assert not reply["ok"]
            assert "no visit is open" in reply["text"]
        key = running.key.public

        # sealed, it is one plain file that can be copied as it is, while the station goes on
        path = visit_journal(tmp_path / "data", "2027-0412")
        assert not path.with_name(path.name + "-wal").exists()
        copied = shutil.copy(path, tmp_path / "copied.journal")

    assert verify(Path(copied), public_key=key).sealed
    found = verify(path, public_key=key)
    assert found.ok, found.problems
    assert found.sealed
    assert (found.last, found.head.hex()) == (closing["data"]["entries"], closing["data"]["head"])
    rows = list(bodies(path))
    assert rows[0][0] == 1
    assert rows[0][1]["kind"] == "opened"
    inputs = [body for _, body in rows if body["kind"] in INPUT_KINDS]
    closed = inputs[-1]
    assert (closed["kind"], closed["by"], closed["reason"]) == ("closed", "the test", "done")
    assert any("thermostat" in each for each in closed["missing"])
    who = {body["verb"]: body["actor"] for body in inputs if body["kind"] == "command"}
    assert who["enter"] == "the apprentice"
    assert next(b for b in inputs if b["kind"] == "entered")["by"] == "the apprentice"
    assert [b["args"] for b in inputs if b["kind"] == "command" and not b.get("ok", True)][-1] == {"phase": "during"}


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ({"visit": "v1", "systems": [{"id": "main", "refrigerant": "R-999"}]}, "R-999"),
        ({"visit": "v1", "systems": [{"id": "attic"}]}, "nothing is remembered of 'attic'"),
        ({"visit": "v1", "systems": [{"id": "attic", "title": "x"}]}, "'refrigerant' is missing"),
        ({"visit": "v1", "systems": [{"id": "event", "refrigerant": "R-22"}]}, "another id"),
        (
            {"visit": "v1", "systems": [{"id": "x", "refrigerant": "R-22"}, {"id": "x", "refrigerant": "R-22"}]},
            "one id",
        ),
        ({"visit": "v1", "systems": [{"id": "x", "refrigerant": "R-22", "altitude_m": "high"}]}, "altitude_m"),
        ({"visit": "The Smith house", "systems": []}, "a-z"),
        ({"visit": "../v1", "systems": []}, "a-z"),
        ({"visit": "v1"}, "systems"),
        ({"visit": "v1", "systems": [], "force": True}, "force"),
    ],
)
async def test_a_visit_that_cannot_be_is_refused_with_a_sentence(
    tmp_path: Path, args: dict[str, object], words: str
) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        reply = await ear.command("visit-open", args)
        assert not reply["ok"]
        assert words in reply["text"]
        assert not list((tmp_path / "data" / "visits").iterdir())
        await opened(ear)  # and nothing stands in the way of a right one
        second = await ear.command("visit-open", {"visit": "v2", "systems": []})
        assert not second["ok"]
        assert "v1 is open; close it first" in second["text"]
        assert (await ear.command("force-close", OVER))["ok"]
        taken = await ear.command("visit-open", {"visit": "v1", "systems": []})
        assert not taken["ok"]
        assert "another name" in taken["text"]


async def answers(image: RegisterImage, count: int) -> None:
    """Wait until the instrument has answered so often: between visits no message on the broker tells of it."""
    async with asyncio.timeout(WAIT_S):
        while image.answered < count:
            await asyncio.sleep(0.01)


async def test_no_frame_is_lost_between_two_journals(tmp_path: Path) -> None:
    """The instrument counts its answers; the counts run on from journal to journal without a hole."""

    def count(image: RegisterImage) -> None:
        image.inputs[0] = image.answered % 5000

    image = gauges_image()
    image.before = count
    bus = plug(tmp_path / "bus", image)
    text = station_text(tmp_path / "data", gauges(bus.url), speed=100)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await ear.instrument("gauges", "linked")
        for visit in ("v1", "v2", "v3"):
            at = image.answered
            await opened(ear, visit)
            # beyond the answer of the command, so that frames lie on both sides of every change
            await answers(image, at + 5)
            await ear.command("force-close", OVER)
            await answers(image, image.answered + 5)
    bus.unplug()

    def counts(path: Path) -> list[int]:
        return [round(body["samples"][0][1] * 10) for _, body in bodies(path, "frame")]

    between = [value for path in station_journals(tmp_path / "data") for value in counts(path)]
    visits = [counts(visit_journal(tmp_path / "data", visit)) for visit in ("v1", "v2", "v3")]
    assert all(visits)
    everything = sorted(between + [value for each in visits for value in each])
    assert everything == list(range(everything[0], everything[-1] + 1))
    assert everything[-1] >= image.answered - 2  # all but what was on its way at the end
    for each in visits:  # each visit has one piece of the whole
        assert each == list(range(each[0], each[-1] + 1))
    for visit in ("v1", "v2", "v3"):
        rows = [body for _, body in bodies(visit_journal(tmp_path / "data", visit))]
        assert rows[0]["kind"] == "opened"
        # the present state is copied in before the first frame
        assert [b["kind"] for b in rows[:10] if b["kind"] == "instrument"]
        assert verify(visit_journal(tmp_path / "data", visit)).ok
    for path in station_journals(tmp_path / "data"):
        assert verify(path).ok


async def test_who_may_not_and_what_came_too_late_does_nothing(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)
        late = await ear.command("note", {"text": "too late"}, expires_s=-5)
        assert not late["ok"]
        assert "expired" in late["text"]
        unknown = await ear.command("explode")
        assert not unknown["ok"]
        assert "unknown verb" in unknown["text"]
        async with hearing(running, "watch") as watcher:
            assert watcher._client is not None
            body = '{"request": "sneaky", "expires": 4e9, "args": {"text": "sneaky"}}'
            await watcher._client.publish(f"{ear.base}/command/note", body, qos=1)
            # the next command by one who may is answered, the watcher's never was
            await ear.command("note", {"text": "by one who may"})
            assert not ear.on("reply/sneaky")
        assert running.broker is not None
        address = running.broker.address("watch")
        with pytest.raises(aiomqtt.MqttError):
            async with aiomqtt.Client(address.host, address.port):
                pass  # nobody comes in without a password
    texts = [body["text"] for _, body in bodies(visit_journal(tmp_path / "data", "v1"), "note")]
    assert [text for text in texts if not text.startswith("broker:")] == ["by one who may"]


async def test_retained_topics_of_the_last_visit_go_when_the_next_opens(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        await opened(ear)
        await ear.command("enter", {"point": "vapor_service_pressure", "value": "118 psig"})
        await ear.settled("v1", "at_rest", "vapor_service_pressure")
        await ear.until(lambda: ear.on("visit/v1/main/now"))
        await ear.command("force-close", OVER)
        await ear.until(lambda: ear.on("visit/v1")[-1].json["state"] == "closed")
        async with hearing(running, "watch") as late:  # who comes now still sees it
            await late.until_kept("visit/v1/main/at_rest/settled/vapor_service_pressure")
        await opened(ear, "v2")
        kept = {m.topic for m in ear.heard if m.payload and "/visit/v1" in m.topic and "/event/" not in m.topic}
        kept -= {t for t in kept if "/reading/" in t or "/derived/" in t or "/cue/" in t}
        assert any(topic.endswith("/now") for topic in kept)
        gone = lambda: {m.topic for m in ear.heard if not m.payload}  # noqa: E731
        await ear.until(lambda: gone() >= kept)
        async with hearing(running, "watch") as late:
            await late.until_kept("visit/v2")
            assert not [m for m in late.heard if "/visit/v1" in m.topic and m.payload]


async def _outage(running: Station) -> None:
    """Kill the broker's child and hold it down, until `up` is set."""
    assert running.broker is not None
    os.kill(running.broker.pid, signal.SIGKILL)
    async with asyncio.timeout(WAIT_S):
        while running.publisher.status.state == "connected":
            await asyncio.sleep(0.005)


async def test_events_of_a_visit_closed_in_an_outage_come_later_and_its_topics_still_go(tmp_path: Path) -> None:
    async with (
        station(tmp_path, station_text(tmp_path / "data")) as running,
        hearing(running, name="outside") as ear,
    ):
        assert running.broker is not None
        launch = running.broker._launch
        may_start = asyncio.Event()

        async def held_down() -> None:
            await may_start.wait()
            await launch()

        running.broker._launch = held_down  # type: ignore[method-assign]
        await opened(ear)
        await ear.command("force-phase", {"phase": "before", **OVER})
        await _outage(running)
        # in the outage the technician goes on; commands come over the broker, so the station is asked directly
        handle = running._commands.handle
        from lineset.contract import command as c

        async def ask(verb: str, args: object, **raw: object) -> c.Reply:
            return await handle(verb, args, c.Request(request=f"r-{verb}", expires=4e9, args=raw, actor="by hand"))  # type: ignore[arg-type]

        entered = c.Enter(point="vapor_service_pressure", value="118 psig")
        assert (await ask("enter", entered)).ok
        assert (await ask("force-close", c.ForceClose(**OVER))).ok
        assert (await ask("visit-open", c.VisitOpen(visit="v2", systems=[]))).ok
        assert not [m for m in ear.heard if "/settled/" in m.topic]
        since = len(ear.heard)
        may_start.set()
        await ear.settled("v1", "before", "vapor_service_pressure")
        await ear.until(lambda: any(m.json["event"] == "closed" for m in ear.on("visit/v1/event/closed", since)))
        # the earlier visit's events came whole and in order, and then its retained topics went
        topic = f"{ear.base}/visit/v1/main/before/settled/vapor_service_pressure"
        await ear.until(lambda: any(m.topic == topic and not m.payload for m in ear.heard))
        seqs = [m.json["seq"] for m in ear.events() if "/visit/v1/" in m.topic]
        assert sorted(set(seqs)) == list(dict.fromkeys(sorted(seqs)))
        kept = {
            seq for seq, _ in bodies(visit_journal(tmp_path / "data", "v1"), "closed", "entered", "settled", "phase")
        }
        assert kept <= set(seqs)
        async with hearing(running, "watch") as late:
            await late.until_kept("visit/v2")
            await asyncio.wait_for(running.publisher.states_said(), WAIT_S)
            assert not [m for m in late.heard if "/visit/v1" in m.topic and m.payload]
