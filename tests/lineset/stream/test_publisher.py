"""The publisher against real brokers: live values, states, the last will, events through outages."""

from __future__ import annotations

import asyncio
import gc
import itertools
import json
import os
import signal
import socket
import time
from collections.abc import Sequence
from typing import Any

import pytest

from lineset.contract import live
from lineset.contract.topic import Topics
from lineset.stream.address import BrokerAddress
from lineset.stream.events import EventRow
from lineset.stream.link import connect, disconnect, faithful
from lineset.stream.publisher import Publisher

WAIT_S = 60.0


def online() -> live.StationMessage:
    return live.StationMessage(t=1.0, online=True, version="0", station="van-3")


class Rows:
    """A journal in memory: rows, a pointer, and what was asked of it."""

    def __init__(self, topics: Topics, count: int = 0) -> None:
        self.topics = topics
        self.stored: list[EventRow] = []
        self.at = 0
        self.advanced: list[int] = []
        self.add(count)

    def add(self, count: int) -> None:
        for seq in range(len(self.stored) + 1, len(self.stored) + count + 1):
            topic = self.topics.settled("v1", "s1", "before", f"name_{seq}")
            self.stored.append(EventRow(seq, topic, json.dumps({"seq": seq, "v": seq * 1.5}).encode(), True))

    async def rows(self, after: int, limit: int) -> Sequence[EventRow]:
        return [row for row in self.stored if row.seq > after][:limit]

    async def pointer(self) -> int:
        return self.at

    async def advance(self, seq: int) -> None:
        assert seq > self.at
        self.at = seq
        self.advanced.append(seq)


async def test_a_live_value_arrives_and_the_late_comer_gets_now(broker: Any, ear: Any, running: Any) -> None:
    topics = broker.topics
    now = topics.now("v1", "s1")
    publisher = Publisher(broker.address(), topics, online=online, now=lambda: [(now, b'{"readings":{}}')])
    reading = topics.reading("v1", "s1", "heat_strip_current.2")
    async with ear(broker.address("watch"), topics.everything) as early, running(publisher.run()):
        await asyncio.wait_for(publisher.link.connected.wait(), WAIT_S)
        publisher.live(reading, b'{"v":1}')
        await early.until(lambda heard: any(topic == reading for topic, _, _ in heard))
        await early.until(lambda heard: sum(topic == now for topic, _, _ in heard) >= 1)
        for _ in range(5):  # it is replaced once a second, and who comes at that very moment may not hear the kept one
            async with ear(broker.address("watch"), now) as late:
                await late.until(lambda heard: bool(heard))
            if late.heard[0][2]:
                break
        assert late.heard[0] == (now, b'{"readings":{}}', True)
    assert publisher.sent_live == 1


async def test_live_values_are_conflated_to_the_rate_and_the_newest_wins(broker: Any, ear: Any, running: Any) -> None:
    topics = broker.topics
    publisher = Publisher(broker.address(), topics, online=online, live_hz=10.0)
    one, two = topics.derived("v1", "s1", "superheat"), topics.derived("v1", "s1", "subcooling")
    asked = 0

    def lazily() -> bytes:
        nonlocal asked
        asked += 1
        return b"lazy"

    async with ear(broker.address("watch"), topics.everything) as e, running(publisher.run()):
        await asyncio.wait_for(publisher.link.connected.wait(), WAIT_S)
        for n in range(500):
            publisher.live(one, str(n).encode())
            publisher.live(two, lazily)
        await e.until(lambda heard: (one, b"499", False) in heard and sum(t == two for t, _, _ in heard) == 2)
    assert e.on(one) == [b"0", b"499"]
    assert asked == 2
    assert publisher.conflated == 2 * 498


async def test_rate_all_sends_each_in_order(broker: Any, ear: Any, running: Any) -> None:
    topics = broker.topics
    publisher = Publisher(broker.address(), topics, online=online, live_hz=None)
    one = topics.reading("v1", "s1", "power")
    async with ear(broker.address("watch"), topics.everything) as e, running(publisher.run()):
        await asyncio.wait_for(publisher.link.connected.wait(), WAIT_S)
        for n in range(300):
            publisher.live(one, str(n).encode())
        await e.until(lambda heard: (one, b"299", False) in heard)
    assert e.on(one) == [str(n).encode() for n in range(300)]


