"""A batch of messages into PostgreSQL: one transaction, exactly once, and only then the receipts.

What is known of a visit is kept between batches and may be outdated, since another collector may have taken a block:
the transaction locks the visits and looks; where one has moved on, everything is read anew and done again. Data that
the server refuses is narrowed down to its message, which is put aside, so that one station never stops another.
"""

from __future__ import annotations

import asyncio
import random
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import structlog

from lineset.contract.transfer import ReceiptMessage
from lineset.shop.block_message import KEY, UNREADABLE, Arrived, SetAside
from lineset.shop.carrying import Carrier
from lineset.shop.database import IDLE_S, connect, explained, is_passing, let_go_of, remedy, said
from lineset.shop.errors import DatabaseError
from lineset.shop.intake import Outcome, take_in
from lineset.shop.rows_of_block import rows_of_block
from lineset.shop.standing import Known, runs_on
from lineset.shop.visit_rows import (
    LEARN_KEY,
    OPEN_VISITS,
    Change,
    Key,
    asides,
    load_visits,
    stored_hashes,
    waiting_payloads,
    write,
)

if TYPE_CHECKING:
    from lineset.shop.shop_config import DatabaseAddress

log = structlog.get_logger(__name__)

MAX_KEPT = 4096  # visits whose state is kept between batches
TRIES = 8  # of a batch that meets another collector's
_MUCH = 65_536  # bytes of messages: they may unpack to a thousand times as many, for which nothing may wait
KEPT_S = 300.0  # after so long everything is read anew: a person may have revoked a station, or changed its key


class DatabaseAwayError(DatabaseError):
    """The database cannot take the batch now; nothing of it is stored, and the same may succeed later."""


class _MovedOnError(Exception):
    """Another collector has taken blocks of these visits meanwhile."""


