"""A visit's journal as tables: what was read, raw and brought to the schema, what settled, what was judged.

`readings` come from the record's own inputs through the engine, as they went through it then; everything else is as
recorded. All figures are SI, units by RFC 8428, times UTC (ISO 8601) beside visit time in seconds.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import msgspec

from lineset.audit.visit_record import wall_offset, wall_time
from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.engine.fold import Engine
from lineset.equipment.points import POINTS
from lineset.journal.reader import JournalReader
from lineset_drivers.quantity import SI_UNIT

Progress = Callable[[int, int], None]  # entries done, entries in all

FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r", "\n")
TEXT, NUMBER, WHOLE, YES = "VARCHAR", "DOUBLE", "BIGINT", "BOOLEAN"


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, its SQL type, and what it holds."""

    name: str
    type: str
    about: str


_WHEN = (
    Column("seq", WHOLE, "number of the journal's entry"),
    Column("wall", "TIMESTAMPTZ", "UTC, by the station's clock as it stood then"),
    Column("t_s", NUMBER, "visit time in seconds"),
)
_WHOSE = (Column("instrument", TEXT, "its id"), Column("channel", TEXT, "of the instrument"))
_WHAT = (
    Column("system", TEXT, "id of the system served"),
    Column("name", TEXT, "point, or derived value"),
    Column("value", NUMBER, "SI"),
    Column("unit", TEXT, "RFC 8428 symbol"),
    Column("u", NUMBER, "standard uncertainty, in the same unit"),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "samples": (
        *_WHEN,
        *_WHOSE,
        Column("sent", NUMBER, "value as the instrument sent it"),
        Column("sent_unit", TEXT, "unit as sent"),
        Column("flag", TEXT, "empty, or why it is no good value"),
    ),
    "readings": (
        *_WHEN,
        *_WHAT,
        Column("quality", TEXT, "good, stale, over_range, frozen ..."),
        Column("settled", YES, "whether the reading was settled then"),
        *_WHOSE,
    ),
    "derived": (*_WHEN, *_WHAT),
    "settled": (
        *_WHEN,
        *_WHAT,
        Column("low", NUMBER, "95 % interval"),
        Column("high", NUMBER, "95 % interval"),
        Column("phase", TEXT, "of the visit"),
        Column("settled", YES, "false: it stopped being steady"),
        Column("reason", TEXT, "why it stopped"),
        Column("window_s", NUMBER, "length of the window"),
        Column("samples", WHOLE, "in the window"),
        Column("run", TEXT, "state of the system"),
        Column("run_s", NUMBER, "for how long"),
        Column("origin", TEXT, "instrument, entered, derived"),
        *_WHOSE,
    ),
    "checks": (
        *_WHEN,
        *_WHAT,
        Column("phase", TEXT, "of the visit"),
        Column("state", TEXT, "pass, fail, undecided, not_applicable, advisory"),
        Column("target", NUMBER, "SI"),
        Column("low", NUMBER, "limit"),
        Column("high", NUMBER, "limit"),
        Column("probability", NUMBER, "that the true value conforms"),
        Column("rule", TEXT, "decision rule"),
        Column("source", TEXT, "what the limit rests on"),
        Column("reason", TEXT, "in words"),
    ),
    "findings": (
        *_WHEN,
        Column("system", TEXT, "id of the system served"),
        Column("phase", TEXT, "of the visit"),
        Column("id", TEXT, "cause"),
        Column("title", TEXT, "in words"),
        Column("state", TEXT, "open, withdrawn"),
        Column("rank", WHOLE, "1 is the likeliest"),
        Column("confidence", TEXT, "clear, likely, probable, possible"),
    ),
    "placements": (
        *_WHEN,
        *_WHOSE,
        Column("system", TEXT, "empty: taken away"),
        Column("point", TEXT, "empty: taken away"),
        Column("by", TEXT, "who placed it"),
        Column("supersedes", WHOLE, "seq of the entry that it puts right, or 0"),
    ),
    "entries": (
        *_WHEN,
        Column("kind", TEXT, "of the entry"),
        Column("body", TEXT, "as recorded, JSON"),
    ),
}
# What is in a table of its own, or too much and of no use alone.
_NOT_AMONG_ENTRIES = frozenset(
    {"frame", "derived", "tick", "blob", "settled", "unsettled", "check", "finding", "placed"}
)


def unit_of_name(name: str) -> str:
    """Unit symbol of a point or derived value; empty for neither (a record may be of another version)."""
    base = name.partition(".")[0]
    found = POINTS.get(base) or CATALOGUE.get(base)
    return SI_UNIT[found.quantity] if found is not None else ""


