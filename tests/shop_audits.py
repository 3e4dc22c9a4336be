"""For tests of the audit against a shop: an invented visit of two minutes, written as it was or forged."""

from __future__ import annotations

from pathlib import Path

import msgspec
from engine_entries import Bench

from lineset.audit.audit_record import Audit
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.journal.block import BlockRule, OpenBlock, frame_row, framed, genesis
from lineset.journal.file import JournalFile
from lineset.journal.rebuild import rebuild
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal, StationKey

RULE = BlockRule(rows=100, span=10**15)
META = {"station": "van", "visit": "spring-1"}


def a_visit() -> list[Row]:
    """A visit of two minutes as this engine records it."""
    bench = Bench().open().place_all()
    bench.standing(10)
    bench.push(e.Phased(phase="before"))
    bench.running(80)
    bench.push(e.Phased(phase="after"))
    bench.running(30)
    bench.push(e.Closed(by="t"))
    found = [Row(*row) for row in bench.rows]
    opened = e.decode(found[0].body)
    assert isinstance(opened, e.Opened)
    body = e.encode(msgspec.structs.replace(opened, fingerprint=fingerprint(), station="van", visit="spring-1"))
    return [Row(1, found[0].t, "opened", body), *found[1:]]


def write(
    path: Path, rows: list[Row], key: StationKey | None, meta: dict[str, str] | None = None, rule: BlockRule = RULE
) -> Path:
    with JournalFile.create(path, meta=meta or META, rule=rule) as journal:
        items: list[Row | Gap] = list(rows)
        journal.append(items)
        if key is not None:
            journal.put_seal(key, rows[-1].t)
    return path


def renumbered(rows: list[Row]) -> list[Row]:
    return [Row(seq, row.t, row.kind, row.body) for seq, row in enumerate(rows, start=1)]


def forged(path: Path, meta: dict[str, str], rows: list[Row], key: StationKey) -> Path:
    """A journal with the very description of another one, its chain worked out anew, sealed."""
    made, blocks, begin = OpenBlock(1, genesis(meta)), [], 0
    for n, row in enumerate(rows, start=1):
        made.add_row(row, frame_row(row))
        if made.full(RULE) or n == len(rows):
            blocks.append((made.close(), framed(rows[begin:n])))
            made, begin = made.next(blocks[-1][0]), n
    last = blocks[-1][0]
    seal = Seal(len(blocks), len(rows), 0, 1, rows[-1].seq, rows[-1].t, last.hash, b"", b"")
    rebuild(path, meta, blocks, key.sign(seal, genesis(meta)), durably=False)
    return path


def wrong_texts(found: Audit) -> list[str]:
    return [remark.text for remark in found.wrong]
