"""For tests of the shop: a journal's blocks as messages, made here anew from the file and the words of the contract."""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from engine_entries import CLAMP, GAUGES, NS, PIPES, SYSTEM

from lineset.contract import entry as e
from lineset.journal.block import BlockRule, framed
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey
from lineset.shop.block_message import Arrived
from lineset_drivers.frame import Sample

WALL_NS = 1_790_000_000 * NS
PHOTO = bytes(range(256)) * 30
AT = datetime(2026, 11, 25, tzinfo=UTC)


@dataclass(frozen=True)
class Sent:
    """A journal as its station would send it: `payloads[n - 1]` are the messages of block n."""

    path: Path
    station: str
    visit: str
    payloads: list[list[bytes]]

    @property
    def all(self) -> list[tuple[int, bytes]]:
        return [(n, payload) for n, parts in enumerate(self.payloads, start=1) for payload in parts]

    def arrived(self, n: int, payload: bytes) -> Arrived:
        return Arrived(self.station, self.visit, n, payload, AT, hashlib.sha256(payload).digest())


def sent(path: Path, *, part: int = 1 << 30) -> Sent:
    """The blocks of a journal file, cut into parts of so many bytes."""
    payloads = []
    with JournalReader(path) as reader:
        items: list[Row | Gap] = sorted([*reader.rows(), *reader.gaps()], key=lambda x: getattr(x, "seq", 0) or x.first)  # type: ignore[union-attr]
        seal, blocks, meta = reader.seal(), reader.blocks(), reader.meta
    for block in blocks:
        inside = [x for x in items if block.first <= (x.seq if isinstance(x, Row) else x.first) <= block.last]
        data = zlib.compress(framed(inside))
        pieces = [data[at : at + part] for at in range(0, len(data), part)]
        parts = []
        for n, piece in enumerate(pieces):
            message: dict[str, Any] = {
                "format": 1, "journal": meta["id"], "n": block.n, "first": block.first, "last": block.last,
                "rows": block.rows, "gaps": block.gaps, "t": block.t, "previous": b64(block.previous),
                "hash": b64(block.hash), "data": b64(piece), "part": n, "parts": len(pieces),
            }  # fmt: skip
            if block.n == 1 and n == 0:
                message["meta"] = meta
            if block.n == len(blocks) and seal is not None:
                message["seal"] = {
                    "blocks": seal.blocks, "rows": seal.rows, "gaps": seal.gaps, "first": seal.first,
                    "last": seal.last, "t": seal.t, "head": b64(seal.head), "public_key": b64(seal.public_key),
                    "signature": b64(seal.signature),
                }  # fmt: skip
            parts.append(json.dumps(message).encode())
        payloads.append(parts)
    return Sent(path, meta["station"], meta["visit"], payloads)


def b64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def changed(payload: bytes, **changes: Any) -> bytes:
    """A message with other fields; None takes one away."""
    message = {**json.loads(payload), **changes}
    return json.dumps({key: value for key, value in message.items() if value is not None}).encode()


def bodies(frames: int = 60) -> list[tuple[float, e.AnyBody]]:
    """(seconds, body): an invented visit in which everything occurs that has a table of its own."""
    sha256 = hashlib.sha256(PHOTO).hexdigest()
    rows: list[tuple[float, e.AnyBody]] = [
        (0, GAUGES),
        (0, PIPES),
        (0, CLAMP),
        (0, e.InstrumentChanged(instrument="pipes", state="linked", reason="gives samples", identity="SN-1")),
        (1, e.Placed(instrument="pipes", channel="t1", system="main", point="vapor_line_temperature", by="t")),
        (1, e.Placed(instrument="gauges", channel="low", system="main", point="vapor_service_pressure", by="t")),
        (2, e.Phased(phase="before", by="t")),
    ]
    for n in range(frames):
        t = 3 + n * 0.5
        samples = (Sample("t1", 50.0 + n % 3, ""), Sample("t2", None, "degF", "invalid"))
        rows.append((t, e.Framed(instrument="pipes", raw=b"\1\2\3", samples=samples)))
        rows.append((t, e.Framed(instrument="gauges", raw=b"", samples=(Sample("low", 120.0, "psig"),))))
        if n % 2:
            rows.append((t, e.Derived(system="main", values={"vapor_saturation": (4.4, 0.2)})))
            rows.append((t, e.Tick()))
    t = 4 + frames * 0.5
    rows += [
        (t, e.Settled(system="main", phase="before", name="vapor_line_temperature", value=10.5, unit="Cel", u=0.3,
                      low=9.9, high=11.1, instrument="pipes", channel="t1")),
        (t, e.Unsettled(system="main", phase="before", name="vapor_line_temperature", reason="it moves")),
        (t, e.Checked(system="main", phase="before", name="superheat", title="superheat", state="pass", reason="r",
                      value=6.0, unit="K")),
        (t, e.Finding(system="main", phase="before", id="low_charge", title="f", state="open", rank=1)),
        (t, e.Blob(sha256=sha256, media_type="image/jpeg", size=len(PHOTO), part=0, parts=2, data=PHOTO[:4000])),
        (t, e.Blob(sha256=sha256, media_type="image/jpeg", size=len(PHOTO), part=1, parts=2, data=PHOTO[4000:])),
        (t, e.Observed(system="main", text="a bulged can", photo=sha256, wants=("part",), by="t")),
        (t, e.Noted(text="gate code changed", by="t")),
        (t, e.WallClock(wall_ns=WALL_NS + 7200 * NS, step_ns=NS)),
        (t + 1, e.Framed(instrument="pipes", raw=b"", samples=(Sample("t1", 51.0, ""),))),
        (t + 2, e.Closed(by="t")),
    ]  # fmt: skip
    return rows


def write_journal(
    folder: Path, rows: Sequence[tuple[float, e.AnyBody | Row]] | None = None, *, station: str = "van-1",
    visit: str = "visit-1", block_rows: int = 20, sealed: bool = True, key: StationKey | None = None,
    wall_ns: int = WALL_NS, gap: bool = False,
) -> Path:  # fmt: skip
    """A visit's journal in small blocks. A `Row` among the rows goes in as it is, but for its seq."""
    folder.mkdir(exist_ok=True)
    path = folder / f"{visit}.journal"
    key = key or StationKey.load_or_generate(folder / f"{station}.key")
    rule = BlockRule(rows=block_rows, span=10**18)
    journal = JournalFile.create(path, meta={"station": station, "visit": visit}, rule=rule)
    opened = e.Opened(station=station, visit=visit, wall_ns=wall_ns, version="0", fingerprint="test", systems=(SYSTEM,),
                      technician="technician 7")  # fmt: skip
    seq, batch = 1, [Row(1, 0, "opened", e.encode(opened))]
    for t, body in rows if rows is not None else bodies():
        seq += 1
        if isinstance(body, Row):
            batch.append(Row(seq, round(t * NS), body.kind, body.body))
        else:
            batch.append(Row(seq, round(t * NS), e.kind_of(body), e.encode(body)))
    journal.append(batch)
    if gap:
        journal.append([Gap(seq + 1, seq + 3, batch[-1].t, "memory was full")])
        journal.append([Row(seq + 4, batch[-1].t, "note", e.encode(e.Noted(text="after a gap")))])
    if sealed:
        journal.put_seal(key, batch[-1].t)
    journal.close()
    return path
