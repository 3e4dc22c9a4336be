"""The reckoning: what the vans' journals hold against what the shop's database holds, row by row; then every audit."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fleet_shop import FleetShop, program

from lineset.contract import entry as e
from lineset.journal.block import framed
from lineset.journal.reader import JournalReader
from lineset.journal.visit_files import visit_path
from lineset.shop.database import connected


async def reckon(
    shop: FleetShop, vans: Path, visit: str, names: list[str], say: Callable[[str], None]
) -> dict[str, object]:
    """Figures by name; `sound` says whether everything is there once and every audit passes."""
    entries = values = wrong = 0
    async with connected(shop.config.database("auditor")) as db:
        for name in names:
            path = visit_path(vans / name, visit)
            if not path.exists():
                wrong += 1
                continue
            rows, sent, same = await _one(db, path, name, visit)
            entries, values = entries + rows, values + sent
            wrong += not same
        lag = await db.fetchrow(
            "SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY lag) AS p50, percentile_cont(0.99) WITHIN GROUP "
            "(ORDER BY lag) AS p99, max(lag) AS most FROM (SELECT extract(epoch FROM b.received_at - v.opened_at) "
            "- b.t_ns / 1e9 AS lag FROM lineset.block b JOIN lineset.visit v ON v.id = b.visit_id) AS each"
        )
        aside = await db.fetchval("SELECT count(*) FROM lineset.set_aside")
        waiting = await db.fetchval("SELECT count(*) FROM lineset.waiting_block")
    say(f"{entries} entries of {len(names)} stations compared, {wrong} stations differ")
    began = time.monotonic()
    passed, of = await asyncio.to_thread(_audits, shop)
    return {
        "stations": len(names),
        "entries": entries,
        "values that instruments sent": values,
        "stations that differ": wrong,
        "set aside": aside,
        "waiting": waiting,
        "audits that pass": f"{passed} of {of}",
        "audits took": f"{time.monotonic() - began:.0f} s",
        "block closed to committed, s": f"p50 {lag['p50']:.2f}, p99 {lag['p99']:.2f}, most {lag['most']:.2f}",
        "sound": not wrong and passed == of == len(names),
    }


async def _one(db: Any, path: Path, name: str, visit: str) -> tuple[int, int, bool]:
    """Rows and values in the van's journal, and whether the shop has just these, once."""
    with JournalReader(path) as reader:
        rows, blocks, seal = list(reader.rows()), reader.blocks(), reader.seal()
    sent = [(row.seq, n, s) for row in rows if row.kind == "frame" for n, s in enumerate(_samples(row.body))]
    found = await db.fetchrow("SELECT * FROM lineset.visit WHERE station = $1 AND visit = $2", name, visit)
    if found is None or seal is None or bytes(found["head"]) != seal.head or found["sealed_at"] is None:
        return len(rows), len(sent), False
    kept = await db.fetch("SELECT n, data FROM lineset.block WHERE visit_id = $1 ORDER BY n", found["id"])
    there = b"".join(zlib.decompress(bytes(block["data"])) for block in kept)
    read = await db.fetch(
        "SELECT seq, n, channel, sent FROM lineset.reading WHERE visit_id = $1 ORDER BY seq, n", found["id"]
    )
    events = await db.fetchval(
        "SELECT count(*) FROM (SELECT seq FROM lineset.event WHERE visit_id = $1 UNION ALL "
        "SELECT seq FROM lineset.derived WHERE visit_id = $1) AS kept",
        found["id"],
    )
    others = sum(row.kind not in ("frame", "tick", "blob") for row in rows)
    same = (
        len(kept) == len(blocks)
        and there == framed(rows)
        and [(row["seq"], row["n"], row["channel"], row["sent"]) for row in read]
        == [(seq, n, sample.channel, sample.value) for seq, n, sample in sent]
        and events == others
    )
    return len(rows), len(sent), same


def _samples(body: bytes) -> tuple[Any, ...]:
    decoded = e.decode(body)
    assert isinstance(decoded, e.Framed)
    return decoded.samples


def _audits(shop: FleetShop) -> tuple[int, int]:
    """How many of the shop's visits pass their audit, and how many there are."""
    env = {**os.environ, "LINESET_SHOP": str(shop.folder)}
    said = subprocess.run([program(), "audit", "--shop", "--json"], env=env, capture_output=True, check=False)
    audits = json.loads(said.stdout)
    return sum(audit["outcome"] == "pass" for audit in audits), len(audits)
