"""The uplink against real brokers and a collector written by hand: all arrives, receipts alone move the marker."""

from __future__ import annotations

import asyncio
import contextlib
import random
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from claimed_port import free_port
from shop_by_hand import HandCollector, collecting, in_the_file, make_journal, more_rows, rows_by_hand

from lineset.contract.live import StationMessage
from lineset.contract.topic import Topics
from lineset.journal.block import BlockRule
from lineset.journal.file import JournalFile
from lineset.journal.outbox import Outbox
from lineset.journal.reader import JournalReader
from lineset.journal.seal import StationKey
from lineset.stream import block_message
from lineset.stream.address import BrokerAddress
from lineset.stream.broker import LocalBroker
from lineset.stream.sending import Pace
from lineset.stream.uplink import SHOP, Uplink

WAIT_S = 60.0
TOPICS = Topics("north", "van-3")
ONLINE = StationMessage(t=0.0, online=True, station="van-3")
BRISK = Pace(quiet_s=0.3, quiet_most_s=0.6, wanted_s=0.1, slow_s=0.4)


@pytest.fixture
def topics() -> Topics:
    return TOPICS


@asynccontextmanager
async def uplink(
    address: BrokerAddress | Callable[[], BrokerAddress], outbox: Outbox, *paths: Path, pace: Pace = BRISK
) -> AsyncIterator[Uplink]:
    one = Uplink(address, TOPICS, outbox, online=lambda: StationMessage(t=0.0, online=True, station="van-3"), pace=pace)
    for made, path in enumerate(paths):
        one.add(path.stem, path, made)
    task = asyncio.create_task(one.run())
    try:
        yield one
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def until(enough: Callable[[], object]) -> None:
    async with asyncio.timeout(WAIT_S):
        while not enough():
            await asyncio.sleep(0.005)


def marker(outbox: Outbox, path: Path) -> int:
    with JournalReader(path) as reader:
        return outbox.through(SHOP, reader.identity)


def last(path: Path) -> int:
    with JournalReader(path) as reader:
        return reader.last_seq()


def arrived_whole(collector: HandCollector, path: Path) -> None:
    """What the shop has is the journal, byte for byte, by the hand-made reading of both."""
    stored = collector.visit(path.stem)
    assert rows_by_hand(stored.framed) == in_the_file(path)
    with JournalReader(path) as reader:
        assert stored.journal == reader.identity
        assert stored.meta == reader.meta
        assert list(stored.heads) == [block.hash.hex() for block in reader.blocks()]


# ------------------------------------------------------------------------------------------------------- the whole way


async def test_visits_arrive_byte_for_byte_in_order_of_age(local: LocalBroker, tmp_path: Path) -> None:
    paths = [make_journal(tmp_path / "visits", f"v{n}", 4, gap=n == 2) for n in range(1, 7)]
    outbox = Outbox(tmp_path / "outbox")
    finished: list[str] = []
    async with collecting(local.address) as collector, uplink(local.address(), outbox, *paths, pace=Pace()) as up:
        up._on_final = lambda visit, path, identity: finished.append(visit)
        await until(lambda: not up.visits_waiting)
    for path in paths:
        arrived_whole(collector, path)
        assert marker(outbox, path) == last(path)
        assert collector.visit(path.stem).arrived == list(range(1, 5))  # each once
    assert sorted(finished) == [f"v{n}" for n in range(1, 7)]
    assert (up.counts.blocks_sent, up.counts.blocks_sent_again, up.counts.visits_finished) == (24, 0, 6)
    assert (up.problem, up.blocks_waiting) == ("", 0)
    # the seal as a stranger finds it
    with JournalReader(paths[0]) as reader:
        seal = reader.seal()
    assert seal is not None
    said = collector.visit("v1").seal
    assert said is not None
    assert (said["blocks"], said["rows"], said["last"]) == (4, 40, 40)
    assert said.keys() == {"blocks", "rows", "gaps", "first", "last", "t", "head", "public_key", "signature"}


async def test_the_open_visit_goes_as_it_grows_and_the_seal_in_the_end(local: LocalBroker, tmp_path: Path) -> None:
    path = make_journal(tmp_path, "v1", 2, sealed=False)
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector, uplink(local.address(), outbox, path) as up:
        await until(lambda: marker(outbox, path) == 20)
        with JournalFile.open(path, rule=BlockRule(rows=10, span=10**18)) as journal:
            more_rows(journal, 25)
            up.poke()
            await until(lambda: marker(outbox, path) == 40)
            assert up.blocks_waiting == 0  # the rest is in no closed block yet
            await up.hold("v1")
            journal.put_seal(StationKey.load_or_generate(tmp_path / "key"), 99)
        assert not path.with_name("v1.journal-wal").exists()  # nobody read it meanwhile
        up.release("v1")
        await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)
    assert marker(outbox, path) == 45


