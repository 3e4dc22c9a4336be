"""For tests of the shop: what the database has to hold of a journal, worked out here without the collector's code."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any

from shop_blocks import Sent

from lineset.journal.block import Block, hash_of, read_framed
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset_drivers.quantity import SI_UNIT, Quantity, to_si


def reading_rows(sent: Sent) -> list[tuple[Any, ...]]:
    """(seq, n, at, t_ns, instrument, channel, system, point, value, unit, sent, sent_unit, flag), from the file."""
    units: dict[tuple[str, str], tuple[Quantity, str]] = {}
    places: dict[tuple[str, str], tuple[str, str]] = {}
    offset = 0
    found = []
    with JournalReader(sent.path) as reader:
        for row in reader.rows():
            body = json.loads(row.body)
            if row.kind in ("opened", "wall", "resumed"):
                offset = body["wall_ns"] - row.t
            elif row.kind == "introduced":
                for channel in body["channels"]:
                    units[body["instrument"], channel["name"]] = (Quantity(channel["quantity"]), channel["unit"])
            elif row.kind == "placed":
                places[body["instrument"], body["channel"]] = (body.get("system", ""), body.get("point", ""))
            elif row.kind == "frame":
                at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=(row.t + offset) // 1000)
                for n, (channel, value, unit, flag) in enumerate(body["samples"]):
                    who = (body["instrument"], channel)
                    quantity, own = units[who]
                    good = value is not None and not flag and unit in ("", own)
                    si = to_si(value, own, quantity) if good else None
                    found.append((row.seq, n, at, row.t, *who, *places.get(who, ("", "")), si, SI_UNIT[quantity],
                                  value, unit or own, flag))  # fmt: skip
    return found


_READINGS = """
SELECT seq, n, at, t_ns, instrument, channel, system, point, value, unit, sent, sent_unit, flag
FROM lineset.reading WHERE visit_id = $1 ORDER BY seq, n
"""
_OWN_TABLES = {
    "settled": ("settled", "unsettled"),
    "placement": ("placed",),
    "check_verdict": ("check",),
    "finding": ("finding",),
    "observation": ("observation", "note"),
    "photo": ("blob",),
    "derived": ("derived",),
}


async def assert_whole(connection: Any, sent: Sent, *, sealed: bool = True) -> None:
    """Every entry of the journal is in the database exactly once, and nothing else of this visit."""
    visit = await connection.fetchrow(
        "SELECT * FROM lineset.visit WHERE station = $1 AND visit = $2", sent.station, sent.visit
    )
    assert visit is not None, "nothing of the visit is there"
    with JournalReader(sent.path) as reader:
        blocks, rows, gaps = reader.blocks(), list(reader.rows()), reader.gaps()
        meta, seal = reader.meta, reader.seal()
    last = blocks[-1].last
    rows = [row for row in rows if row.seq <= last]
    assert (visit["blocks"], visit["through"], bytes(visit["head"])) == (len(blocks), last, blocks[-1].hash)
    assert (visit["journal"], json.loads(visit["meta"])) == (meta["id"], meta)
    assert (visit["sealed_at"] is not None) is sealed
    if sealed:
        assert seal is not None
        assert json.loads(visit["seal"])["rows"] == seal.rows
    # the bytes are those that were hashed
    stored = await connection.fetch("SELECT * FROM lineset.block WHERE visit_id = $1 ORDER BY n", visit["id"])
    assert len(stored) == len(blocks)
    items = []
    for row, block in zip(stored, blocks, strict=True):
        here = Block(row["n"], row["first"], row["last"], row["rows"], row["gaps"], row["t_ns"], row["previous"],
                     row["hash"])  # fmt: skip
        assert here == block
        assert hash_of(here, zlib.decompress(row["data"])) == block.hash
        items += read_framed(zlib.decompress(row["data"]))
    assert [item for item in items if isinstance(item, Row)] == rows
    # and the tables say the same
    readings = await connection.fetch(_READINGS, visit["id"])
    expected = reading_rows(sent)
    assert [tuple(row) for row in readings] == [each for each in expected if each[0] <= last]
    events = await connection.fetch(
        "SELECT seq, kind, body FROM lineset.event WHERE visit_id = $1 ORDER BY seq", visit["id"]
    )
    told = {row.seq: (row.kind, json.loads(row.body)) for row in rows
            if row.kind not in ("frame", "derived", "tick", "blob")}  # fmt: skip
    told |= {gap.first: ("gap", {"first": gap.first, "last": gap.last, "reason": gap.reason}) for gap in gaps}
    assert {row["seq"]: (row["kind"], json.loads(row["body"])) for row in events} == told
    assert len(events) == len(told)
    for table, kinds in _OWN_TABLES.items():
        seqs = await connection.fetch(f"SELECT seq FROM lineset.{table} WHERE visit_id = $1", visit["id"])
        expected_seqs = Counter(row.seq for row in rows if row.kind in kinds)
        assert Counter(row["seq"] for row in seqs) == expected_seqs, table
    parts = await connection.fetch(
        "SELECT sha256, data FROM lineset.photo WHERE visit_id = $1 ORDER BY part", visit["id"]
    )
    for sha256 in {row["sha256"] for row in parts}:
        data = b"".join(row["data"] for row in parts if row["sha256"] == sha256)
        assert hashlib.sha256(data).hexdigest() == sha256
    waiting = await connection.fetchval(
        "SELECT count(*) FROM lineset.waiting_block WHERE station = $1 AND visit = $2", sent.station, sent.visit
    )
    assert waiting == 0, "what became part of the record still waits"
