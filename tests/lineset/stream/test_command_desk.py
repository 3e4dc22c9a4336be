"""Commands over real brokers: answered, refused, done once."""

from __future__ import annotations

import asyncio
import json
import re
import time
from typing import Any

import aiomqtt
import msgspec
import pytest

from lineset.contract.command import Enter, ForceClose, Note, Reply, Request
from lineset.contract.live import StationMessage
from lineset.stream.address import BrokerAddress
from lineset.stream.ask import ask, listen
from lineset.stream.command import MAX_AHEAD_S, CommandDesk, CommandRefused
from lineset.stream.errors import NoAnswer, RefusedByBroker, StationOffline, Unreachable
from lineset.stream.publisher import Publisher

WAIT_S = 60.0


class Station:
    """A station that only takes notes."""

    def __init__(self, broker: Any) -> None:
        self.notes: list[tuple[str, str]] = []
        self.forced: list[tuple[str, str]] = []
        self.publisher = Publisher(
            broker.address(), broker.topics, online=lambda: StationMessage(t=1.0, online=True, station="van-3")
        )
        self.desk = CommandDesk(self.publisher.link, broker.topics, self.handle)

    async def handle(self, verb: str, args: msgspec.Struct, request: Request) -> Reply:
        if isinstance(args, Enter):
            raise CommandRefused("no point is called 'nose'")
        if verb == "phase":
            raise RuntimeError("a fault of ours")
        if isinstance(args, ForceClose):
            self.forced.append((args.reason, request.actor))
            return Reply(request="", verb="", ok=True, text="closed")
        assert isinstance(args, Note)
        self.notes.append((args.text, request.actor))
        return Reply(request="", verb="", ok=True, text=f"noted as number {len(self.notes)}")

    async def run(self) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(self.publisher.run())
            group.create_task(self.desk.run())


@pytest.fixture
async def station(broker: Any, running: Any) -> Any:
    station = Station(broker)
    async with running(station.run()):
        await asyncio.wait_for(station.publisher.states_said(), WAIT_S)
        yield station


async def raw(address: BrokerAddress, topic: str, payload: bytes, *, retain: bool = False) -> None:
    """Publish as any script would."""
    async with aiomqtt.Client(
        address.host, address.port, username=address.username, password=address.password
    ) as client:
        await client.publish(topic, payload, qos=1, retain=retain)


async def test_a_command_is_done_and_answered(broker: Any, station: Station) -> None:
    reply = await ask(broker.address("command"), broker.topics, "note", Note(text="coil is wet"), actor="apprentice")
    assert (reply.ok, reply.verb, reply.duplicate) == (True, "note", False)
    assert reply.text == "noted as number 1"
    assert station.notes == [("coil is wet", "apprentice")]


async def test_the_same_request_is_answered_alike_and_done_once(broker: Any, station: Station) -> None:
    address = broker.address("command")
    first = await ask(address, broker.topics, "note", {"text": "once"}, request="button-7")
    again = await ask(address, broker.topics, "note", {"text": "once"}, request="button-7")
    assert again == msgspec.structs.replace(first, duplicate=True)
    assert station.notes == [("once", "")]
    other = await ask(address, broker.topics, "note", {"text": "another"}, request="button-7")
    assert not other.ok
    assert "used for another command" in other.text
    assert station.notes == [("once", "")]


async def test_a_command_of_an_earlier_run_is_recalled(broker: Any, station: Station) -> None:
    told = Reply(request="r-1", verb="note", ok=True, text="noted before the restart")
    station.desk.recall(Request(request="r-1", expires=time.time() + 60, args={"text": "x"}), "note", told)
    reply = await ask(broker.address("command"), broker.topics, "note", {"text": "x"}, request="r-1")
    assert reply == msgspec.structs.replace(told, duplicate=True)
    assert station.notes == []


@pytest.mark.parametrize(
    ("verb", "args", "text"),
    [
        ("explode", {}, "unknown verb 'explode'; known are amend, answer, blob, cues, declare, enter"),
        ("note", {}, "missing required field `text`"),
        ("note", {"text": "x", "volume": 11}, "volume"),
        ("enter", {"point": "nose", "value": "1 V"}, "no point is called 'nose'"),
        ("phase", {"phase": "before"}, "the station failed on this command; its log says why"),
    ],
)
async def test_a_refusal_is_a_sentence(local: Any, running: Any, verb: str, args: dict[str, object], text: str) -> None:
    station = Station(local)
    async with running(station.run()):
        await asyncio.wait_for(station.publisher.states_said(), WAIT_S)
        reply = await ask(local.address("command"), local.topics, verb, args)
        assert not reply.ok
        assert text in reply.text
        assert (await ask(local.address("command"), local.topics, "note", {"text": "still there"})).ok


