"""The uplink: a second MQTT client that carries the record to the shop, block by block, until the shop has said so.

What travels and when is decided in `sending.py`; here are the connection, the journal files and the outbox. Nothing
local waits for it: journals are read in a thread of its own, and a shop that is away, slow or refusing only makes
blocks wait where they are, in the journals.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import msgspec
import structlog

from lineset.contract.live import StationMessage
from lineset.contract.topic import Topics
from lineset.contract.transfer import ReceiptMessage
from lineset.journal.errors import JournalError
from lineset.journal.outbox import Outbox
from lineset.stream import block_message
from lineset.stream.address import BrokerAddress
from lineset.stream.link import Incoming, LinkStatus, Session
from lineset.stream.publisher import Publisher
from lineset.stream.sending import Pace, Sending
from lineset.stream.under_way import UnderWay
from lineset.stream.wire import Wire

log = structlog.get_logger(__name__)
T = TypeVar("T")

SHOP = "shop"  # the outbox's destination of blocks
NOW_S = 5.0
UNDER_WAY = 4  # journals on their way at once, the open one besides
PATIENCE_S, KEEPALIVE_S = 60.0, 30  # a weak mobile signal takes its time
_LOOK_S, _LOOK_AWAY_S = 2.0, 5.0  # how often a journal is looked at for new blocks; while there is no connection
_HOLD_S = 1.0
_ERROR_S = 60.0  # a journal that cannot be read is tried again

_receipt = msgspec.json.Decoder(ReceiptMessage)


@dataclass(slots=True)
class UplinkCounts:
    """What the uplink has done since the station started."""

    blocks_sent: int = 0
    blocks_sent_again: int = 0
    receipts: int = 0
    receipts_refused: int = 0  # not readable, of another journal, or contradicting the record
    last_receipt: float = 0.0  # wall time, seconds since 1970; 0 before the first
    visits_finished: int = 0
    reconnections: int = 0


class Uplink:
    """One station's way to its shop: `run()` until cancelled. Journals are added with `add`, oldest `made` first.

    `publisher` carries courtesy copies: states, record events, `now` every 5 s. `on_final` is called once for each
    journal of which the shop has the seal, `on_news` when what `sentence` or `problems` say may have changed. The
    marker in `outbox` (destination "shop") moves on receipts alone.
    """

    def __init__(
        self,
        address: BrokerAddress | Callable[[], BrokerAddress],
        topics: Topics,
        outbox: Outbox,
        *,
        online: Callable[[], StationMessage],
        now: Callable[[], Iterable[tuple[str, bytes]]] | None = None,
        on_final: Callable[[str, Path, str], None] | None = None,
        on_news: Callable[[], None] | None = None,
        wall: Callable[[], float] = time.time,
        counts: UplinkCounts | None = None,
        pace: Pace | None = None,
    ) -> None:
        self.topics = topics
        self.counts = counts or UplinkCounts()
        self.publisher = Publisher(
            address,
            topics,
            online=online,
            now=now,
            now_s=NOW_S,
            on_status=self._status,
            wall=wall,
            identifier=lambda where: where.own_identifier,
            patience_s=PATIENCE_S,
            keepalive_s=KEEPALIVE_S,
        )
        # QoS 0: a receipt is retained and said again, and a cluster keeps a log of its own for each QoS 1 subscription
        self.publisher.link.subscribe(topics.receipts, 0, self._heard)
        self.publisher.link.during(self._send_blocks)
        self._outbox, self._on_final, self._on_news, self._pace = outbox, on_final, on_news, pace
        self._journals: dict[str, UnderWay] = {}
        self._wake = asyncio.Event()
        self._look = asyncio.Event()
        self._reading = asyncio.Lock()
        self._thread = ThreadPoolExecutor(1, "uplink")

    # ------------------------------------------------------------------------------------------------ how it stands

    @property
    def connected(self) -> bool:
        return self.publisher.link.connected.is_set()

    @property
    def status(self) -> LinkStatus:
        return self.publisher.status

    @property
    def visits_waiting(self) -> int:
        """Visits of which the shop has not receipted the end, the open one included."""
        return len(self._journals)

    @property
    def blocks_waiting(self) -> int:
        """Closed blocks without a receipt."""
        return sum(j.waiting if j.sending is None else j.sending.waiting for j in self._journals.values())

    @property
    def problems(self) -> dict[str, str]:
        """Why a visit's blocks are not taken, for people, by visit."""
        found = {}
        for journal in self._journals.values():
            words = journal.error or (journal.sending.words if journal.sending is not None else "")
            if words:
                found[journal.visit] = words
        return found

    @property
    def problem(self) -> str:
        """The first of `problems` in a sentence; empty when there is none."""
        return next((f"visit {visit}: {words}" for visit, words in self.problems.items()), "")

    # ------------------------------------------------------------------------------------------------- what is told

    def add(
        self, visit: str, path: Path, made: int, *, waiting: int = 0, is_open: bool = False, again: bool = False
    ) -> None:
        """Carry this journal too; one that is known already stays as it is.

        `again`: the shop lost it. It begins behind the outbox's marker whether it is known or not, after all others,
        and only what the shop says from now on counts.
        """
        if visit in self._journals and not again:
            return
        self._journals[visit] = UnderWay(visit, path, made, waiting, is_open, again)
        order = sorted(self._journals.values(), key=lambda j: j.turn)
        self._journals = {journal.visit: journal for journal in order}
        self._look.set()

    def poke(self) -> None:
        """A journal may have new blocks or a seal: look at once."""
        self._look.set()

    async def hold(self, visit: str) -> None:
        """Let go of a journal's file, which is about to be sealed, until `release`."""
        journal = self._journals.get(visit)
        if journal is not None:
            journal.held = True
            with contextlib.suppress(TimeoutError):  # a disk that hangs; sealing does not wait for that
                async with asyncio.timeout(_HOLD_S), self._reading:
                    pass

    def release(self, visit: str) -> None:
        """Read the journal again."""
        journal = self._journals.get(visit)
        if journal is not None:
            journal.held = False
            self._look.set()

    async def run(self) -> None:
        """Connect and carry until cancelled. What fails here for a fault of ours is raised, never one half kept."""
        tasks = [asyncio.create_task(work, name="uplink") for work in (self._follow(), self.publisher.run())]
        try:
            for task in (await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED))[0]:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._thread.shutdown(wait=False, cancel_futures=True)

    def _status(self, _: LinkStatus) -> None:
        self._look.set()
        self._news()

    def _news(self) -> None:
        if self._on_news is not None:
            self._on_news()

    # ---------------------------------------------------------------------------------------------- looking for blocks

    async def _in_thread(self, work: Callable[..., T], *values: object) -> T:
        async with self._reading:
            return await asyncio.get_running_loop().run_in_executor(self._thread, work, *values)

    async def _follow(self) -> None:
        """Take up journals as their turn comes, and learn of new blocks and seals."""
        while True:
            self._look.clear()
            for journal in self._take_up():
                if not journal.held and self._carries(journal):
                    await self._look_at(journal)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LOOK_S if self.connected else _LOOK_AWAY_S):
                    await self._look.wait()

    def _take_up(self) -> list[UnderWay]:
        """The journals to look at: those on their way that may grow, and as many more as may be on their way."""
        now = time.monotonic()
        found, under_way = [], 0
        for journal in self._journals.values():
            if journal.sending is None:
                if (under_way < UNDER_WAY or journal.open) and now >= journal.not_before:
                    found.append(journal)
                    under_way += not journal.open
                continue
            # one that the shop does not take must not keep the others from their turn
            under_way += not journal.open and not journal.sending.problem
            if not journal.is_sealed:
                found.append(journal)
        return found

    def _carries(self, journal: UnderWay) -> bool:
        """False once it is through, or begun anew."""
        return self._journals.get(journal.visit) is journal

    async def _look_at(self, journal: UnderWay) -> None:
        known = journal.sending.blocks if journal.sending is not None else 0
        try:
            standing = await self._in_thread(block_message.look, journal.path, known + 1)
        except JournalError as error:
            if journal.error != str(error):
                log.error("a visit's journal cannot be read for the shop", visit=journal.visit, error=str(error))
            journal.error, journal.not_before = str(error), time.monotonic() + _ERROR_S
            self._news()
            return
        if not self._carries(journal):
            return
        journal.error = ""
        if journal.sending is not None and standing.identity != journal.sending.journal:
            log.warning("another journal lies under a visit's name; it is sent from its start", visit=journal.visit)
            journal.sending, journal.is_sealed = None, False
            self._look.set()
            return
        if journal.sending is None:
            through = self._outbox.through(SHOP, standing.identity)
            journal.sending = Sending(standing.identity, through, pace=self._pace, one_first=journal.again)
        journal.sending.learn(standing.blocks)
        if standing.seal is not None and not journal.is_sealed:
            journal.is_sealed, journal.open = True, False
            journal.sending.sealed(standing.seal.blocks)
        if journal.receipt is not None:
            said, journal.receipt = journal.receipt, None
            self._take(journal, said)
        if journal.sending.final:
            self._finish(journal)
        self._wake.set()

    # -------------------------------------------------------------------------------------------------------- sending

    async def _send_blocks(self, session: Session) -> None:
        """For as long as a connection stands. Raises ConnectionLost."""
        now = asyncio.get_running_loop().time
        self.counts.reconnections += 1
        for sending in self._sendings():
            sending.connected(now())
        wire = Wire(session, self._wake)
        try:
            while True:
                self._wake.clear()
                wire.check()
                if await self._send_due(wire, now):
                    continue
                times = [at for sending in self._sendings() if (at := sending.deadline(now())) is not None]
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout_at(min(times, default=None)):
                        await self._wake.wait()
        finally:
            await wire.end()

    def _sendings(self) -> Iterator[Sending]:
        return (j.sending for j in self._journals.values() if j.sending is not None)

    async def _send_due(self, wire: Wire, now: Callable[[], float]) -> bool:
        """Send what is due of the oldest journal that has something; False when none has."""
        for journal in list(self._journals.values()):
            sending = journal.sending
            if sending is None or journal.held:
                continue
            again = sending.sent_again
            numbers = sending.due(now())
            self.counts.blocks_sent_again += sending.sent_again - again
            for n in numbers:
                if journal.held:
                    sending.put_back(n)
                else:
                    await self._send(journal, sending, n, wire, now)
            if numbers:
                return True
        return False

    async def _send(self, journal: UnderWay, sending: Sending, n: int, wire: Wire, now: Callable[[], float]) -> None:
        try:
            payloads = await self._in_thread(block_message.payloads, journal.path, n, sending.hash_of(n))
        except JournalError as error:
            journal.is_sealed = False  # is it the same journal still? It is looked at anew
            sending.failed(str(error), now())
            self._tell(journal, sending)
            return
        size, left = sum(map(len, payloads)), len(payloads)

        def done() -> None:
            nonlocal left
            left -= 1
            if not left:
                self.counts.blocks_sent += 1
                sending.sent(n, size, now())

        topic = self.topics.block(journal.visit, n)
        for payload in payloads:
            await wire.send(topic, payload, done)

    # ------------------------------------------------------------------------------------------------------ receipts

    def _heard(self, message: Incoming) -> None:
        journal = self._journals.get(message.topic.rpartition("/")[2])
        if journal is None or not message.payload or (journal.again and message.retained):
            return  # of a visit that is through, or taken back, or from before the shop lost it
        try:
            said = _receipt.decode(message.payload)
        except msgspec.DecodeError as error:
            self.counts.receipts_refused += 1
            log.warning("a receipt cannot be read", topic=message.topic, error=str(error))
            return
        if not message.retained:
            for sending in self._sendings():
                sending.answered()
            self._wake.set()
        if journal.sending is None:
            journal.receipt = said
        else:
            self._take(journal, said)

    def _take(self, journal: UnderWay, said: ReceiptMessage) -> None:
        sending = journal.sending
        assert sending is not None
        refused = sending.foreign + sending.unfitting
        moved = sending.receipt(said, asyncio.get_running_loop().time())
        if sending.foreign + sending.unfitting > refused:
            self.counts.receipts_refused += 1
        else:
            self.counts.receipts += 1
            self.counts.last_receipt = time.time()
        if moved:
            self._outbox.advance(SHOP, sending.journal, sending.through)
        self._tell(journal, sending)
        if sending.final:
            self._finish(journal)
        self._wake.set()

    def _tell(self, journal: UnderWay, sending: Sending) -> None:
        told = f"{sending.problem}: {sending.words}" if sending.problem else ""
        if told == journal.told:
            return
        journal.told = told
        if told:
            log.error("the shop does not take a visit; its record is kept", visit=journal.visit, why=told)
        else:
            log.info("the shop takes the visit again", visit=journal.visit)
        self._look.set()  # one that the shop does not take makes room for another
        self._news()

    def _finish(self, journal: UnderWay) -> None:
        """The shop has all of it and the seal."""
        sending = journal.sending
        assert sending is not None
        if not self._carries(journal):
            return
        del self._journals[journal.visit]
        self.counts.visits_finished += 1
        log.info("the shop has the whole visit", visit=journal.visit, entries=sending.through)
        if self._on_final is not None:
            self._on_final(journal.visit, journal.path, sending.journal)
        self._look.set()  # the next one's turn
        self._news()
