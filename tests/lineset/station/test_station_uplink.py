"""A station and its shop: joined while it runs, its record sent, its topics taken back, nothing local delayed."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from claimed_port import free_port
from cli_process import said
from driver_peers import PtyPeer
from shop_by_hand import collecting, in_the_file, rows_by_hand
from station_rig import (
    OVER,
    WAIT_S,
    Ear,
    RegisterImage,
    gauges_image,
    hearing,
    instrument,
    listening,
    plug,
    station,
    station_text,
    visit_journal,
)

from lineset.cli.doctor_shop import way_to_the_shop
from lineset.contract.topic import Topics
from lineset.journal.reader import JournalReader
from lineset.journal.verify import verify
from lineset.station import uplinking
from lineset.station.daemon import Station
from lineset.station.uplink_status import read_status
from lineset.station.uplinking import FINAL
from lineset.stream import sending
from lineset.stream.broker import LocalBroker
from lineset.stream.sending import Pace

TOPICS = Topics("north", "van-3")


@pytest.fixture(autouse=True)
def _brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    """What takes seconds where a mobile network is between takes tenths here."""
    pace = Pace(quiet_s=0.3, quiet_most_s=0.6, wanted_s=0.1, slow_s=0.5)
    monkeypatch.setattr(sending, "Pace", lambda: pace)
    monkeypatch.setattr(uplinking, "_WATCH_S", 0.1)
    monkeypatch.setattr(uplinking, "_STOP_S", 0.5)


def restless(image: RegisterImage) -> None:
    image.inputs[0] = 1180 + 200 * (image.answered // 300 % 2)


@asynccontextmanager
async def shop_broker(folder: Path) -> AsyncIterator[LocalBroker]:
    """Any MQTT broker will do for a shop; here nats-server on loopback, where no encryption is demanded."""
    async with LocalBroker(folder / "shop", TOPICS, runtime=folder / "shop-run") as broker:
        yield broker


@pytest.fixture
async def bus(tmp_path: Path) -> AsyncIterator[PtyPeer]:
    image = gauges_image()
    image.before = restless
    peer = plug(tmp_path / "bus", image)
    yield peer
    peer.unplug()


def text_with_gauges(folder: Path, bus: PtyPeer, more: str = "") -> str:
    body = instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
    return station_text(folder / "data", body + more, speed=60)


def join_text(*urls: str, password: str, username: str = "station", name: str = "van-3", shop: str = "north") -> str:
    """A join file as a shop writes it; here by hand."""
    return (
        f'format = 1\nshop = "{shop}"\nstation = "{name}"\nurls = {json.dumps(list(urls))}\n'
        f'username = "{username}"\npassword = "{password}"\nca = ""\n'
    )


def put_join(folder: Path, text: str, *, mode: int = 0o600) -> Path:
    file = folder / "data" / "uplink.toml"
    scratch = folder / "new.join"
    scratch.write_text(text)
    scratch.chmod(mode)
    scratch.replace(file)
    return file


def joined(folder: Path, broker: LocalBroker) -> Path:
    address = broker.address()
    return put_join(folder, join_text(str(address), password=address.password))


async def until(enough: Callable[[], object], wait_s: float = WAIT_S) -> None:
    async with asyncio.timeout(wait_s):
        while not enough():
            await asyncio.sleep(0.01)


async def until_uplink(running: Station, state: str) -> None:
    await until(lambda: running.uplinking.uplink is not None and running.uplinking.uplink.status.state == state)


def blocks_of(path: Path) -> int:
    with JournalReader(path) as reader:
        last = reader.last_block()
    return last.n if last is not None else 0


def told(ear: Ear) -> str:
    """How the station says that its way to the shop stands."""
    said = ear.on("station")
    return str(said[-1].json.get("uplink", "")) if said else ""


def left(ear: Ear, visit: str) -> dict[str, bytes]:
    """What a broker would give to a late comer of a visit, by what was said retained: newest payloads, not empty."""
    newest = {m.topic: m.payload for m in ear.heard if f"/visit/{visit}" in m.topic and m.retained}
    return {topic: payload for topic, payload in newest.items() if payload}


async def test_a_station_joins_while_it_runs_and_its_visit_goes_whole(tmp_path: Path, bus: PtyPeer) -> None:
    async with (
        shop_broker(tmp_path) as shop,
        collecting(shop.address) as collector,
        listening(shop.address) as office,
        contextlib.AsyncExitStack() as stack,
    ):
        running = await stack.enter_async_context(station(tmp_path, text_with_gauges(tmp_path, bus)))
        hand = await stack.enter_async_context(hearing(running))
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        await hand.settled("v1", "at_rest", "vapor_service_pressure")
        joined(tmp_path, shop)
        # the office sees what the station says at home: retained states, record events, `now`
        await office.until(lambda: office.online)
        await office.settled("v1", "at_rest", "vapor_service_pressure")
        await office.until(lambda: office.on("visit/v1/main/now") and office.on("visit/v1/main/worklist"))
        await office.instrument("gauges", "linked")
        said = office.on("station")[-1].json
        assert said["public_key"] == running.key.public.hex()
        await hand.until(lambda: told(hand) == "The shop receives the record.")
        await collector.until(lambda: len(collector.visit("v1").data) > 5)
        assert (await hand.command("force-close", OVER))["ok"]
        path = visit_journal(tmp_path / "data", "v1")
        with JournalReader(path) as reader:
            identity = reader.identity
        await until(lambda: running.outbox.through(FINAL, identity))
        # a late comer finds nothing of the visit but its receipt
        async with listening(shop.address) as late:
            receipts = await late.until_kept("receipt/v1")
            await asyncio.sleep(0.2)
            assert left(late, "v1") == {}
            assert json.loads(receipts[-1].payload)["sealed"]
        counts = running.uplinking.counts
        assert counts.visits_finished == 1
        assert counts.last_receipt > 0
        await stack.aclose()
        # clean end: the office is told
        await office.until(lambda: office.on("station")[-1].json["online"] is False)
    assert rows_by_hand(collector.visit("v1").framed) == in_the_file(path)
    assert not path.with_name("v1.journal-wal").exists()


async def test_what_was_recorded_before_joining_goes_once_and_again_when_the_shop_lost_it(
    tmp_path: Path, bus: PtyPeer
) -> None:
    text = text_with_gauges(tmp_path, bus)
    visits = ("v1", "v2")
    async with shop_broker(tmp_path) as shop, collecting(shop.address) as collector:
        async with station(tmp_path, text) as running, hearing(running) as hand:
            for visit in visits:
                assert (await hand.command("visit-open", {"visit": visit, "systems": []}))["ok"]
                path = visit_journal(tmp_path / "data", visit)
                await until(lambda path=path: blocks_of(path) > 3)
                assert (await hand.command("force-close", OVER))["ok"]
        paths = {visit: visit_journal(tmp_path / "data", visit) for visit in visits}
        joined(tmp_path, shop)
        async with station(tmp_path, text) as running:
            await until(lambda: running.uplinking.counts.visits_finished == 2)
            await until(lambda: not running.uplinking._clearing)
        for visit in visits:
            assert rows_by_hand(collector.visit(visit).framed) == in_the_file(paths[visit])
            assert collector.visit(visit).seal is not None

        async with (
            station(tmp_path, text) as running,
            hearing(running) as hand,
            listening(shop.address) as office,
        ):
            await until_uplink(running, "connected")
            uplink = running.uplinking.uplink
            assert uplink is not None
            assert uplink.visits_waiting == 0
            assert running.uplinking.counts.blocks_sent == 0

            # the shop has come back from a backup in which neither visit is; the broker still has its old receipts
            collector.visits.clear()
            collector.mute = True
            before = len(office.heard)
            reply = await hand.command("resend", {"visits": ["v1", "v9"]})
            assert reply["ok"]
            assert reply["text"] == "1 visit goes to the shop again; no journal is here (any more) of v9"
            assert (reply["data"]["again"], reply["data"]["no_journal"]) == (["v1"], ["v9"])
            await collector.until(lambda: collector.visit("v1").arrived)
            joined(tmp_path, shop)  # a connection to which the broker says the old receipts again
            await until(lambda: running.uplinking.uplink not in (None, uplink))
            await until_uplink(running, "connected")
            arrived = len(collector.visit("v1").arrived)
            await collector.until(lambda: len(collector.visit("v1").arrived) > arrived)
            assert running.uplinking.uplink is not None
            assert running.uplinking.uplink.visits_waiting == 1
            collector.mute = False
            await until(lambda: running.uplinking.counts.visits_finished)
            assert collector.visit("v2").arrived == []
            # of the old visit the office hears its blocks and the receipts, and no state nor event
            of_it = {m.topic.partition("/visit/v1/")[2] for m in office.heard[before:] if "/visit/v1" in m.topic}
            assert {topic.partition("/")[0] for topic in of_it} == {"block"}
        assert rows_by_hand(collector.visit("v1").framed) == in_the_file(paths["v1"])
        assert collector.visit("v1").seal is not None

        # where no station runs the outbox's file is changed, and it goes when one does
        asked = ("shop", "resend", "--all", "--config", str(tmp_path / "station.toml"), "--json")
        code, out, _ = await said(*asked)
        assert (code, json.loads(out)["again"]) == (0, ["v1", "v2"])
        before = len(collector.visit("v1").arrived)
        async with station(tmp_path, text) as running:
            await until(lambda: running.uplinking.counts.visits_finished == 2)
            # and where one does, it is asked; never do two write the outbox
            code, out, _ = await said("shop", "resend", "v2", *asked[3:5], "--at", str(tmp_path / "run"))
            assert (code, out) == (0, "1 visit goes to the shop again")
            await until(lambda: running.uplinking.counts.visits_finished == 3)
        # the shop had v1 whole: it said so at the first block, and on a busy machine that may come twice before
        assert set(collector.visit("v1").arrived[before:]) == {1}
    assert rows_by_hand(collector.visit("v2").framed) == in_the_file(paths["v2"])


async def test_the_join_file_is_replaced_while_the_station_runs(tmp_path: Path, bus: PtyPeer) -> None:
    """First a wrong word, then the right one, then another broker, then none."""
    (tmp_path / "two").mkdir()
    async with (
        shop_broker(tmp_path) as shop,
        shop_broker(tmp_path / "two") as second,
        collecting(second.address) as collector,
        station(tmp_path, text_with_gauges(tmp_path, bus)) as running,
        hearing(running) as hand,
    ):
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        put_join(tmp_path, join_text(str(shop.address()), password="not-the-word"))
        await until_uplink(running, "refused")
        await hand.until(lambda: "refuses this station" in told(hand) and "waits here" in told(hand))
        joined(tmp_path, shop)
        await until_uplink(running, "connected")
        await until(lambda: running.uplinking.counts.blocks_sent > 3)  # nobody collects there
        # one node away, the other there: they are tried in turn
        away = f"mqtt://127.0.0.1:{free_port()}"
        address = second.address()
        file = put_join(tmp_path, join_text(away, str(address), password=address.password))
        await collector.until(lambda: len(collector.visit("v1").data) > 3)
        file.unlink()
        await hand.until(lambda: told(hand) == "")
        assert running.uplinking.uplink is None
        file = put_join(tmp_path, join_text(str(address), password=address.password))
        await hand.until(lambda: told(hand) == "The shop receives the record.")
        assert (await hand.command("force-close", OVER))["ok"]
        await until(lambda: running.uplinking.counts.visits_finished)
    path = visit_journal(tmp_path / "data", "v1")
    assert rows_by_hand(collector.visit("v1").framed) == in_the_file(path)


async def test_a_join_file_that_cannot_be_used_is_told_and_nothing_else_suffers(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as hand:
        for text, mode, words in (
            (join_text("mqtt://127.0.0.1:1", password="x", name="van-4"), 0o600, "for station 'van-4'"),
            (join_text("mqtt://127.0.0.1:1", password="x", shop="south"), 0o600, "for shop 'south'"),
            (join_text("mqtt://192.0.2.1", password="x"), 0o600, "not encrypted"),
            (join_text("mqtt://127.0.0.1:1", password="x"), 0o644, "chmod 600"),
            ("format = 2", 0o600, "update lineset"),
        ):
            put_join(tmp_path, text, mode=mode)
            await hand.until(lambda words=words: words in told(hand))
            assert running.uplinking.uplink is None
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]


async def test_a_shop_that_is_away_or_answers_nothing_delays_nothing(tmp_path: Path, bus: PtyPeer) -> None:
    """First nothing listens there, then something that never says a word: commands are done, readings settle, the
    visit is closed and the station ended at once, and the record waits."""
    silent: list[asyncio.StreamWriter] = []
    calls = asyncio.Event()

    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        silent.append(writer)
        calls.set()
        await reader.read()

    data = tmp_path / "data"
    async with station(tmp_path, text_with_gauges(tmp_path, bus)) as running, hearing(running) as hand:
        put_join(tmp_path, join_text(f"mqtt://127.0.0.1:{free_port()}", password="x"))
        await until_uplink(running, "unreachable")
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        await hand.settled("v1", "at_rest", "vapor_service_pressure")
        uplink = running.uplinking.uplink
        assert uplink is not None
        await until(lambda: uplink.blocks_waiting > 3)
        assert "waits here" in running.uplinking.sentence
        # `lineset doctor` reads it from the files alone
        await until(lambda: "no broker" in getattr(read_status(data), "link", ""))
        found = list(way_to_the_shop(running.config, data))
        assert [each.state for each in found] == ["mind"]
        assert "of 1 visit not yet receipted by shop north" in found[0].found
        assert "no broker can be reached" in found[0].found

        server = await asyncio.start_server(swallow, "127.0.0.1", 0)
        put_join(tmp_path, join_text(f"mqtt://127.0.0.1:{server.sockets[0].getsockname()[1]}", password="x"))
        await asyncio.wait_for(calls.wait(), WAIT_S)
        assert (await hand.command("force-close", OVER))["ok"]
        assert running.uplinking.uplink is not None
        assert not running.uplinking.uplink.connected
        began = time.monotonic()
    assert time.monotonic() - began < 10.0
    server.close()
    for writer in silent:
        writer.close()
    assert verify(visit_journal(data, "v1")).ok


async def test_a_problem_that_the_shop_tells_reaches_the_technician(tmp_path: Path, bus: PtyPeer) -> None:
    def refused(receipt: dict[str, object]) -> dict[str, object]:
        return receipt | {"blocks": 0, "through": 0, "head": "", "problem": "unknown", "words": "no such station"}

    async with (
        shop_broker(tmp_path) as shop,
        collecting(shop.address) as collector,
        station(tmp_path, text_with_gauges(tmp_path, bus)) as running,
        hearing(running) as hand,
    ):
        collector.twist = refused
        joined(tmp_path, shop)
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        await hand.until(lambda: "no such station" in told(hand))
        collector.twist = lambda receipt: receipt
        # over a new connection it is tried again at once
        joined(tmp_path, shop)
        await hand.until(lambda: told(hand) == "The shop receives the record.")
