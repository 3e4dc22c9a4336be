"""The station's way to its shop: begun when a join file is there, also while the station runs, and ended with it.

The outbox keeps three things of a journal for the shop: how far its blocks are receipted ("shop"), how far courtesy
copies of its events went ("shop_events"), and that the shop has all of it and the retained topics were taken back
("shop_final"). A fourth ("shop_again") stands while a closed visit goes there once more, because the shop lost it.
"""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import structlog

from lineset.contract.entry import EntryError
from lineset.equipment.language import sayer
from lineset.journal.errors import JournalError
from lineset.journal.outbox import Outbox
from lineset.journal.reader import JournalReader
from lineset.journal.visit_files import SUFFIX
from lineset.station import words_uplink
from lineset.station.events import JournalEvents
from lineset.station.join_file import NAME, check_names, read_join
from lineset.station.retained import retained_topics
from lineset.station.uplink_status import StatusFile, UplinkStatus
from lineset.stream.address import BrokerAddress
from lineset.stream.errors import SettingsError
from lineset.stream.uplink import SHOP, Uplink, UplinkCounts

if TYPE_CHECKING:
    from lineset.station.daemon import Station

log = structlog.get_logger(__name__)

EVENTS, FINAL, AGAIN = "shop_events", "shop_final", "shop_again"
_WATCH_S = 1.0  # how often the join file is looked at
_STOP_S = 3.0
_AGAIN_S = 30.0


class Unsent(NamedTuple):
    """A visit's journal that the shop has not had whole; `blocks` of it are closed and have no receipt."""

    visit: str
    path: Path
    made: int
    blocks: int
    is_open: bool
    again: bool = False


def unsent(folder: Path, outbox: Outbox) -> list[Unsent]:
    """What the shop has not had whole, oldest first. Reads every journal: call it in a thread. Raises OSError.

    Journals that cannot be read are passed over; the station tells of them at its start.
    """
    found = []
    for path in folder.glob(f"*{SUFFIX}"):
        if path.name.startswith("."):
            continue
        try:
            with JournalReader(path) as reader:
                again = bool(outbox.through(AGAIN, reader.identity))
                if outbox.through(FINAL, reader.identity) and not again:
                    continue
                blocks = reader.blocks_after(outbox.through(SHOP, reader.identity))
                made = int(reader.meta.get("created", 0))
                found.append(Unsent(path.stem, path, made, blocks, reader.seal() is None, again))
        except JournalError:
            continue
    return sorted(found, key=lambda each: (each.is_open, each.made))


def mark_again(outbox: Outbox, identity: str) -> None:
    """Note that the shop has nothing of this closed journal any more, though its topics were taken back long ago."""
    outbox.drop(SHOP, identity)
    outbox.advance(AGAIN, identity, 1)