async def test_malformed_expired_and_retained_requests_are_refused(broker: Any, station: Station, ear: Any) -> None:
    topics, address = broker.topics, broker.address("command")
    note = topics.command("note")
    now = time.time()

    def body(name: str, expires: float = now + 60) -> bytes:
        return json.dumps({"request": name, "expires": expires, "args": {"text": name}}).encode()

    async with ear(broker.address("watch"), topics.reply("x").replace("/x", "/#")) as e:
        await raw(address, note, b"\xff{not json")
        await raw(address, note, b'{"request": "Bad/Id", "expires": 1}')
        await raw(address, note, b'{"request": "no-expiry"}')
        await raw(address, note, body("late", time.time() - 5))
        await raw(address, note, body("far", now + MAX_AHEAD_S + 60))
        await raw(address, note, b"[" * 100_000)
        await raw(address, note, body("fine"))
        await e.until(lambda heard: len(heard) >= 4)
        replies = {r.request: r for r in (msgspec.json.decode(p, type=Reply) for _, p, _ in e.heard)}
    assert set(replies) == {"no-expiry", "late", "far", "fine"}
    assert replies["fine"].ok
    assert "missing required field `expires`" in replies["no-expiry"].text
    ago = re.search(r"expired (\d+) s ago", replies["late"].text)
    assert ago is not None
    assert 5 <= int(ago[1]) < 5 + WAIT_S  # more where the machine is busy
    assert "3600 s from now" in replies["far"].text
    assert station.notes == [("fine", "")]
    assert station.desk.refused == 6


async def test_a_retained_command_is_not_obeyed_at_the_next_start(broker: Any, running: Any) -> None:
    body = json.dumps({"request": "ghost", "expires": time.time() + 600, "args": {"text": "boo"}}).encode()
    await raw(broker.address("command"), broker.topics.command("note"), body, retain=True)
    station = Station(broker)
    async with running(station.run()):
        assert (await ask(broker.address("command"), broker.topics, "note", {"text": "real"})).ok
    assert station.notes == [("real", "")]
    assert station.desk.refused == 1


async def test_who_only_watches_cannot_command(broker: Any, station: Station) -> None:
    with pytest.raises(NoAnswer, match="'watch' may not give commands"):
        await ask(broker.address("watch"), broker.topics, "note", {"text": "let me"}, timeout_s=0.7)
    assert station.notes == []
    assert station.desk.refused == 0


async def test_the_role_command_cannot_speak_for_the_station(broker: Any, station: Station, ear: Any) -> None:
    topics = broker.topics
    forged = topics.settled("v1", "s1", "before", "superheat")
    async with ear(broker.address("watch"), topics.everything) as e:
        await raw(broker.address("command"), forged, b"{}")
        await raw(broker.address("command"), topics.station(), b"{}")
        assert (await ask(broker.address("command"), topics, "note", {"text": "after"})).ok
        await e.until(lambda heard: any(t.startswith(f"{topics.base}/reply/") for t, _, _ in heard))
    assert e.on(forged) == []
    assert b"{}" not in e.on(topics.station())


async def test_only_the_technicians_role_may_force(broker: Any, station: Station) -> None:
    with pytest.raises(NoAnswer):
        await ask(broker.address("command"), broker.topics, "force-close", {"reason": "let me"}, timeout_s=0.7)
    with pytest.raises(NoAnswer):
        await ask(broker.address("watch"), broker.topics, "force-phase", {"phase": "x", "reason": "y"}, timeout_s=0.7)
    assert station.forced == []
    reply = await ask(broker.address("technician"), broker.topics, "force-close", {"reason": "rain"}, actor="ann")
    assert reply.ok
    assert station.forced == [("rain", "ann")]
    assert (await ask(broker.address("command"), broker.topics, "note", {"text": "still let in"})).ok


async def test_asking_says_why_there_is_no_reply(broker: Any, running: Any) -> None:
    right = broker.address("command")
    with pytest.raises(NoAnswer, match=r"no station 'van-3' of shop 'north-shop' has spoken .* within 0\.5 s"):
        await ask(right, broker.topics, "note", {"text": "x"}, timeout_s=0.5)
    station = Station(broker)
    async with running(station.run()):
        await asyncio.wait_for(station.publisher.states_said(), WAIT_S)
    with pytest.raises(StationOffline, match=r"is offline \(the station was stopped\); start it"):
        await ask(right, broker.topics, "note", {"text": "x"})
    with pytest.raises(RefusedByBroker, match="refused the user name or password of 'command'"):
        await ask(BrokerAddress(right.host, right.port, "command", "no"), broker.topics, "note", {"text": "x"})
    with pytest.raises(Unreachable, match="no broker can be reached"):
        await ask(BrokerAddress("127.0.0.1", 1, "command", "no"), broker.topics, "note", {"text": "x"})


async def test_listening_goes_on_over_a_loss(broker: Any, station: Station) -> None:
    topics = broker.topics
    heard = listen(broker.address("watch"), topics.everything)
    assert (await asyncio.wait_for(anext(heard), WAIT_S)).topic == topics.station()
    await broker.kill()
    await broker.up()
    station.publisher.link.retry_now()
    while True:  # the retained state, or the one said anew
        message = await asyncio.wait_for(anext(heard), WAIT_S)
        if message.topic == topics.station() and b'"online":true' in message.payload:
            break
    await heard.aclose()
