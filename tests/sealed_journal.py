"""For tests of what is made from a journal later: an invented visit, through the engine, in a sealed file."""

from __future__ import annotations

from pathlib import Path

from engine_entries import Bench

from lineset.contract import entry as e
from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.seal import StationKey

PHOTO = b"\xff\xd8\xff\xe0 not much of a picture"


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