async def test_live_values_of_an_outage_are_dropped_and_counted(broker: Any) -> None:
    publisher = Publisher(broker.address(), broker.topics, online=online)
    for _ in range(10):
        publisher.live(broker.topics.reading("v1", "s1", "power"), b"1")
    assert (publisher.dropped_live, publisher.sent_live) == (10, 0)


async def test_a_state_is_retained_and_said_again_after_an_outage(broker: Any, ear: Any, running: Any) -> None:
    topics = broker.topics
    publisher = Publisher(broker.address(), topics, online=online)
    visit, gone = topics.visit("v1"), topics.visit("v0")
    async with running(publisher.run()):
        publisher.state(visit, b"first")
        publisher.state(gone, b"old")
        await asyncio.wait_for(publisher.states_said(), WAIT_S)
        publisher.state(visit, b"second")
        publisher.state(gone, b"")
        await asyncio.wait_for(publisher.states_said(), WAIT_S)
        await broker.kill()
        await broker.up()
        publisher.link.retry_now()
        while publisher.link.connections < 2:
            await asyncio.sleep(0.01)
        publisher.state(topics.instrument("clamp-1"), b"after")
        await asyncio.wait_for(publisher.states_said(), WAIT_S)
        async with ear(broker.address("watch"), topics.everything) as late:
            kept = {(visit, b"second"), (topics.instrument("clamp-1"), b"after")}
            await late.until(lambda heard: kept <= {(t, p) for t, p, _ in heard})
            assert {(t, p) for t, p, _ in late.heard if t != topics.station()} == kept


async def test_offline_is_said_on_a_clean_end_and_by_the_will_otherwise(broker: Any, ear: Any, running: Any) -> None:
    topics = broker.topics
    async with ear(broker.address("watch"), topics.station()) as e:
        publisher = Publisher(broker.address(), topics, online=online)
        async with running(publisher.run()):
            await asyncio.wait_for(publisher.states_said(), WAIT_S)
        await e.until(lambda heard: len(heard) >= 2)
        publisher = Publisher(broker.address(), topics, online=online)
        async with running(publisher.run()):
            await asyncio.wait_for(publisher.states_said(), WAIT_S)
            paho = publisher.link._paho
            assert paho is not None
            paho.socket().shutdown(2)  # the wire is cut: no DISCONNECT is said
            await e.until(lambda heard: any(b"lost" in payload for _, payload, _ in heard))
    said = [json.loads(payload) for payload in e.on(topics.station())]
    assert [m["online"] for m in said[:4]] == [True, False, True, False]
    assert "stopped" in said[1]["reason"]
    assert "lost" in said[3]["reason"]


async def test_events_leave_in_order_and_move_the_pointer(broker: Any, ear: Any, running: Any) -> None:
    rows = Rows(broker.topics, 700)
    rows.at = 100
    publisher = Publisher(broker.address(), broker.topics, online=online)
    publisher.attach(rows)
    async with (
        ear(broker.address("watch"), f"{broker.topics.base}/visit/#") as e,
        running(publisher.run()),
    ):
        await asyncio.wait_for(publisher.drained(rows), WAIT_S)
        rows.add(1)
        publisher.wake()
        await asyncio.wait_for(publisher.drained(rows), WAIT_S)
        await e.until(lambda heard: len(heard) >= 601)
    assert [json.loads(payload)["seq"] for _, payload, _ in e.heard] == list(range(101, 702))
    assert rows.at == 701