async def test_a_block_that_went_without_its_seal_comes_again_with_it(local: LocalBroker, tmp_path: Path) -> None:
    path = make_journal(tmp_path, "v1", 2, sealed=False)
    async with (
        collecting(local.address) as collector,
        uplink(local.address(), Outbox(tmp_path / "outbox"), path, pace=Pace()) as up,
    ):
        await collector.until(lambda: len(collector.visit("v1").data) == 2)
        with JournalFile.open(path) as journal:
            journal.put_seal(StationKey.load_or_generate(tmp_path / "key"), 99)
        up.poke()
        await until(lambda: not up.visits_waiting)
    assert collector.visit("v1").arrived == [1, 2, 2]


async def test_a_photo_of_some_megabytes_goes_in_parts(local: LocalBroker, tmp_path: Path) -> None:
    photo = random.Random(1).randbytes(2 * 1024 * 1024)  # no compression helps
    path = make_journal(tmp_path, "v1", 4, big=photo)
    async with collecting(local.address) as collector, uplink(local.address(), Outbox(tmp_path / "outbox"), path) as up:
        lost = {1: False}

        def lose(visit: str, n: int, part: int) -> bool:
            """One part of the photo, the first time."""
            if n == 2 and part == 5 and not lost[1]:
                lost[1] = True
                return True
            return False

        collector.lose = lose
        await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)
    assert lost[1]
    assert photo in collector.visit("v1").framed
    assert collector.messages >= 20  # 16 parts of 128 KiB, three more blocks, and the lost part once more
    assert collector.bytes_most < 200_000


# ----------------------------------------------------------------------------------------------------- what goes wrong


async def test_a_killed_broker_costs_nothing(broker: Any, tmp_path: Path) -> None:
    """nats-server and mosquitto, killed outright again and again while blocks travel."""
    broker.topics = TOPICS
    path = make_journal(tmp_path / "visits", "v1", 100)
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(broker.address) as collector, uplink(broker.address, outbox, path) as up:
        for blocks in (10, 50) if hasattr(broker, "local") else (30,):  # mosquitto comes up slowly
            await collector.until(lambda blocks=blocks: len(collector.visit("v1").data) >= blocks)
            await broker.kill()
            assert marker(outbox, path) <= 10 * len(collector.visit("v1").data)
            await broker.up()
        await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)
    assert marker(outbox, path) == 1000


async def test_without_receipts_the_marker_stays_and_little_is_sent_again(local: LocalBroker, tmp_path: Path) -> None:
    path = make_journal(tmp_path, "v1", 40)
    outbox = Outbox(tmp_path / "outbox")
    pace = Pace(blocks=16, quiet_s=0.3, quiet_most_s=0.3)
    async with collecting(local.address) as collector, uplink(local.address(), outbox, path, pace=pace) as up:
        collector.mute = True
        await collector.until(lambda: collector.visit("v1").arrived.count(1) >= 3)
        assert marker(outbox, path) == 0
        arrived = collector.visit("v1").arrived
        # a window, and not more; then one block, now and then (on a busy machine before all of the window has come)
        assert [n for n in arrived if n != 1] == list(range(2, 17))
        collector.mute = False
        await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)


async def test_lost_blocks_are_sent_again_when_they_are_wanted(local: LocalBroker, tmp_path: Path) -> None:
    path = make_journal(tmp_path, "v1", 30)
    lost = set(random.Random(3).sample(range(1, 30), 8))
    pace = Pace(quiet_s=60.0, wanted_s=0.05)  # silence would not bring them in time
    async with (
        collecting(local.address) as collector,
        uplink(local.address(), Outbox(tmp_path / "outbox"), path, pace=pace) as up,
    ):

        def lose(visit: str, n: int, part: int) -> bool:
            if n not in lost:
                return False
            lost.discard(n)  # the first time only
            return True

        collector.lose = lose
        await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)
    assert up.counts.blocks_sent_again > 0


