"""For tests of what the shop received: a journal's blocks put into its tables, as if they had come."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from lineset.audit.visit_record import wall_offset
from lineset.contract import entry as e
from lineset.contract.transfer import SealRecord
from lineset.journal.block import Block, framed, read_framed
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.shop.carrying import Carrier
from lineset.shop.rows_of_block import COLUMNS, COPY_END, COPY_HEAD, READING_COLUMNS, rows_of_block

FACTS = ("technician", "phase", "systems", "opened_at", "closed_at")
ARRIVES_S = 0.4  # how long a block is on its way, unless told otherwise


def sent_blocks(path: Path) -> list[tuple[Block, bytes]]:
    """The blocks of a journal with their framed bytes."""
    with JournalReader(path) as reader:
        gaps, rows = reader.gaps(), list(reader.rows())
        found = []
        for block in reader.blocks():
            held: list[Row | Gap] = [row for row in rows if block.first <= row.seq <= block.last]
            held += [gap for gap in gaps if block.first <= gap.first <= block.last]
            held.sort(key=lambda item: item.seq if isinstance(item, Row) else item.first)
            found.append((block, framed(held)))
        return found


def closed_at(path: Path) -> Callable[[Block], datetime]:
    """When each block was closed by the station's clock."""
    with JournalReader(path) as reader:
        walls = [
            (row.seq, offset)
            for row in reader.rows(1, {"opened", "wall", "resumed"})
            if (offset := wall_offset(e.Entry(row.seq, row.t, e.decode(row.body)))) is not None
        ]

    def when(block: Block) -> datetime:
        offset = [value for since, value in walls if since <= block.last][-1]
        return datetime.fromtimestamp((block.t + offset) / 1e9, UTC)

    return when


async def put_visit(
    connection: Any,
    path: Path,
    key: bytes | None,
    *,
    blocks: int | None = None,
    late: dict[int, float] | None = None,
    collector: str = "c1",
) -> int:
    """Store a journal's blocks (the first `blocks` of them) as received; returns the visit's id.

    `late` are seconds after closing at which blocks came, by number. The seal is stored when all of them are.
    """
    with JournalReader(path) as reader:
        meta, seal, genesis = dict(reader.meta), reader.seal(), reader.genesis
        first = next(iter(reader.rows(1, {"opened"})))
    opened = e.decode(first.body)
    assert isinstance(opened, e.Opened)
    every = sent_blocks(path)
    taken = every[:blocks]
    when = closed_at(path)
    came = [when(block) + timedelta(seconds=(late or {}).get(block.n, ARRIVES_S)) for block, _ in taken]
    record = None
    if seal is not None and len(taken) == len(every):
        record = msgspec.json.encode(SealRecord(**msgspec.structs.asdict(seal))).decode()
    await connection.execute(
        "INSERT INTO lineset.station (station, public_key) VALUES ($1, $2) ON CONFLICT DO NOTHING", meta["station"], key
    )
    head, through = (taken[-1][0].hash, taken[-1][0].last) if taken else (genesis, 0)
    opened_at = datetime.fromtimestamp(opened.wall_ns / 1e9, UTC)
    id = await connection.fetchval(
        """
        INSERT INTO lineset.visit (station, visit, journal, month, meta, blocks, through, head, opened_at, sealed_at,
                                   seal, first_received_at, last_received_at)
        VALUES ($1, $2, $3, date_trunc('month', now() AT TIME ZONE 'UTC')::date, $4, $5, $6, $7, $8, $9, $10, $11, $12)
        RETURNING id
        """,
        meta["station"], meta["visit"], meta["id"], msgspec.json.encode(meta).decode(), len(taken), through, head,
        opened_at, came[-1] if record else None, record, min(came, default=opened_at), max(came, default=opened_at),
    )  # fmt: skip
    await connection.executemany(
        """
        INSERT INTO lineset.block
        SELECT month, id, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12 FROM lineset.visit WHERE id = $1
        """,
        [
            (
                id, block.n, block.first, block.last, block.rows, block.gaps, block.t, block.previous, block.hash,
                zlib.compress(data), at, collector,
            )
            for (block, data), at in zip(taken, came, strict=True)
        ],
    )  # fmt: skip
    assert isinstance(id, int)
    await _put_tables(connection, id, taken)
    return id


async def _put_tables(connection: Any, id: int, taken: list[tuple[Block, bytes]]) -> None:
    """The rows that a collector makes of the blocks."""
    month = await connection.fetchval("SELECT month FROM lineset.visit WHERE id = $1", id)
    carrier, facts = Carrier(), dict[str, Any]()
    for _, data in taken:
        made = rows_of_block(read_framed(data), month, id, carrier)
        carrier = made.carrier
        facts |= {name: value for name in FACTS if (value := getattr(made.visit, name)) is not None}
        await connection.copy_to_table(
            "reading", schema_name="lineset", columns=READING_COLUMNS, format="binary",
            source=memoryview(b"".join((COPY_HEAD, *made.readings, COPY_END))),
        )  # fmt: skip
        for table, rows in made.tables.items():
            await connection.copy_records_to_table(table, schema_name="lineset", columns=COLUMNS[table], records=rows)
    for name, value in facts.items():
        await connection.execute(f"UPDATE lineset.visit SET {name} = $2 WHERE id = $1", id, value)