async def test_events_resume_after_the_broker_was_killed(broker: Any, ear: Any, running: Any) -> None:
    """No gap, order kept, and a seq that comes twice comes with the same bytes."""
    rows = Rows(broker.topics)
    publisher = Publisher(broker.address(), broker.topics, online=online)
    publisher.attach(rows)
    heard: list[tuple[str, bytes, bool]] = []
    everything = f"{broker.topics.base}/visit/#"
    async with running(publisher.run()):
        for _ in range(3):
            async with ear(broker.address("watch"), everything) as e:
                rows.add(800)
                publisher.wake()
                await e.until(lambda heard: len(heard) > 30)
                await broker.kill()  # in the middle of a window
                heard += e.heard
            await broker.up()
            publisher.link.retry_now()
        async with ear(broker.address("watch"), everything) as e:
            await asyncio.wait_for(publisher.drained(rows), 60)
            await e.until(lambda heard: any(json.loads(p)["seq"] == 2400 for _, p, _ in heard))
            heard += e.heard
    assert rows.at == 2400
    assert rows.advanced == sorted(set(rows.advanced))
    bytes_of: dict[int, bytes] = {}
    for _, payload, _ in heard:
        assert bytes_of.setdefault(json.loads(payload)["seq"], payload) == payload
    # retained, so what was said while this listener was away is still there: no event is missing
    assert sorted(bytes_of) == list(range(1, 2401))


async def test_the_very_bytes_on_their_way_are_sent_again(broker: Any, ear: Any, running: Any) -> None:
    """Even a source that (against its promise) renders an entry anew cannot bring two contents under one seq."""

    class Fickle(Rows):
        async def rows(self, after: int, limit: int) -> Sequence[EventRow]:
            found = await super().rows(after, limit)
            return [row._replace(payload=b"%d at %d" % (row.seq, time.monotonic_ns())) for row in found]

    rows = Fickle(broker.topics, 1200)
    publisher = Publisher(broker.address(), broker.topics, online=online)
    publisher.attach(rows)
    everything = f"{broker.topics.base}/visit/#"
    heard: list[tuple[str, bytes, bool]] = []
    async with running(publisher.run()):
        async with ear(broker.address("watch"), everything) as e:
            await e.until(lambda heard: len(heard) > 30)
            await broker.kill()
            heard += e.heard
        await broker.up()
        publisher.link.retry_now()
        async with ear(broker.address("watch"), everything) as e:
            await asyncio.wait_for(publisher.drained(rows), 60)
            await e.until(lambda heard: any(p.startswith(b"1200 ") for _, p, _ in heard))
            heard += e.heard
    assert publisher.events.sent_again > 0
    contents: dict[bytes, set[bytes]] = {}
    for _, payload, _ in heard:
        contents.setdefault(payload.split()[0], set()).add(payload)
    assert {len(found) for found in contents.values()} == {1}


async def test_a_journal_that_cannot_be_read_does_not_end_live_values(broker: Any, ear: Any, running: Any) -> None:
    class Broken(Rows):
        fails = 1

        async def rows(self, after: int, limit: int) -> Sequence[EventRow]:
            if self.fails:
                self.fails -= 1
                raise OSError("disk unplugged")
            return await super().rows(after, limit)

    rows = Broken(broker.topics, 1)
    publisher = Publisher(broker.address(), broker.topics, online=online)
    publisher.attach(rows)
    reading = broker.topics.reading("v1", "s1", "power")
    async with ear(broker.address("watch"), broker.topics.everything) as e, running(publisher.run()):
        await asyncio.wait_for(publisher.link.connected.wait(), WAIT_S)
        publisher.live(reading, b"1")
        await e.until(lambda heard: any(topic == reading for topic, _, _ in heard))
        await asyncio.wait_for(publisher.drained(rows), WAIT_S)
    assert rows.at == 1
    assert publisher.link.connections == 1


async def test_a_wrong_password_and_a_dead_port_are_said_in_a_sentence(broker: Any, running: Any) -> None:
    said: asyncio.Queue[Any] = asyncio.Queue()
    right = broker.address()
    wrong = BrokerAddress(right.host, right.port, "station", "not-it")
    publisher = Publisher(wrong, broker.topics, online=online, on_status=said.put_nowait)
    async with running(publisher.run()):
        status = await asyncio.wait_for(said.get(), WAIT_S)
    assert status.state == "refused"
    assert "refused the user name or password of 'station'" in status.sentence
    assert "not-it" not in status.sentence + repr(wrong)
    await broker.kill()
    if hasattr(broker, "local"):
        await broker.local.stop()
    said = asyncio.Queue()  # a new one: the first may have said more at its end
    publisher = Publisher(right, broker.topics, online=online, on_status=said.put_nowait)
    async with running(publisher.run()):
        status = await asyncio.wait_for(said.get(), WAIT_S)
    assert status.state == "unreachable"
    assert f"mqtt://127.0.0.1:{right.port}: no broker can be reached" in status.sentence


