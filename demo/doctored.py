"""A record that somebody doctored: one reading altered, every hash made anew, sealed with the station's stolen key.

By itself such a file is sound. Only who has received its blocks before can tell, which is what the demo shows.
"""

from __future__ import annotations

from pathlib import Path

from lineset.contract import entry as e
from lineset.journal.block import OpenBlock, frame_row, framed
from lineset.journal.reader import JournalReader
from lineset.journal.rebuild import rebuild
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal, StationKey
from lineset_drivers.frame import Sample

LIE = -6.2  # in the unit that the instrument sends


def doctor(journal: Path, copy: Path, key_file: Path) -> int:
    """Write the copy; the seq of the entry that lies. Raises JournalError."""
    with JournalReader(journal) as reader:
        meta, blocks = reader.meta, reader.blocks()
        items: list[Row | Gap] = [*reader.rows(reader.first_seq), *reader.gaps()]
        sealed_t = reader.last_t()
        start = reader.genesis
    items.sort(key=lambda item: item.seq if isinstance(item, Row) else item.first)
    frames = [item for item in items if isinstance(item, Row) and item.kind == "frame" and b'"gauges"' in item.body]
    victim = frames[len(frames) // 2]
    made, previous = [], start
    for block in blocks:
        here = [_altered(item, victim.seq) for item in items if block.first <= _seq(item) <= block.last]
        filling = OpenBlock(block.n, previous)
        for item in here:
            if isinstance(item, Row):
                filling.add_row(item, frame_row(item))
            else:
                filling.add_gap(item)
        closed = filling.close()
        made.append((closed, framed(here)))
        previous = closed.hash
    last = made[-1][0]
    rows, gaps = sum(b.rows for b, _ in made), sum(b.gaps for b, _ in made)
    seal = StationKey.load(key_file).sign(
        Seal(last.n, rows, gaps, made[0][0].first, last.last, sealed_t, last.hash, b"", b""), start
    )
    copy.parent.mkdir(parents=True, exist_ok=True)
    rebuild(copy, meta, made, seal)
    return victim.seq


def _seq(item: Row | Gap) -> int:
    return item.seq if isinstance(item, Row) else item.first


def _altered(item: Row | Gap, seq: int) -> Row | Gap:
    if not isinstance(item, Row) or item.seq != seq:
        return item
    body = e.decode(item.body)
    assert isinstance(body, e.Framed)
    told, *others = body.samples
    lie = Sample(told.channel, round((told.value or 0.0) + LIE, 1), told.unit, told.flag)
    forged = e.Framed(instrument=body.instrument, raw=body.raw, samples=(lie, *others), spool=body.spool)
    return Row(item.seq, item.t, item.kind, e.encode(forged))