def rows_of(path: Path, progress: Progress | None = None) -> Iterator[tuple[str, tuple[Any, ...]]]:
    """All rows of all tables: (table, values in order of its columns). Raises JournalError, EntryError."""
    engine = Engine("")
    walls: list[tuple[int, int]] = []
    with JournalReader(path) as reader:
        last = reader.last_seq()
        for row in reader.rows():
            body = e.decode(row.body)
            entry = e.Entry(row.seq, row.t, body)
            offset = wall_offset(entry)
            if offset is not None:
                walls.append((row.seq, offset))
            when = (row.seq, wall_time(walls, row.seq, row.t).isoformat(), row.t / 1e9)
            if e.is_input(row.kind):
                engine.push(row.seq, row.t, body)  # type: ignore[arg-type]
                for live in engine.take_live():
                    if not live.derived:
                        yield "readings", (
                            *when, live.system, live.name, live.value, unit_of_name(live.name),
                            live.u if live.value is not None else None, str(live.quality), live.settled,
                            live.instrument, live.channel,
                        )  # fmt: skip
            yield from _rows(body, when)
            if row.kind not in _NOT_AMONG_ENTRIES:
                yield "entries", (*when, row.kind, row.body.decode())
            if progress is not None and row.seq % 500 == 0:
                progress(row.seq, last)
        if progress is not None:
            progress(last, last)


def _rows(body: e.AnyBody, when: tuple[Any, ...]) -> Iterator[tuple[str, tuple[Any, ...]]]:
    if isinstance(body, e.Framed):
        for sample in body.samples:
            yield "samples", (*when, body.instrument, sample.channel, sample.value, sample.unit, sample.flag)
    elif isinstance(body, e.Derived):
        for name, (value, u) in body.values.items():
            yield "derived", (*when, body.system, name, value, unit_of_name(name), u)
    elif isinstance(body, e.Settled):
        yield "settled", (
            *when, body.system, body.name, body.value, body.unit, body.u, body.low, body.high, body.phase, True, "",
            body.window_s, body.samples, body.run, body.run_s, body.origin, body.instrument, body.channel,
        )  # fmt: skip
    elif isinstance(body, e.Unsettled):
        yield "settled", (
            *when, body.system, body.name, None, unit_of_name(body.name), None, None, None, body.phase, False,
            body.reason, None, None, "", None, "", "", "",
        )  # fmt: skip
    elif isinstance(body, e.Checked):
        yield "checks", (
            *when, body.system, body.name, body.value, body.unit, body.u, body.phase, body.state, body.target,
            body.low, body.high, body.probability, body.rule, body.source, body.reason,
        )  # fmt: skip
    elif isinstance(body, e.Finding):
        yield "findings", (
            *when, body.system, body.phase, body.id, body.title, body.state, body.rank, body.confidence,
        )  # fmt: skip
    elif isinstance(body, e.Placed):
        yield "placements", (
            *when, body.instrument, body.channel, body.system, body.point, body.by, body.supersedes
        )  # fmt: skip