async def test_what_the_shop_says_wrong_moves_nothing_and_is_told(local: LocalBroker, tmp_path: Path) -> None:
    wrong: dict[str, tuple[dict[str, object], str]] = {
        "v1": ({"journal": "f" * 32}, "another record"),
        "v2": ({"head": "00" * 32}, "does not fit"),
        "v3": ({"blocks": 900}, "does not fit"),
        "v4": ({"blocks": 1, "through": 10, "problem": "newer", "words": "update the shop"}, "update the shop"),
    }
    paths = {visit: make_journal(tmp_path / "visits", visit, 5) for visit in (*wrong, "v5", "v6")}
    of = {}
    for visit, path in paths.items():
        with JournalReader(path) as reader:
            of[reader.identity] = visit, reader.blocks()[0].hash.hex()
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector, uplink(local.address(), outbox, *paths.values()) as up:

        def twist(receipt: dict[str, object]) -> dict[str, object]:
            visit, first = of[str(receipt["journal"])]
            if visit not in wrong:
                return receipt
            # of v4 one block is said to be taken, so its end cannot be
            return receipt | wrong[visit][0] | ({"head": first, "sealed": False} if visit == "v4" else {})

        collector.twist = twist
        await until(lambda: all(words in up.problems.get(visit, "") for visit, (_, words) in wrong.items()))
        for visit, (_, words) in wrong.items():
            assert words in up.problems[visit]
        assert up.problem == f"visit v1: {up.problems['v1']}"
        await until(lambda: up.visits_waiting == 4)  # the others are through all the same
        assert {visit: marker(outbox, path) for visit, path in paths.items()} == {
            "v1": 0, "v2": 0, "v3": 0, "v4": 10, "v5": 50, "v6": 50
        }  # fmt: skip
        collector.twist = lambda receipt: receipt
        await until(lambda: not up.visits_waiting)  # tried again by themselves
        assert up.problem == ""
    for path in paths.values():
        arrived_whole(collector, path)


async def test_a_visit_asked_for_again_while_it_travels_arrives_whole(local: LocalBroker, tmp_path: Path) -> None:
    """The shop is put back to an empty copy again and again, and asks for all of it while blocks are on their way."""
    path = make_journal(tmp_path / "visits", "v1", 40)
    outbox = Outbox(tmp_path / "outbox")
    pace = Pace(blocks=1, quiet_s=0.3, quiet_most_s=0.6, wanted_s=0.1)  # none runs ahead: the end is far at each loss
    async with collecting(local.address) as collector, uplink(local.address(), outbox, path, pace=pace) as up:
        for blocks in (5, 17, 29):
            await collector.until(lambda blocks=blocks: len(collector.visit("v1").data) >= blocks)
            collector.visits.clear()
            with JournalReader(path) as reader:
                outbox.drop(SHOP, reader.identity)
            up.add("v1", path, 0, again=True)
        await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)
    assert marker(outbox, path) == 400


async def test_what_a_broker_kept_of_earlier_receipts_ends_no_visit_that_is_asked_for_again(
    local: LocalBroker, tmp_path: Path
) -> None:
    path = make_journal(tmp_path / "visits", "v1", 4)
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector:
        async with uplink(local.address(), outbox, path, pace=Pace()) as up:
            await until(lambda: not up.visits_waiting)
        collector.visits.clear()
        async with uplink(local.address(), Outbox(tmp_path / "other"), pace=Pace()) as up:
            up.add("v1", path, 0, again=True)
            await until(lambda: not up.visits_waiting)
        arrived_whole(collector, path)


async def test_nonsense_on_the_receipt_topic_is_counted(local: LocalBroker, tmp_path: Path) -> None:
    path = make_journal(tmp_path, "v1", 2)
    async with collecting(local.address) as collector:
        collector.mute = True
        async with uplink(local.address(), Outbox(tmp_path / "outbox"), path) as up:
            await collector.until(lambda: collector.visit("v1").arrived)
            for nonsense in (b"\xff\x00", b"{}", b'{"t":0,"journal":1,"blocks":2,"through":20,"head":""}', b""):
                await collector.say(f"{TOPICS.base}/receipt/v1", nonsense)
            await until(lambda: up.counts.receipts_refused == 3)
            collector.mute = False
            await collector.answer_now("v1")
            await until(lambda: not up.visits_waiting)


async def test_a_broker_that_denies_and_acknowledges_moves_nothing(local: LocalBroker, tmp_path: Path) -> None:
    """nats-server acknowledges what it does not let through: measured, and the reason for receipts."""
    path = make_journal(tmp_path, "v1", 5)
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector, uplink(local.address("watch"), outbox, path) as up:
        await until(lambda: up.counts.blocks_sent >= 7)  # all five, and the first again and again
        assert up.connected
        assert (collector.messages, marker(outbox, path), up.blocks_waiting) == (0, 0, 5)


