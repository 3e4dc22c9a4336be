"""The statements of storing: how visits stand, what waits, and the writing of changes inside a transaction."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import msgspec
import structlog

from lineset.contract.transfer import SealRecord
from lineset.shop.block_message import Arrived
from lineset.shop.carrying import Carried, Carrier
from lineset.shop.cleaning import cleaned
from lineset.shop.intake import Outcome
from lineset.shop.rows_of_block import COLUMNS, COPY_END, COPY_HEAD, READING_COLUMNS, BlockRows
from lineset.shop.standing import Known, Waiting

log = structlog.get_logger(__name__)

MAX_ASIDE = 1000  # different messages of one visit that are put aside whole; more are only counted in the log
Key = tuple[str, str]  # station, visit
BLOCK_COLUMNS = (
    "month", "visit_id", "n", "first", "last", "rows", "gaps", "t_ns", "previous", "hash", "data", "received_at",
    "collector",
)  # fmt: skip


@dataclass(slots=True)
class Change:
    """What is to be stored of one visit."""

    known: Known
    outcome: Outcome
    rows: list[BlockRows]
    asides: tuple[int, ...] = ()  # ids of what had been put aside and was tried again


_VISITS = """
SELECT w.station, w.visit, v.id, v.month, v.journal, v.meta, v.blocks, v.through, v.head, v.carried, v.seal,
       v.sealed_at IS NOT NULL AS sealed, v.removed_at IS NOT NULL AS removed, s.public_key,
       coalesce(s.revoked_at <= now(), false) AS revoked,
       date_trunc('month', now() AT TIME ZONE 'UTC')::date AS present
FROM unnest($1::text[], $2::text[]) AS w (station, visit)
LEFT JOIN lineset.visit v USING (station, visit)
LEFT JOIN lineset.station s ON s.station = w.station
"""
LEARN_KEY = """
INSERT INTO lineset.station (station, public_key) VALUES ($1, $2)
ON CONFLICT (station) DO UPDATE SET public_key = coalesce(station.public_key, excluded.public_key)
RETURNING public_key
"""
_NEW_ID = "SELECT nextval(pg_get_serial_sequence('lineset.visit', 'id')) FROM generate_series(1, $1)"
_WAITING = """
SELECT b.station, b.visit, n, part, parts, hash, sha256, octet_length(payload) AS size
FROM lineset.waiting_block b JOIN unnest($1::text[], $2::text[]) AS w (station, visit) USING (station, visit)
ORDER BY n, part
"""
_ASIDE = """
SELECT DISTINCT ON (a.station, a.visit) a.station, a.visit, a.reason, a.words
FROM lineset.set_aside a JOIN unnest($1::text[], $2::text[], $3::integer[]) AS w (station, visit, n)
    ON a.station = w.station AND a.visit = w.visit AND a.n = w.n
WHERE a.taken_at IS NULL
ORDER BY a.station, a.visit, a.id DESC
"""


OPEN_VISITS = """
SELECT station, visit FROM lineset.visit
WHERE sealed_at IS NULL AND removed_at IS NULL AND last_received_at > now() - interval '1 day'
ORDER BY last_received_at DESC LIMIT 50000
"""


async def load_visits(connection: Any, keys: Sequence[Key]) -> dict[Key, Known]:
    """How these visits stand; one that has no row yet gets a number. Raises the driver's errors."""
    stations, visits = [key[0] for key in keys], [key[1] for key in keys]
    rows = await connection.fetch(_VISITS, stations, visits)
    new = sum(row["id"] is None for row in rows)
    ids = iter([row[0] for row in await connection.fetch(_NEW_ID, new)] if new else [])
    waiting: dict[Key, list[Waiting]] = defaultdict(list)
    for row in await connection.fetch(_WAITING, stations, visits):
        waiting[row["station"], row["visit"]].append(
            Waiting(row["n"], row["part"], row["parts"], row["hash"], row["sha256"], row["size"])
        )
    following = [(row["blocks"] or 0) + 1 for row in rows]
    asides = await connection.fetch(_ASIDE, [row["station"] for row in rows], [row["visit"] for row in rows], following)
    problems = {(row["station"], row["visit"]): (row["reason"], row["words"]) for row in asides}
    found = {}
    for row in rows:
        key = (row["station"], row["visit"])
        problem, words = problems.get(key, ("", ""))
        known = Known(
            id=row["id"] or next(ids), month=row["month"] or row["present"], station=key[0], visit=key[1],
            key=row["public_key"], revoked=row["revoked"], waiting=tuple(waiting.get(key, ())), problem=problem,
            words=words, carrier=Carrier(),
        )  # fmt: skip
        if row["id"] is not None:
            carrier = await _carrier(connection, row)
            known = replace(
                known, journal=row["journal"], meta=msgspec.json.decode(row["meta"], type=dict[str, str]),
                blocks=row["blocks"], through=row["through"], head=row["head"], rows=carrier.carried.rows,
                gaps=carrier.carried.gaps, sealed=row["sealed"], removed=row["removed"], carrier=carrier,
                seal=msgspec.json.decode(row["seal"], type=SealRecord) if row["seal"] else None,
            )  # fmt: skip
        found[key] = known
    return found


