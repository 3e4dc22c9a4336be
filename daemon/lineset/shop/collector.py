"""A collector: hears the blocks of its stations from the shop's broker, stores them, and says what is stored.

Nothing counts as received before it is committed: receipts follow the commit, and whatever is lost on the way here (a
broker or database that goes away, a full disk, memory, this process killed) the station sends again, since it has no
receipt. Memory is bounded: beyond MAX_PENDING messages are let go, counted, and come again.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import hashlib
import itertools
import time
from collections import deque
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import msgspec
import structlog

from lineset.contract.live import StationMessage
from lineset.contract.live import encode as encode_message
from lineset.contract.topic import ROOT, is_level
from lineset.contract.transfer import ReceiptMessage
from lineset.shop.block_message import NEWER, Arrived
from lineset.shop.database import driver
from lineset.shop.errors import DatabaseError
from lineset.shop.housekeeping import Housekeeping
from lineset.shop.migrating import check_schema
from lineset.shop.sharing import HEARTBEAT_S, LIVE_S, Heart, Share
from lineset.shop.stations_heard import StationsHeard
from lineset.shop.storing import DatabaseAwayError, Store, Stored
from lineset.shop.visit_rows import Key
from lineset.stream.errors import StreamError
from lineset.stream.link import WINDOW, Incoming, Link, Session

if TYPE_CHECKING:
    from lineset.shop.shop_config import ShopConfig

log = structlog.get_logger(__name__)

BATCH_S = 0.1  # messages are gathered for so long
BATCH_BYTES = 1024 * 1024  # of messages; more is stored in the next transaction
MAX_PENDING = 64 * 1024 * 1024  # bytes of messages that wait to be stored
BESIDES = 512  # bytes that a message that waits takes besides its own: an empty one is no less of a burden
MORE_AT_ONCE = 256  # visits that are looked at in a batch though nothing came of them
MAX_UNSAID = 50_000  # receipts that wait for the broker
_BACKOFF_MIN_S, _BACKOFF_MAX_S = 0.2, 10.0
_FAREWELL_S = 5.0  # of real time: what a collector that is told to stop may still take to store and say
LAG_BOUNDS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 300.0, 3600.0, 86400.0)


@dataclass(slots=True)
class Counts:
    """What a collector has done since it started, for whoever watches over it."""

    messages: int = 0  # of its stations
    foreign: int = 0  # of stations that belong to another collector: let go unread
    misnamed: int = 0  # under names that the contract has not, which no station of ours uses: let go
    let_go: int = 0  # because memory was full; they come again
    blocks: int = 0
    entries: int = 0
    readings: int = 0
    again: int = 0  # came though the shop had them
    waits: int = 0  # came before one that they follow
    gaps: int = 0  # how often a receipt asked for missing blocks
    refused: int = 0  # came too far ahead to be kept
    sealed: int = 0  # visits
    receipts: int = 0  # that the broker has acknowledged
    set_aside: dict[str, int] = field(default_factory=dict)  # by reason
    batches: int = 0
    batch_blocks: int = 0  # of the last batch
    batch_s: float = 0.0  # that storing it took
    pending: int = 0  # messages that wait to be stored
    pending_bytes: int = 0
    unsaid: int = 0  # receipts that wait for the broker
    database_away: int = 0  # attempts that the database did not take
    database_here: bool = False
    strange_keys: int = 0  # a station named another key than the one it is known by
    lag_s: float = 0.0  # of the last block stored: from its last row, by the station's clock, to its commit
    lag_sum_s: float = 0.0
    lag_count: int = 0
    lag_buckets: list[int] = field(default_factory=lambda: [0] * len(LAG_BOUNDS_S))  # at most so much, each by itself

    def take(self, stored: Stored) -> None:
        """Count a batch that is committed."""
        for name in ("blocks", "entries", "readings", "again", "waits", "gaps", "refused", "sealed"):
            setattr(self, name, getattr(self, name) + getattr(stored, name))
        for reason, count in stored.aside.items():
            self.set_aside[reason] = self.set_aside.get(reason, 0) + count
        self.batches += 1
        self.batch_blocks = stored.blocks
        for lag in stored.lags:
            self.lag_s, self.lag_sum_s, self.lag_count = lag, self.lag_sum_s + lag, self.lag_count + 1
            for n, bound in enumerate(LAG_BOUNDS_S):
                if lag <= bound:
                    self.lag_buckets[n] += 1
                    break


class Collector:
    """One collector; `run` it until it is told to stop. `counts`, `share` and `link.status` tell how it fares."""

    def __init__(self, config: ShopConfig, name: str) -> None:
        """Raises ShopSettingsError for addresses or secrets that cannot be used, ShopProgramError without asyncpg."""
        driver()
        self.config, self.name = config, name
        self.counts, self.share = Counts(), Share(name)
        self.stations = StationsHeard(self.share.mine)
        address = config.database("collector")
        self.store, self.heart = Store(address, name), Heart(address, self.share)
        self.housekeeping = Housekeeping(address, self.share, self.clear_receipt)
        addresses = itertools.cycle(config.broker_addresses("collector"))
        self.link = Link(lambda: next(addresses))
        self.link.subscribe(f"{config.base}/+/visit/+/block/+", 1, self.hear)
        self.link.subscribe(f"{config.base}/+/station", 1, self._hear_station)
        self.link.during(self._say)
        self._pending: deque[Arrived] = deque()
        self._keys: dict[str, bytes] = {}
        self._keys_seen: dict[str, bytes] = {}
        self._more: set[Key] = set()
        self._greet = True  # the open visits of our stations are still to be told how they stand
        self._unsaid: dict[Key, tuple[ReceiptMessage, float]] = {}  # with the moment when its storing began
        self._anew: set[Key] = set()  # visits that were looked at once more, since their receipt had waited for long
        self._news, self._to_say = asyncio.Event(), asyncio.Event()

    # ------------------------------------------------------------------------------------------------------- hearing

    def hear(self, incoming: Incoming) -> None:
        """Take in a block's message: nothing is decoded here."""
        levels = incoming.topic.split("/")
        if len(levels) != 8:
            return
        station, visit, number = levels[3], levels[5], levels[7]
        counts = self.counts
        if not (is_level(station) and is_level(visit)):
            counts.misnamed += 1
            return
        if not self.share.mine(station):
            counts.foreign += 1
            return
        counts.messages += 1
        self.stations.block(station, time.time())
        payload = incoming.payload
        size = len(payload) + BESIDES
        if counts.pending_bytes + size > MAX_PENDING:
            counts.let_go += 1
            return
        n = int(number) if number.isascii() and number.isdigit() and len(number) < 10 else 0
        self._pending.append(Arrived(station, visit, n, payload, datetime.now(UTC), hashlib.sha256(payload).digest()))
        counts.pending += 1
        counts.pending_bytes += size
        self._news.set()

    def _hear_station(self, incoming: Incoming) -> None:
        station = incoming.topic.split("/")[3]
        if not is_level(station) or not self.share.mine(station):
            return
        try:
            said = msgspec.json.decode(incoming.payload, type=StationMessage)
            self.stations.said(station, said.online)
            key = bytes.fromhex(said.public_key)
        except (msgspec.MsgspecError, UnicodeDecodeError, ValueError):
            return  # an emptied topic, or one of a newer version: its seal will tell the key
        if len(key) == 32 and self._keys_seen.get(station) != key:
            self._keys_seen[station] = self._keys[station] = key
            self._news.set()

    # ------------------------------------------------------------------------------------------------------- storing

    async def _store(self) -> None:
        await self._until_taken(self._look_at_schema)
        await self._try_newer_again()
        while True:
            if self._greet:
                self._greet = False
                self._more |= set(await self._until_taken(functools.partial(self.store.open_visits, self.share.mine)))
            if not (self._pending or self._keys or self._more):
                self._news.clear()
                await self._news.wait()
            if self.counts.pending_bytes < BATCH_BYTES and not self._more:
                await asyncio.sleep(BATCH_S)
            await self._store_batch()

    async def _store_batch(self) -> None:
        batch: list[Arrived] = []
        size = 0
        while self._pending and (not batch or size + len(self._pending[0].payload) + BESIDES <= BATCH_BYTES):
            each = self._pending.popleft()
            size += len(each.payload) + BESIDES
            batch.append(each)
        more = set(itertools.islice(self._more, MORE_AT_ONCE))
        self._more -= more
        keys, self._keys = self._keys, {}

        began = at = time.monotonic()

        async def work() -> Stored:
            nonlocal at
            at = time.monotonic()
            if keys:
                self.counts.strange_keys += await self.store.learn_keys(keys)
                keys.clear()
            return await self.store.store(batch, more)

        if batch or more or keys:
            stored = await self._until_taken(work)
            self.counts.batch_s = time.monotonic() - began
            self._settle(stored, at)
        self.counts.pending -= len(batch)
        self.counts.pending_bytes -= size

    def _settle(self, stored: Stored, at: float) -> None:
        self.counts.take(stored)
        self.stations.receipted(stored.receipts)
        self._more |= stored.more
        for key, receipt in stored.receipts.items():
            self._unsaid.pop(key, None)  # the newest goes to the end
            self._unsaid[key] = receipt, at
        while len(self._unsaid) > MAX_UNSAID:
            self._anew.discard(oldest := next(iter(self._unsaid)))
            del self._unsaid[oldest]
        self.counts.unsaid = len(self._unsaid)
        self._to_say.set()
        for reason, count in stored.aside.items():
            log.warning("messages were put aside", reason=reason, messages=count)

    async def _until_taken(self, work: Callable[[], Awaitable[Any]]) -> Any:
        """What `work` gives, tried until the database takes it."""
        delay = _BACKOFF_MIN_S
        while True:
            try:
                result = await work()
            except DatabaseAwayError as error:
                if self.counts.database_here or not self.counts.database_away:
                    log.warning("the database takes nothing; it is tried again", error=str(error))
                self.counts.database_here = False
                self.counts.database_away += 1
                await asyncio.sleep(delay)
                delay = min(delay * 2, _BACKOFF_MAX_S)
            else:
                if not self.counts.database_here:
                    log.info("the database takes what comes", database=str(self.store.address))
                self.counts.database_here = True
                return result

    async def _look_at_schema(self) -> None:
        connection = await self.store.connection()
        try:
            await check_schema(connection, self.store.address)
        except DatabaseError as error:
            if connection.is_closed():
                raise DatabaseAwayError(error.where, error.problem, error.remedy) from error
            raise

    async def _try_newer_again(self) -> None:
        """What an older program put aside because it was newer may be taken by this one."""
        after = 0
        while True:
            look = functools.partial(self.store.kept_aside, NEWER, after, self.share.mine)
            found, last = await self._until_taken(look)
            if not last:
                return
            after = last
            if found:
                at = time.monotonic()
                self._settle(await self._until_taken(functools.partial(self.store.store, found)), at)

    # -------------------------------------------------------------------------------------------------------- saying

    async def _say(self, session: Session) -> None:
        while True:
            if not self._unsaid:
                self._to_say.clear()
                await self._to_say.wait()
            chunk = self._fresh()
            answers = await asyncio.gather(
                *(self._say_one(session, key, waits[0]) for key, waits in chunk), return_exceptions=True
            )
            for (key, waits), answer in zip(chunk, answers, strict=True):
                if isinstance(answer, BaseException):
                    raise answer
                self.counts.receipts += 1
                self._anew.discard(key)
                if self._unsaid.get(key) is waits:
                    del self._unsaid[key]
            self.counts.unsaid = len(self._unsaid)

    def _fresh(self) -> list[tuple[Key, tuple[ReceiptMessage, float]]]:
        """Some of what is to be said. What has waited for longer than the others wait for us (this process was stopped,
        or the broker was away) may be old, another collector having gone on: the database is asked once more."""
        found, long_ago = [], time.monotonic() - LIVE_S
        for key, waits in list(itertools.islice(self._unsaid.items(), WINDOW)):
            if waits[1] >= long_ago or key in self._anew:
                found.append((key, waits))
                continue
            del self._unsaid[key]
            self._anew.add(key)
            self._more.add(key)
            self._news.set()
        return found

    async def _say_one(self, session: Session, key: Key, receipt: ReceiptMessage) -> None:
        await session.publish(self._receipt_topic(key), encode_message(receipt), retain=True)

    async def clear_receipt(self, key: Key) -> None:
        """Take an old final receipt off the broker. Raises StreamError."""
        await self.link.publish(self._receipt_topic(key), b"", retain=True)

    def _receipt_topic(self, key: Key) -> str:
        return f"{ROOT}/{self.config.name}/{key[0]}/receipt/{key[1]}"

    # ------------------------------------------------------------------------------------------------------- running

    async def run(self, stop: asyncio.Event) -> None:
        """Work until `stop`; then store and say what is here, and leave. Raises DatabaseError for a database that this
        program may not use (newer tables, no rights); everything that passes by is waited out."""
        await self.heart.beat()
        storing = asyncio.create_task(self._store(), name="collector storing")
        others = [
            asyncio.create_task(self.link.run(), name="collector link"),
            asyncio.create_task(_every(HEARTBEAT_S, self._beat), name="collector heart"),
            asyncio.create_task(self.housekeeping.run(), name="collector housekeeping"),
        ]
        stopping = asyncio.create_task(stop.wait(), name="collector stop")
        try:
            await asyncio.wait([storing, stopping, *others], return_when=asyncio.FIRST_COMPLETED)
            for task in (storing, *others):
                if task.done():
                    task.result()
            await self._finish()
        finally:
            await _end(storing, stopping, *others)
            await self.heart.leave()
            await self.store.close()
            await self.housekeeping.close()

    async def _beat(self) -> None:
        before = self.share.names
        await self.heart.beat()
        if self.share.names != before:  # stations that come from another collector need not wait until they ask again
            self._greet = True
            self._news.set()

    async def _finish(self) -> None:
        """Within some seconds: what came is stored and told. Where that fails it comes again."""
        with contextlib.suppress(TimeoutError, StreamError):
            async with asyncio.timeout(_FAREWELL_S):
                while self.counts.pending or (self._unsaid and self.link.connected.is_set()):
                    await asyncio.sleep(BATCH_S / 4)


async def _every(seconds: float, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    while True:
        await asyncio.sleep(seconds)
        await work()


async def _end(*tasks: asyncio.Task[Any]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def run_collector(config: ShopConfig, name: str, stop: asyncio.Event) -> None:
    """A collector from start to `stop`. Raises ShopSettingsError, ShopProgramError, DatabaseError."""
    from lineset.shop.metrics import metrics_beside  # a web server, for this process alone

    collector = Collector(config, name)
    async with metrics_beside(collector):
        await collector.run(stop)