async def test_a_restart_goes_on_behind_the_marker(local: LocalBroker, tmp_path: Path) -> None:
    path = make_journal(tmp_path, "v1", 80)
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector:
        async with uplink(local.address(), outbox, path, pace=Pace(blocks=4, quiet_s=60.0)):
            await collector.until(lambda: len(collector.visit("v1").data) > 20)
        outbox.flush()
        kept = Outbox(tmp_path / "outbox")
        through = marker(kept, path)
        assert 0 < through < 800
        before = len(collector.visit("v1").arrived)
        async with uplink(local.address(), kept, path) as up:
            await until(lambda: not up.visits_waiting)
        assert min(collector.visit("v1").arrived[before:]) == through // 10 + 1
    arrived_whole(collector, path)


async def test_a_damaged_block_is_kept_and_told_and_the_others_go(local: LocalBroker, tmp_path: Path) -> None:
    path, other = (make_journal(tmp_path / "visits", visit, 5) for visit in ("v1", "v2"))
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER rows_no_update")
        db.execute("UPDATE rows SET body = ? WHERE seq = 25", (b"another",))
        db.commit()
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector, uplink(local.address(), outbox, path, other) as up:
        await until(lambda: up.visits_waiting == 1 and up.problem)
        assert "row 25 is not as it was written" in up.problem
    assert len(collector.visit("v1").data) <= 2
    arrived_whole(collector, other)


async def test_a_missing_block_is_told_and_the_others_go(local: LocalBroker, tmp_path: Path) -> None:
    path, other = (make_journal(tmp_path / "visits", visit, 5) for visit in ("v1", "v2"))
    with contextlib.closing(sqlite3.connect(path)) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("DELETE FROM blocks WHERE n = 2")
        db.commit()
    outbox = Outbox(tmp_path / "outbox")
    async with collecting(local.address) as collector, uplink(local.address(), outbox, path, other) as up:
        await until(lambda: up.visits_waiting == 1 and up.problem)
        assert "block 2 is gone" in up.problem
    arrived_whole(collector, other)


@pytest.mark.parametrize("sealed", [False, True])
async def test_a_journal_that_is_replaced_while_it_waits_goes_from_its_start(
    local: LocalBroker, tmp_path: Path, sealed: bool
) -> None:
    path = make_journal(tmp_path / "visits", "v1", 2, sealed=sealed)
    outbox = Outbox(tmp_path / "outbox")
    async with uplink(local.address(), outbox, path) as up:
        await until(lambda: up.counts.blocks_sent >= 2)
        for each in path.parent.glob("v1.journal*"):
            each.unlink()
        make_journal(tmp_path / "visits", "v1", 5)
        async with collecting(local.address) as collector:
            await until(lambda: not up.visits_waiting)
    arrived_whole(collector, path)
    assert (up.problem, marker(outbox, path)) == ("", 50)


async def test_a_fault_of_ours_ends_the_uplink_and_is_seen(
    local: LocalBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever runs it says so and begins it anew; nothing goes on with one half missing."""
    path = make_journal(tmp_path, "v1", 2)
    monkeypatch.setattr(block_message, "look", lambda *_: 1 / 0)
    one = Uplink(local.address(), TOPICS, Outbox(tmp_path / "outbox"), online=lambda: ONLINE)
    one.add("v1", path, 0)
    with pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(one.run(), WAIT_S)


async def test_a_journal_that_is_no_journal_holds_up_nobody(local: LocalBroker, tmp_path: Path) -> None:
    junk = tmp_path / "junk.journal"
    junk.write_bytes(b"not a journal" * 100)
    path = make_journal(tmp_path, "v1", 3)
    async with (
        collecting(local.address) as collector,
        uplink(local.address(), Outbox(tmp_path / "outbox"), junk, path) as up,
    ):
        await until(lambda: up.visits_waiting == 1)
        assert "junk" in up.problem
    arrived_whole(collector, path)


async def test_addresses_are_tried_in_turn(local: LocalBroker, tmp_path: Path) -> None:
    """A node that is away costs one attempt."""
    path = make_journal(tmp_path, "v1", 3)
    away = BrokerAddress("127.0.0.1", free_port(), "station", "x")
    turn = iter([away, away] + [local.address()] * 100)
    async with collecting(local.address), uplink(lambda: next(turn), Outbox(tmp_path / "outbox"), path) as up:
        await until(lambda: not up.visits_waiting)


async def test_the_uplink_goes_by_an_identifier_that_no_other_station_can_name(tmp_path: Path) -> None:
    one = Uplink(BrokerAddress("shop.lan", 8883), TOPICS, Outbox(tmp_path / "outbox"), online=lambda: ONLINE)
    for password in ("a", "b"):  # also after the join file was replaced
        address = BrokerAddress("shop.lan", 8883, "van-3", password)
        assert one.publisher.link._identifier(address) == address.own_identifier