_COUNTED = "SELECT coalesce(sum(rows), 0), coalesce(sum(gaps), 0) FROM lineset.block WHERE month = $1 AND visit_id = $2"


async def _carrier(connection: Any, row: Any) -> Carrier:
    try:
        return Carrier.load(row["carried"])
    except msgspec.MsgspecError as error:
        log.error(
            "what is carried of a visit cannot be read; its next rows say less", visit=row["id"], error=str(error)
        )
        rows, gaps = await connection.fetchrow(_COUNTED, row["month"], row["id"])
        return Carrier(Carried(rows=int(rows), gaps=int(gaps)))


async def stored_hashes(connection: Any, known: Known, numbers: Iterable[int]) -> dict[int, bytes]:
    """The hashes of blocks that the shop has, of those that came again."""
    wanted = sorted({n for n in numbers if 0 < n < known.blocks})
    if not wanted or known.removed:
        return {}
    rows = await connection.fetch(
        "SELECT n, hash FROM lineset.block WHERE month = $1 AND visit_id = $2 AND n = ANY($3)",
        known.month, known.id, wanted,
    )  # fmt: skip
    return {row["n"]: row["hash"] for row in rows}


async def waiting_payloads(connection: Any, known: Known, needed: Sequence[Waiting]) -> list[Arrived]:
    """What waits, with its bytes."""
    rows = await connection.fetch(
        "SELECT n, sha256, payload, received_at FROM lineset.waiting_block "
        "WHERE station = $1 AND visit = $2 AND n = ANY($3) ORDER BY n, part",
        known.station, known.visit, sorted({each.n for each in needed}),
    )  # fmt: skip
    wanted = {each.sha256 for each in needed}
    return [
        Arrived(known.station, known.visit, row["n"], row["payload"], row["received_at"], row["sha256"], waited=True)
        for row in rows
        if row["sha256"] in wanted
    ]


_NEW_VISITS = """
INSERT INTO lineset.visit (id, station, visit, journal, month, meta, head, first_received_at)
OVERRIDING SYSTEM VALUE
SELECT u.id, u.station, u.visit, u.journal, u.month, u.meta::jsonb, ''::bytea, u.at
FROM unnest($1::bigint[], $2::text[], $3::text[], $4::text[], $5::date[], $6::text[], $7::timestamptz[])
    AS u (id, station, visit, journal, month, meta, at)
ON CONFLICT (station, visit) DO NOTHING RETURNING id
"""
_LOCK = """
SELECT id, station, visit, journal, blocks, head, sealed_at IS NOT NULL AS sealed FROM lineset.visit
WHERE id = ANY($1) ORDER BY id FOR UPDATE
"""
_UPDATE = """
UPDATE lineset.visit v SET
    blocks = u.blocks, through = u.through, head = u.head, carried = u.carried,
    technician = coalesce(u.technician, v.technician), phase = coalesce(u.phase, v.phase),
    systems = coalesce(u.systems::jsonb, v.systems), opened_at = coalesce(u.opened_at, v.opened_at),
    closed_at = coalesce(u.closed_at, v.closed_at), last_received_at = greatest(v.last_received_at, u.at),
    clock_ahead_s = greatest(v.clock_ahead_s, u.ahead)
FROM unnest($1::bigint[], $2::integer[], $3::bigint[], $4::bytea[], $5::bytea[], $6::text[], $7::text[], $8::text[],
            $9::timestamptz[], $10::timestamptz[], $11::timestamptz[], $12::double precision[])
    AS u (id, blocks, through, head, carried, technician, phase, systems, opened_at, closed_at, at, ahead)
WHERE v.id = u.id
"""