async def test_a_broker_that_does_not_keep_up_costs_live_values_and_no_memory(local: Any, running: Any) -> None:
    publisher = Publisher(local.address(), local.topics, online=online, live_hz=None)
    reading, payload = local.topics.reading("v1", "s1", "power"), b"x" * 4000
    async with running(publisher.run()):
        await asyncio.wait_for(publisher.states_said(), WAIT_S)
        os.kill(local.pid, signal.SIGSTOP)
        for _ in range(100):
            for _ in range(200):
                publisher.live(reading, payload)
            await asyncio.sleep(0)
        stuck = publisher.sent_live
        assert stuck + publisher.dropped_live == 20_000
        assert stuck < 10_000  # what the sockets and a bounded queue take
        os.kill(local.pid, signal.SIGCONT)
        async with asyncio.timeout(WAIT_S):
            while publisher.sent_live == stuck:  # it is used again once it has caught up
                publisher.live(reading, payload)
                await asyncio.sleep(0.01)
    assert publisher.link.connections == 1


async def test_cancelling_ends_at_any_moment(local: Any) -> None:
    """A cancellation that comes together with an acknowledgement, a connection or a loss is never lost."""
    rows = Rows(local.topics, 50_000)
    for turn in range(60):
        publisher = Publisher(local.address(), local.topics, online=online)
        publisher.attach(rows)
        task = asyncio.create_task(publisher.run())
        for _ in range(turn * 4):
            await asyncio.sleep(0)
        if turn % 3 == 0 and publisher.link._paho is not None:
            publisher.link._paho.socket().shutdown(2)
            for _ in range(turn // 9):
                await asyncio.sleep(0)
        task.cancel()
        done, _ = await asyncio.wait({task}, timeout=WAIT_S)
        assert done, f"still running after a cancellation, turn {turn}"
        assert task.cancelled()


@pytest.mark.parametrize("hertz", [0.5, 2.0])
def test_the_conflator_keeps_its_rate(hertz: float) -> None:
    from lineset.stream.conflate import Conflator

    conflator = Conflator(1 / hertz)
    sent: list[float] = []
    for step in range(1000):  # 100 Hz for ten seconds
        now = step / 100
        if conflator.offer("t", b"x", now):
            sent.append(now)
        sent += [now for _ in conflator.release(now)]
    assert len(sent) == pytest.approx(10 * hertz, abs=1)
    assert min(b - a for a, b in itertools.pairwise(sent)) >= 1 / hertz - 1e-9


async def test_a_cancellation_that_comes_with_the_result_is_kept() -> None:
    """Before Python 3.12 `asyncio.wait_for` swallows it, and the library beneath publishes through that."""

    async def publish_then_wait(acknowledged: asyncio.Future[None]) -> None:
        await faithful(asyncio.wait_for(acknowledged, 60))
        await asyncio.Event().wait()

    acknowledged: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(publish_then_wait(acknowledged))
    await asyncio.sleep(0)
    acknowledged.set_result(None)
    task.cancel()
    await asyncio.wait({task}, timeout=5)
    assert task.cancelled()


async def test_no_message_is_held_back_until_the_broker_acknowledges_the_one_before(broker: Any) -> None:
    client = await connect(broker.address(), "at-once")
    wire = client._client.socket()
    assert isinstance(wire, socket.socket)
    assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    await disconnect(client)


async def test_a_loss_that_nobody_read_of_leaves_no_error_behind(broker: Any) -> None:
    """asyncio complains of an error that nobody looked at; the connection may be lost while nobody reads messages."""
    complaints: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: complaints.append(context))
    client = await connect(broker.address(), "unread")
    await broker.kill()
    async with asyncio.timeout(WAIT_S):
        while not client._disconnected.done():
            await asyncio.sleep(0.005)
    await disconnect(client)
    del client
    gc.collect()
    assert complaints == []
