"""For tests of what is made from a journal later: an invented visit, through the engine, in a sealed file."""

from __future__ import annotations

import hashlib
from pathlib import Path

from engine_entries import GAUGES, PIPES, SYSTEM, WALL_NS, Bench

from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.seal import StationKey

PHOTO = b"\xff\xd8\xff\xe0 not much of a picture"
HASH = hashlib.sha256(PHOTO).hexdigest()


def a_short_visit() -> Bench:
    """Standing, running before and after, a clamp that moves on, an entered value, and a close."""
    bench = Bench().open().place_all()
    bench.standing(30)
    bench.push(e.Phased(phase="before"))
    bench.running(200)
    bench.place("clamp", "current", "herm_lead_current")
    bench.steady("clamp", 12, current=5.5)
    bench.push(e.Phased(phase="after"))
    bench.push(e.Entered(instrument="eye", system="main", point="return_air_temperature", value=24.0, text="24 degC"))
    bench.running(60)
    bench.push(e.Closed(by="t"))
    return bench


def a_tiny_visit() -> list[Row]:
    """Some seconds at rest, a photo in two parts, a close: small enough to be audited thousands of times."""
    bench = Bench()
    bench.push(
        e.Opened(
            station="van", visit="tiny", wall_ns=WALL_NS, version="0", fingerprint=fingerprint(), systems=(SYSTEM,)
        )
    )
    bench.push(PIPES)
    bench.push(GAUGES)
    bench.place("pipes", "t1", "vapor_line_temperature")
    bench.place("gauges", "low", "vapor_service_pressure")
    for _ in range(6):
        bench.steady("gauges", 0.5, low=120.0, high=360.0)
        bench.steady("pipes", 0.5, t1=52.0, t2=75.0)
    for part, data in enumerate((PHOTO[:9], PHOTO[9:])):
        bench.push(e.Blob(sha256=HASH, media_type="image/jpeg", size=len(PHOTO), part=part, parts=2, data=data))
    bench.push(e.Observed(system="main", photo=HASH, text="an invented remark"))
    bench.steady("pipes", 2, t1=52.0, t2=75.0)
    bench.push(e.Closed(by="t"))
    return [Row(*row) for row in bench.rows]


def seal_it(bench: Bench, path: Path, *, sealed: bool = True) -> Path:
    """Write what went through a bench, outputs too, into a journal file; returns its path."""
    key = StationKey.load_or_generate(path.with_name("station.key"))
    journal = JournalFile.create(path, meta={"station": "van", "visit": path.stem})
    rows = [Row(seq, t, kind, stored) for seq, t, kind, stored in bench.rows]
    for at in range(0, len(rows), 500):
        journal.append(rows[at : at + 500])
    if sealed:
        journal.put_seal(key, rows[-1].t)
    journal.close()
    return path