async def write(connection: Any, changes: Sequence[Change], collector: str) -> bool:
    """Store the changes, inside a transaction. False when a visit is not as it was known: roll back, read anew."""
    changes = sorted(changes, key=lambda change: change.known.id)  # all collectors lock in one order
    if not await _stations(connection, changes):
        return False
    new = [change for change in changes if not change.known.journal and change.outcome.taken]
    if new and not await _new_visits(connection, new):
        return False
    old = [change.known for change in changes if change.known.journal]
    if old:
        rows = {row["id"]: row for row in await connection.fetch(_LOCK, [known.id for known in old])}
        for known in old:
            # all of it: a database that was put back to a copy may have given a number to another visit since
            now = (known.id, known.station, known.visit, known.journal, known.blocks, known.head, known.sealed)
            if known.id not in rows or tuple(rows[known.id]) != now:
                return False
    await _copy(connection, changes, collector)
    await _update(connection, [change for change in changes if change.outcome.taken])
    sealed = [change for change in changes if change.outcome.seal is not None]
    if sealed:
        await connection.executemany(
            "UPDATE lineset.visit SET sealed_at = $2, seal = $3::text::jsonb WHERE id = $1",
            [(each.known.id, datetime.now(UTC), msgspec.json.encode(each.outcome.seal).decode()) for each in sealed],
        )
    asked = [each.known.id for each in changes if each.known.sealed and each.outcome.again]
    if asked:  # its receipt is said again
        await connection.execute(
            "UPDATE lineset.visit SET receipt_cleared_at = NULL WHERE id = ANY($1) AND receipt_cleared_at IS NOT NULL",
            asked,
        )
    await _waiting(connection, changes)
    await _aside(connection, changes, collector)
    return True


async def _stations(connection: Any, changes: Sequence[Change]) -> bool:
    stations = sorted({change.known.station for change in changes if change.outcome.taken and not change.known.journal})
    if stations:
        await connection.execute(
            "INSERT INTO lineset.station (station) SELECT unnest($1::text[]) ON CONFLICT DO NOTHING", stations
        )
    for change in changes:
        key = change.outcome.key
        if key is not None and key != await connection.fetchval(LEARN_KEY, change.known.station, key):
            return False  # another one is known by now
    return True


async def _new_visits(connection: Any, new: Sequence[Change]) -> bool:
    columns = [
        [change.known.id for change in new],
        [change.known.station for change in new],
        [change.known.visit for change in new],
        [change.outcome.known.journal for change in new],
        [change.known.month for change in new],
        [msgspec.json.encode(change.outcome.known.meta).decode() for change in new],
        [change.outcome.taken[0].at for change in new],
    ]
    return len(await connection.fetch(_NEW_VISITS, *columns)) == len(new)


async def _copy(connection: Any, changes: Sequence[Change], collector: str) -> None:
    readings: list[bytes] = []
    blocks: list[tuple[Any, ...]] = []
    tables: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
    for change in changes:
        known = change.known
        for taken, rows in zip(change.outcome.taken, change.rows, strict=True):
            block = taken.block
            blocks.append(
                (known.month, known.id, block.n, block.first, block.last, block.rows, block.gaps, block.t,
                 block.previous, block.hash, taken.data, taken.at, collector)
            )  # fmt: skip
            readings += rows.readings
            for table, values in rows.tables.items():
                tables[table] += values
    if blocks:
        await connection.copy_records_to_table("block", schema_name="lineset", columns=BLOCK_COLUMNS, records=blocks)
    if readings:
        await connection.copy_to_table(
            "reading", schema_name="lineset", columns=READING_COLUMNS, format="binary",
            source=memoryview(b"".join((COPY_HEAD, *readings, COPY_END))),  # bytes would be taken for a path
        )  # fmt: skip
    for table, values in tables.items():
        await connection.copy_records_to_table(table, schema_name="lineset", columns=COLUMNS[table], records=values)