@dataclass(slots=True)
class Stored:
    """What a batch came to: a receipt for each visit, and what was counted."""

    receipts: dict[Key, ReceiptMessage] = field(default_factory=dict)
    blocks: int = 0
    readings: int = 0
    entries: int = 0
    again: int = 0
    waits: int = 0
    refused: int = 0
    sealed: int = 0
    gaps: int = 0  # visits of which a block is missing
    aside: dict[str, int] = field(default_factory=dict)  # reason -> messages
    lags: list[float] = field(default_factory=list)  # of each block, s: from its last row to its commit
    more: set[Key] = field(default_factory=set)  # visits of which that which waits may be taken now

    def add(self, other: Stored) -> None:
        """Take in what another part of the batch came to."""
        for name in ("blocks", "readings", "entries", "again", "waits", "refused", "sealed", "gaps"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for reason, count in other.aside.items():
            self.aside[reason] = self.aside.get(reason, 0) + count
        self.receipts.update(other.receipts)
        self.lags += other.lags
        self.more |= other.more


class Store:
    """The collector's end of the database: `store` a batch, `close` in the end. One at a time, not for two tasks."""

    def __init__(self, address: DatabaseAddress, collector: str) -> None:
        self.address, self.collector = address, collector
        self._connection: Any = None
        self._known: OrderedDict[Key, Known] = OrderedDict()
        self._months: set[date] = set()
        self._since = time.monotonic()

    async def connection(self) -> Any:
        """The open connection; made when there is none. Raises DatabaseAwayError."""
        if self._connection is None or self._connection.is_closed():
            found = None
            try:
                found = await connect(self.address)
                with explained(self.address, "when it was connected to"):
                    await let_go_of(found, IDLE_S)
            except BaseException as error:  # no connection of ours is used, or left behind, without its limits
                if found is not None:
                    found.terminate()
                if isinstance(error, DatabaseError):
                    raise DatabaseAwayError(error.where, error.problem, error.remedy) from error
                raise
            self._connection = found
        return self._connection

    async def close(self) -> None:
        """Give the connection back; it may be gone already."""
        connection, self._connection = self._connection, None
        if connection is not None and not connection.is_closed():
            try:
                await connection.close(timeout=5.0)
            except (OSError, TimeoutError):
                connection.terminate()

    def forget(self, keys: Iterable[Key]) -> None:
        """Read these visits anew when they come next."""
        for key in keys:
            self._known.pop(key, None)

    async def store(self, batch: Sequence[Arrived], more: Iterable[Key] = ()) -> Stored:
        """Store what came, and what waited for it; `more` are visits of which only that which waits is looked at.

        Raises DatabaseAwayError: then nothing is stored that is not in the database already, and the same batch can be
        handed in again.
        """
        if time.monotonic() - self._since > KEPT_S:
            self._known.clear()
            self._since = time.monotonic()
        fresh: dict[Key, list[Arrived]] = {key: [] for key in more}
        for each in batch:
            fresh.setdefault((each.station, each.visit), []).append(each)
        try:
            return await self._store(fresh, 1 << 30)
        except DatabaseAwayError:
            raise
        except Exception as error:  # nobody may be stopped by it for good: what it was is said, and it is tried again
            log.exception("a batch was not stored")
            self.forget(fresh)
            await self._drop()
            raise DatabaseAwayError(self.address, f"while a batch was stored: {said(error)}", remedy(error)) from error

    async def _store(self, fresh: dict[Key, list[Arrived]], pull: int) -> Stored:
        if not fresh:
            return Stored()
        for attempt in range(TRIES):
            try:
                return await self._attempt(fresh, pull)
            except _MovedOnError:
                self.forget(fresh)
                if attempt and len(fresh) > 1:
                    return await self._one_by_one(fresh, pull)
                await asyncio.sleep(random.uniform(0, 0.02 * 2**attempt))
            except DatabaseError:
                self.forget(fresh)
                await self._drop()
                raise
            except Exception as error:
                self.forget(fresh)
                if _met_another(error):
                    await asyncio.sleep(random.uniform(0, 0.02 * 2**attempt))
                    continue
                if is_passing(error) or self._connection is None or self._connection.is_closed():
                    await self._drop()
                    raise DatabaseAwayError(
                        self.address, f"while a batch was stored: {said(error)}", remedy(error)
                    ) from error
                return await self._narrow(fresh, pull, error)
        raise DatabaseAwayError(self.address, "other collectors were quicker each time", "It is tried again")

    async def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.terminate()

    async def _one_by_one(self, fresh: dict[Key, list[Arrived]], pull: int) -> Stored:
        stored = Stored()
        for key, arrived in fresh.items():
            stored.add(await self._store({key: arrived}, pull))
        return stored

    async def _narrow(self, fresh: dict[Key, list[Arrived]], pull: int, error: Exception) -> Stored:
        """The batch in smaller parts, down to the one message that is refused, which is put aside."""
        if len(fresh) > 1:
            return await self._one_by_one(fresh, pull)
        stored = Stored()
        ((key, arrived),) = fresh.items()
        if len(arrived) > 1:
            for each in sorted(arrived, key=lambda each: each.n):
                stored.add(await self._store({key: [each]}, 0))
            stored.more.add(key)
            return stored
        if pull > 1:
            return await self._store(fresh, 1 if not arrived else 0)
        log.error("a message cannot be stored and is put aside", station=key[0], visit=key[1], error=said(error))
        return await self._put_aside(key, arrived, f"the database refuses it: {said(error)}")

    async def _put_aside(self, key: Key, arrived: Sequence[Arrived], words: str) -> Stored:
        connection = await self.connection()
        with explained(self.address, "while a message was put aside"):
            known = (await load_visits(connection, [key]))[key]
            if not arrived:
                next_ = [each for each in known.waiting if each.n == known.blocks + 1]
                arrived = await waiting_payloads(connection, known, next_)
            outcome = Outcome(known, journal=known.journal, problem=UNREADABLE, words=words)
            outcome.aside = [SetAside(each, UNREADABLE, words) for each in arrived]
            outcome.unwaited = [each.sha256 for each in arrived if each.waited]
            outcome.done_waiting = bool(outcome.unwaited)
            async with connection.transaction():
                if not await write(connection, [Change(known, outcome, [])], self.collector):
                    raise DatabaseAwayError(self.address, "another collector was quicker", "It is tried again")
        stored = Stored(aside={UNREADABLE: len(arrived)})
        stored.receipts[key] = receipt(known, outcome)
        self.forget([key])
        return stored

    async def kept_aside(self, reason: str, after: int, mine: Callable[[str], bool]) -> tuple[list[Arrived], int]:
        """Some of what was put aside for `reason`, of stations that are `mine`, and the id to go on after; 0: no more.

        Raises DatabaseAwayError.
        """
        connection = await self.connection()
        try:
            return await asides(connection, reason, after, mine)
        except Exception as error:
            await self._drop()
            problem = f"while what was put aside was read: {said(error)}"
            raise DatabaseAwayError(self.address, problem, remedy(error)) from error

    async def open_visits(self, mine: Callable[[str], bool]) -> list[Key]:
        """Visits of stations that are `mine`, of which something came within a day and the seal is still to come.

        Raises DatabaseAwayError.
        """
        connection = await self.connection()
        try:
            rows = await connection.fetch(OPEN_VISITS)
        except Exception as error:
            await self._drop()
            problem = f"while open visits were looked for: {said(error)}"
            raise DatabaseAwayError(self.address, problem, remedy(error)) from error
        return [(row["station"], row["visit"]) for row in rows if mine(row["station"])]

    async def learn_keys(self, keys: Mapping[str, bytes]) -> int:
        """Take the keys that logged-in stations name for theirs, where none is known. Returns how many are known by
        another one, which stays. Raises DatabaseAwayError."""
        connection = await self.connection()
        try:
            strange = 0
            for station, key in keys.items():
                known = await connection.fetchval(LEARN_KEY, station, key)
                if known != key:
                    strange += 1
                    log.warning("a station names another key than the one it is known by", station=station)
        except Exception as error:
            await self._drop()
            raise DatabaseAwayError(self.address, f"while keys were noted: {said(error)}", remedy(error)) from error
        self.forget([key for key in self._known if key[0] in keys])
        return strange

    # ---------------------------------------------------------------------------------------------------- an attempt

    async def _attempt(self, fresh: dict[Key, list[Arrived]], pull: int) -> Stored:
        connection = await self.connection()
        strange = [key for key in fresh if key not in self._known]
        if strange:
            self._known.update(await load_visits(connection, strange))
        changes = []
        for key, arrived in fresh.items():
            known = self._known[key]
            everything = await self._with_waiting(connection, known, arrived, pull)
            hashes = await stored_hashes(connection, known, [each.n for each in arrived])
            outcome = await _taken_in(replace(known, hashes=hashes), everything)
            rows, carrier = [], known.carrier or Carrier()
            for taken in outcome.taken:
                made = rows_of_block(taken.items, known.month, known.id, carrier)
                carrier = made.carrier
                rows.append(made)
            outcome.known = replace(outcome.known, carrier=carrier, hashes={})
            again = tuple(each.aside for each in arrived if each.aside)
            changes.append(Change(known, outcome, rows, again))
            await asyncio.sleep(0)  # let the connection to the broker live
        await self._make_months(connection, {each.known.month for each in changes if each.outcome.taken})
        async with connection.transaction():
            if not await write(connection, changes, self.collector):
                raise _MovedOnError
        return self._told(changes)

    async def _with_waiting(
        self, connection: Any, known: Known, arrived: list[Arrived], pull: int
    ) -> Sequence[Arrived]:
        needed = runs_on(known, [each.n for each in arrived])
        if pull < 1 << 30:
            needed = [each for each in needed if each.n <= known.blocks + pull]
        if not needed:
            return arrived
        waited = await waiting_payloads(connection, known, needed)
        if len(waited) < len(needed):
            raise _MovedOnError
        return [*arrived, *waited]

    async def _make_months(self, connection: Any, months: set[date]) -> None:
        for month in sorted(months - self._months):
            there = await connection.fetchval(
                "SELECT to_regclass($1) IS NOT NULL", f"lineset.photo_{month:%Y_%m}"
            )  # the last of a month's tables
            if not there:
                await connection.execute("SELECT lineset.make_month($1)", month)
            self._months.add(month)

    def _told(self, changes: Sequence[Change]) -> Stored:
        stored, now = Stored(), time.time()
        for change in changes:
            outcome, known = change.outcome, change.outcome.known
            key = (known.station, known.visit)
            if known.journal and outcome.problem != KEY:  # a person may put its key right
                self._known[key] = known
                self._known.move_to_end(key)
            else:
                self._known.pop(key, None)  # nothing of it is stored; its number is not taken
            stored.blocks += len(outcome.taken)
            stored.readings += sum(rows.count for rows in change.rows)
            stored.entries += sum(taken.block.rows for taken in outcome.taken)
            stored.again += outcome.again
            stored.waits += len(outcome.waits)
            stored.refused += len(outcome.refused)
            stored.sealed += outcome.seal is not None
            stored.gaps += bool(outcome.wanted)
            for aside in outcome.aside:
                if aside.arrived.aside:
                    continue  # it lies there already
                stored.aside[aside.reason] = stored.aside.get(aside.reason, 0) + 1
            stored.lags += [now - rows.visit.last_at.timestamp() for rows in change.rows if rows.visit.last_at]
            if (outcome.taken or outcome.unwaited) and runs_on(known, ()):  # else looking again would find the same
                stored.more.add(key)
            stored.receipts[key] = receipt(known, outcome)
        while len(self._known) > MAX_KEPT:
            self._known.popitem(last=False)
        return stored


async def _taken_in(known: Known, arrived: Sequence[Arrived]) -> Outcome:
    """What becomes of these messages; much is looked at beside the loop, so that the broker still hears of us."""
    if sum(len(each.payload) for each in arrived) > _MUCH:
        return await asyncio.to_thread(take_in, known, arrived)
    return take_in(known, arrived)


def _met_another(error: Exception) -> bool:
    return (getattr(error, "sqlstate", None) or "").startswith("40")  # a deadlock or a lost race, rolled back


def receipt(known: Known, outcome: Outcome) -> ReceiptMessage:
    """What the shop says of a visit after a commit."""
    return ReceiptMessage(
        t=time.time(),
        journal=known.journal or outcome.journal,
        blocks=known.blocks,
        through=known.through,
        head=known.head.hex(),
        sealed=known.sealed,
        wanted=outcome.wanted,
        problem=outcome.problem,
        words=outcome.words,
    )