@contextlib.contextmanager
def _whole_in(out: Path) -> Iterator[Path]:
    """A folder for files on their way: in `out` they have their names when all are whole, and not at all otherwise."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".export-", dir=out) as made:
        scrap = Path(made)
        yield scrap
        for file in sorted(scrap.iterdir()):
            file.replace(out / file.name)


def inert(text: str) -> str:
    """A text cell of a CSV file that no spreadsheet takes for a formula: an apostrophe goes before = + - @ and such.

    The characters are those that OWASP names for "CSV injection".
    """
    return f"'{text}" if text.startswith(FORMULA_BEGINS) else text


def to_csv(path: Path, out: Path, progress: Progress | None = None) -> dict[str, int]:
    """One CSV file a table (RFC 4180, UTF-8, a header line), text cells `inert`. Returns rows by table.

    Raises also OSError.
    """
    with _whole_in(out) as scrap:
        return _csv_files(path, scrap, progress, inert)


def _csv_files(path: Path, out: Path, progress: Progress | None, told: Callable[[str], str]) -> dict[str, int]:
    """The CSV files in a folder that is there, each text cell as `told`."""
    counts = dict.fromkeys(TABLES, 0)
    with contextlib.ExitStack() as stack:
        writers = {}
        for table, columns in TABLES.items():
            file = stack.enter_context((out / f"{table}.csv").open("w", encoding="utf-8", newline=""))
            writers[table] = csv.writer(file)
            writers[table].writerow(column.name for column in columns)
        for table, values in rows_of(path, progress):
            writers[table].writerow(
                told(value) if isinstance(value, str) and column.type == TEXT else value
                for column, value in zip(TABLES[table], values, strict=True)
            )
            counts[table] += 1
    return counts


def to_parquet(path: Path, out: Path, progress: Progress | None = None) -> dict[str, int]:
    """One Parquet file a table, with typed columns. Returns rows by table."""
    import duckdb

    with _whole_in(out) as scrap, duckdb.connect() as db:
        counts = _csv_files(path, scrap, progress, str)
        for table, columns in TABLES.items():
            source, target = scrap / f"{table}.csv", scrap / f"{table}.parquet"
            types = ", ".join(f"'{column.name}': '{column.type}'" for column in columns)
            read = (
                f"read_csv({_quoted(source)}, header = true, columns = {{{types}}}, nullstr = '', "
                "allow_quoted_nulls = false, parallel = false)"
            )
            db.execute(f"COPY (SELECT * FROM {read}) TO {_quoted(target)} (FORMAT parquet, COMPRESSION zstd)")
            source.unlink()
    return counts


def _quoted(path: Path) -> str:
    return "'" + str(path).replace("'", "''") + "'"


# Symbols of the units registry of RFC 8428 and its additions that our values have.
_REGISTERED = frozenset(
    {"Cel", "K", "Pa", "%RH", "A", "V", "Ohm", "F", "Hz", "W", "VA", "J", "m/s", "m3/s", "m2", "kg/m3"}
)


def to_senml(path: Path, out: Path, progress: Progress | None = None) -> dict[str, int]:
    """One `readings.senml.json` (RFC 8428): good readings and derived values, named visit/system/name.

    A unit that is not in the registry (J/kg, kg/s ...) is told in the name after a colon, and `u` is left out; a
    number of no unit has the registry's "/".
    """
    count = 0
    with JournalReader(path) as reader:
        first = next(iter(reader.rows(1, {"opened"})), None)
        opened = e.decode(first.body) if first is not None else None
    assert opened is None or isinstance(opened, e.Opened)
    station, visit = (opened.station, opened.visit) if opened is not None else ("", "")
    with _whole_in(out) as scrap, (scrap / "readings.senml.json").open("w", encoding="utf-8") as file:
        file.write("[")
        for table, values in rows_of(path, progress):
            if table not in ("readings", "derived"):
                continue
            row = dict(zip((column.name for column in TABLES[table]), values, strict=True))
            if row["value"] is None or row.get("quality", "good") not in ("good", "entered"):
                continue
            _write_record(file, row, "" if count else f"lineset:{station}:{visit}/")
            count += 1
        file.write("\n]\n")
    return {"readings": count}


def _write_record(file: IO[str], row: dict[str, Any], base: str) -> None:
    from datetime import datetime

    record: dict[str, Any] = {"bn": base} if base else {}
    unit = row["unit"]
    name = f"{row['system']}/{row['name']}"
    if unit == "1" or unit == "kg/kg":
        record.update(n=name, u="/")
    elif unit in _REGISTERED:
        record.update(n=name, u=unit)
    else:
        record.update(n=f"{name}:{unit.replace('/', '-per-')}")
    record.update(t=round(datetime.fromisoformat(row["wall"]).timestamp(), 3), v=row["value"])
    file.write(("" if base else ",") + "\n" + json.dumps(record))


FORMATS: dict[str, Callable[[Path, Path, Progress | None], dict[str, int]]] = {
    "csv": to_csv,
    "parquet": to_parquet,
    "senml": to_senml,
}


def photos_to(path: Path, out: Path) -> int:
    """Write the photos of a visit beside its tables, each under its hash. Returns how many."""
    from lineset.audit.visit_record import read_visit

    endings = {"image/jpeg": ".jpg", "image/png": ".png"}
    photos = read_visit(path).photos.values()
    for photo in photos:
        # what a record calls a hash can be anything, also a way out of the folder
        hexadecimal = len(photo.sha256) == 64 and not set(photo.sha256) - set("0123456789abcdef")
        name = photo.sha256 if hexadecimal else f"unknown-{hashlib.sha256(photo.data).hexdigest()}"
        (out / f"{name}{endings.get(photo.media_type, '.bin')}").write_bytes(photo.data)
    return len(photos)


def columns_as_json() -> str:
    """What each table holds, for a reader without this program."""
    return json.dumps({table: msgspec.to_builtins(columns) for table, columns in TABLES.items()}, indent=2)