async def _update(connection: Any, changes: Sequence[Change]) -> None:
    if not changes:
        return
    rows: list[tuple[Any, ...]] = []
    for change in changes:
        after = change.outcome.known
        facts: dict[str, Any] = {}
        ahead: float | None = None
        for taken, made in zip(change.outcome.taken, change.rows, strict=True):
            visit = made.visit
            for name in ("technician", "phase", "systems", "opened_at", "closed_at"):
                if (value := getattr(visit, name)) is not None:
                    facts[name] = value
            if visit.last_at is not None and (by := (visit.last_at - taken.at).total_seconds()) > 0:
                ahead = max(ahead or 0.0, by)
        assert after.carrier is not None
        rows.append(
            (after.id, after.blocks, after.through, after.head, after.carrier.dump(), facts.get("technician"),
             facts.get("phase"), facts.get("systems"), facts.get("opened_at"), facts.get("closed_at"),
             max(taken.at for taken in change.outcome.taken), ahead)
        )  # fmt: skip
    await connection.execute(_UPDATE, *(list(column) for column in zip(*rows, strict=True)))


async def _waiting(connection: Any, changes: Sequence[Change]) -> None:
    for change in changes:  # first, for the same bytes may have come once more
        if change.outcome.done_waiting or change.outcome.unwaited:
            known = change.outcome.known
            await connection.execute(
                "DELETE FROM lineset.waiting_block WHERE station = $1 AND visit = $2 AND (n <= $3 OR sha256 = ANY($4))",
                known.station, known.visit, known.blocks, change.outcome.unwaited,
            )  # fmt: skip
    waits = [
        (each.station, each.visit, each.n, waiting.part, waiting.parts, waiting.hash, each.sha256, each.payload,
         each.at)
        for change in changes
        for each, waiting in change.outcome.waits
    ]  # fmt: skip
    if waits:
        await connection.executemany(
            "INSERT INTO lineset.waiting_block (station, visit, n, part, parts, hash, sha256, payload, received_at) "
            "VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING",
            waits,
        )


_PUT_ASIDE = """
INSERT INTO lineset.set_aside (station, visit, n, reason, words, sha256, payload, received_at, times)
SELECT $1, $2, $3, $4, $5, $6, $7, $8, $9
WHERE (SELECT count(*) FROM lineset.set_aside WHERE station = $1 AND visit = $2) < $10
ON CONFLICT (station, visit, sha256) DO UPDATE SET times = set_aside.times + excluded.times
"""


async def _aside(connection: Any, changes: Sequence[Change], collector: str) -> None:
    new: dict[tuple[str, str, bytes], list[Any]] = {}
    kept_aside: set[int] = set()
    for change in changes:
        kept_aside |= {each.aside for each in change.outcome.refused}
        for each in change.outcome.aside:
            arrived = each.arrived
            if arrived.aside:
                kept_aside.add(arrived.aside)
                continue
            row = new.setdefault(
                (arrived.station, arrived.visit, arrived.sha256),
                [arrived.station, arrived.visit, arrived.n or None, each.reason, cleaned(each.words)[:2000],
                 arrived.sha256, arrived.payload, arrived.at, 0, MAX_ASIDE],
            )  # fmt: skip
            row[8] += 1
    if new:
        await connection.executemany(_PUT_ASIDE, list(new.values()))
    taken = [each for change in changes for each in change.asides if each not in kept_aside]
    if taken:
        await connection.execute(
            "UPDATE lineset.set_aside SET taken_at = now(), taken_by = $2 WHERE id = ANY($1) AND taken_at IS NULL",
            taken, collector,
        )  # fmt: skip


_KEPT_ASIDE = """
SELECT id, station, visit, coalesce(n, 0) AS n, sha256, payload, received_at FROM lineset.set_aside
WHERE reason = $1 AND taken_at IS NULL AND id > $2 ORDER BY id LIMIT 16
"""


async def asides(connection: Any, reason: str, after: int, mine: Callable[[str], bool]) -> tuple[list[Arrived], int]:
    """Some of what was put aside and the id of the last looked at; 0: there is no more."""
    rows = await connection.fetch(_KEPT_ASIDE, reason, after)
    found = [
        Arrived(row["station"], row["visit"], row["n"], row["payload"], row["received_at"], row["sha256"],
                aside=row["id"])
        for row in rows
        if mine(row["station"])
    ]  # fmt: skip
    return found, rows[-1]["id"] if rows else 0