class Uplinking:
    """Part of a `Station`. `uplink` is there while a usable join file is; `counts` go on over its changes."""

    def __init__(self, station: Station) -> None:
        self._station = station
        config = station.config
        self.file = config.uplink or config.data / NAME
        self.folder = config.data / "visits"
        self.uplink: Uplink | None = None
        self.counts = UplinkCounts()
        self.problem = ""  # of the join file
        self._events: dict[str, JournalEvents] = {}
        self._running: asyncio.Task[None] | None = None
        self._clearing: set[asyncio.Task[None]] = set()
        self._cleared: list[str] = []
        self._turn = random.randrange(1 << 16)  # stations begin at different nodes
        self._told = ""
        self._asked_again = 0
        self._say = sayer(config.language)
        self._status = StatusFile(config.data)

    # ---------------------------------------------------------------------------------------------------- begin and end

    async def run(self) -> None:
        """Begin whenever a join file comes, begin anew when it changes, end when it goes."""
        seen: tuple[int, ...] | None = None
        again_at = float("inf")
        try:
            while True:
                mark = self._mark()
                if self._running is not None and self._running.done():
                    again_at = min(again_at, time.monotonic() + _AGAIN_S)  # a fault of ours, which is in the log
                if mark != seen or time.monotonic() >= again_at:
                    seen, again_at = mark, float("inf")
                    await self._end()
                    if mark is not None and not await self._begin():
                        again_at = time.monotonic() + _AGAIN_S
                    self._news()
                await self._keep_status()
                await asyncio.sleep(_WATCH_S)
        finally:
            await self._end()

    def _mark(self) -> tuple[int, ...] | None:
        try:
            found = self.file.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_size, found.st_mode

    async def _begin(self) -> bool:
        """False when it has to be tried again though nothing changes."""
        station = self._station
        try:
            self._address()
            waiting = await self._unsent()
        except (SettingsError, OSError) as error:
            self.problem = str(error)
            log.error("nothing goes to the shop", error=str(error))
            return isinstance(error, SettingsError)
        uplink = Uplink(
            self._address,
            station.topics,
            station.outbox,
            online=station.online,
            now=self._now,
            on_final=self._final,
            on_news=self._news,
            wall=station.wall,
            counts=self.counts,
        )
        for each in waiting:
            uplink.add(each.visit, each.path, each.made, waiting=each.blocks, is_open=each.is_open, again=each.again)
        self.uplink = uplink
        self.attach(station.record.path, station.record.visit)
        here = station.topics.visit(station.record.visit) if station.record.visit else ""
        for topic, payload in station.publisher.states.items():
            if payload and (topic.startswith(f"{station.topics.base}/instrument/") or (here and here in topic)):
                uplink.publisher.state(topic, payload)
        station.both.shop = uplink.publisher
        self._running = asyncio.create_task(uplink.run(), name="uplink")
        self._running.add_done_callback(_told_if_failed)
        log.info("uplink to the shop", file=str(self.file), visits=len(waiting))
        return True

    async def _unsent(self) -> list[Unsent]:
        while True:
            asked = self._asked_again
            found = await asyncio.to_thread(unsent, self.folder, self._station.outbox)
            if asked == self._asked_again:
                return found

    async def _end(self) -> None:
        running, self._running, self.uplink, self.problem = self._running, None, None, ""
        self._station.both.shop = None
        tasks = [*self._clearing, *([running] if running else [])]
        for task in tasks:
            task.cancel()
        if tasks:
            # a name that is looked up in vain holds a thread for long; nothing of the station waits for that
            await asyncio.wait(tasks, timeout=_STOP_S)
        for events in self._events.values():
            events.close()
        self._events.clear()

    def _address(self) -> BrokerAddress:
        """The next of the shop's nodes, by the join file as it is now. Raises SettingsError."""
        join = read_join(self.file)
        source = f"join file {self.file}"
        check_names(join, self._station.config.shop, self._station.config.name, source)
        addresses = join.addresses(source)
        self._turn += 1
        return addresses[self._turn % len(addresses)]

    # -------------------------------------------------------------------------------------------------- what is told

    def attach(self, path: Path, visit: str) -> None:
        """A visit is open: its record goes to the shop, and copies of its events. Nothing for the station's own."""
        uplink, station = self.uplink, self._station
        if uplink is None or not visit or visit in self._events:
            return
        uplink.add(visit, path, time.time_ns(), is_open=True)
        try:
            events = JournalEvents(
                path, visit, station.topics, station.outbox, station.config.units, destination=EVENTS
            )
        except JournalError as error:
            log.error("the shop gets no copies of events of a visit", visit=visit, error=str(error))
            return
        self._events[visit] = events
        uplink.publisher.attach(events)

    def send_again(self, visit: str, path: Path, identity: str, made: int) -> None:
        """Give a closed visit to the shop once more, of which it has lost what it receipted."""
        mark_again(self._station.outbox, identity)
        self._asked_again += 1
        if self.uplink is not None:
            self.uplink.add(visit, path, made, again=True)

    def _now(self) -> Iterator[tuple[str, bytes]]:
        """The `now` messages of the open visit: one that is over may have been taken back from the shop already."""
        visit = self._station.record.visit
        if visit:
            here = f"{self._station.topics.visit(visit)}/"
            yield from (each for each in self._station.both.now_again() if each[0].startswith(here))

    def wake(self) -> None:
        """Record events were committed."""
        if self.uplink is not None:
            self.uplink.publisher.wake()

    async def hold(self, visit: str) -> None:
        """Let go of a journal that is about to be sealed."""
        if (events := self._events.get(visit)) is not None:
            events.pause()
        if self.uplink is not None:
            await self.uplink.hold(visit)

    def release(self, visit: str) -> None:
        """The journal is sealed: its last block may go."""
        if (events := self._events.get(visit)) is not None:
            events.go_on()
        if self.uplink is not None:
            self.uplink.publisher.wake()
            self.uplink.release(visit)

    # ------------------------------------------------------------------------------------------- the end of a visit

    def _final(self, visit: str, path: Path, identity: str) -> None:
        uplink, outbox = self.uplink, self._station.outbox
        if outbox.drop(AGAIN, identity) and outbox.through(FINAL, identity):
            return  # its topics were taken back the first time, and none was said since
        if uplink is not None:
            task = asyncio.create_task(self._clear(uplink, visit, path, identity), name="clearing a visit at the shop")
            self._clearing.add(task)
            task.add_done_callback(self._clearing.discard)
            task.add_done_callback(_told_if_failed)

    async def _clear(self, uplink: Uplink, visit: str, path: Path, identity: str) -> None:
        """Take a visit's retained topics back from the shop's broker, and remember that it was done."""
        station = self._station
        events = self._events.get(visit)
        if events is not None:
            await uplink.publisher.drained(events)
            uplink.publisher.detach(events)
            self._events.pop(visit, None)
            events.close()
        try:
            topics = await asyncio.to_thread(_left_behind, path, visit, station)
        except (JournalError, EntryError) as error:
            log.error("retained topics stay at the shop's broker", visit=visit, error=str(error))
            return
        for topic in topics:
            uplink.publisher.state(topic, b"")
        uplink.publisher.forget(self._cleared)
        await uplink.publisher.states_said()
        self._cleared = topics
        station.outbox.advance(FINAL, identity, 1)

    # --------------------------------------------------------------------------------------------- how it is told

    @property
    def sentence(self) -> str:
        """How the way to the shop stands, for the technician; empty where no shop is joined."""
        uplink = self.uplink
        if uplink is None:
            return self._say(words_uplink.UNUSABLE).format(problem=self.problem) if self.problem else ""
        for visit, words in uplink.problems.items():
            return self._say(words_uplink.STUCK).format(visit=visit, words=words.rstrip("."))
        return self._say(words_uplink.STATES.get(uplink.status.state, words_uplink.AWAY))

    def _news(self) -> None:
        sentence = self.sentence
        if sentence != self._told:
            self._told = sentence
            log.info("shop", text=sentence or "no shop is joined")
            self._station.both.refresh()

    async def _keep_status(self) -> None:
        uplink = self.uplink
        status = UplinkStatus(
            t=time.time(),
            joined=uplink is not None,
            connected=uplink is not None and uplink.connected,
            sentence=self.sentence,
            link=uplink.status.sentence if uplink is not None else "",
            last_receipt=self.counts.last_receipt,
            problems=uplink.problems if uplink is not None else {},
        )
        try:
            await self._status.keep(status)
        except OSError as error:
            log.debug("how the uplink stands is not kept for the doctor", error=str(error))


def _left_behind(path: Path, visit: str, station: Station) -> list[str]:
    with JournalReader(path) as reader:
        return retained_topics(reader, visit, station.topics)


def _told_if_failed(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and task.exception() is not None:
        log.error("part of the uplink failed", part=task.get_name(), exc_info=task.exception())
