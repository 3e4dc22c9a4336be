"""Any selection of the shop's record as files: the views of schema `record`, streamed to CSV or Parquet.

All of it belongs to one moment. A file has its name only when it is whole; nothing is held in memory but a few rows.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import msgspec

from lineset.audit.export import FORMULA_BEGINS
from lineset.journal import durable
from lineset.shop.database import explained
from lineset.shop.errors import ShopError
from lineset.shop.received import Selection, check_names, reading
from lineset.shop.shop_config import DatabaseAddress

if TYPE_CHECKING:
    from asyncpg import Connection

Progress = Callable[[int, int], None]  # steps done, steps in all

FORMATS = ("csv", "parquet")
PRIVATE = ("observations", "photos")  # what people wrote and photographed: only when asked for by name
_LONG = frozenset({"readings", "derived_values"})  # so long that each visit is fetched by itself, in order
_TYPES = {
    "text": "VARCHAR",
    "text[]": "VARCHAR",
    "bigint": "BIGINT",
    "integer": "INTEGER",
    "double precision": "DOUBLE",
    "boolean": "BOOLEAN",
    "timestamp with time zone": "TIMESTAMPTZ",
    "date": "DATE",
}
_MEMORY = "256MB"  # for the program that writes Parquet; what is more goes to disk


class ExportError(ShopError):
    """The record cannot be exported as asked, or not written where it should go."""


class Column(msgspec.Struct, frozen=True):
    """A column of a view: its name, its type in an exported file (SQL), and what it holds, with the unit."""

    name: str
    type: str
    about: str


class Exported(msgspec.Struct, frozen=True):
    """What was written: how many visits, and rows by table."""

    visits: int
    rows: dict[str, int]


async def columns_of(connection: Connection) -> dict[str, tuple[Column, ...]]:
    """The views that can be exported, with their columns as the database documents them."""
    found: dict[str, list[Column]] = {}
    for view, name, kind, about in await connection.fetch(
        "SELECT c.relname, a.attname, format_type(a.atttypid, NULL), col_description(c.oid, a.attnum) "
        "FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_attribute a ON a.attrelid = c.oid "
        "WHERE n.nspname = 'record' AND c.relkind = 'v' AND a.attnum > 0 ORDER BY c.relname, a.attnum"
    ):
        found.setdefault(view, []).append(Column(name, _TYPES[kind], about or ""))
    return {view: tuple(columns) for view, columns in found.items()}


async def export(
    address: DatabaseAddress,
    selection: Selection,
    out: Path,
    *,
    to: str = "csv",
    tables: Sequence[str] = (),
    systems: Sequence[str] = (),
    progress: Progress | None = None,
) -> Exported:
    """Write the record of the visits selected into `out`, one file a table, and `columns.json` beside them.

    `tables` are views of schema `record`; none: all but what people wrote and photographed. With `systems` only what
    is of these, and only visits that served one of them. Text cells of CSV files are `inert`, those of Parquet as
    recorded. Raises ExportError (also when the disk refuses), UnknownNameError, DatabaseError.
    """
    async with reading(address) as connection:
        with explained(address, "when the record was exported"):
            columns = await columns_of(connection)
            chosen = _chosen(columns, tables)
            await check_names(connection, selection)
            visits = await _visits(connection, selection, systems)
            make_folder(out)
            of = sum(len(visits) if table in _LONG else 1 for table in chosen)
            rows, done = {}, 0
            for table in chosen:
                made = _File(out / f"{table}.csv", columns[table], as_recorded=to == "parquet")
                with made:
                    for ids in [[id] for id in visits] if table in _LONG else [visits]:
                        await made.add(connection, table, ids, systems)
                        done += 1
                        if progress is not None:
                            progress(done, of)
                    if to == "parquet":
                        await asyncio.to_thread(made.finish_parquet)
                    else:
                        made.finish()
                rows[table] = made.rows
    told = {table: msgspec.to_builtins(columns[table]) for table in chosen}
    with _on_disk(out / "columns.json"):
        durable.write_atomically(out / "columns.json", json.dumps(told, indent=2).encode() + b"\n")
    return Exported(len(visits), rows)


@contextlib.contextmanager
def _on_disk(path: Path) -> Iterator[None]:
    """What the disk refuses becomes an ExportError; amid a question to the database it would be taken for its fault."""
    try:
        yield
    except OSError as error:
        remedy = "Make room, or name another folder"
        raise ExportError(path, f"it cannot be written ({error.strerror or error})", remedy) from error


def make_folder(out: Path) -> None:
    """The folder that files go to. Raises ExportError."""
    with _on_disk(out):
        out.mkdir(parents=True, exist_ok=True)


def _chosen(columns: dict[str, tuple[Column, ...]], tables: Sequence[str]) -> list[str]:
    unknown = [table for table in tables if table not in columns]
    if unknown:
        raise ExportError(unknown[0], "there is no such table", f"Use {', '.join(columns)}")
    return [table for table in columns if (table in tables if tables else table not in PRIVATE)]


async def _visits(connection: Connection, selection: Selection, systems: Sequence[str]) -> list[int]:
    where, values = selection.where()
    if systems:
        values.append(list(systems))
        where += f" AND v.id IN (SELECT s.visit_id FROM record.systems s WHERE s.system = ANY(${len(values)}))"
    query = f"SELECT v.id FROM lineset.visit v WHERE {where} ORDER BY COALESCE(v.opened_at, v.first_received_at), v.id"
    return [row[0] for row in await connection.fetch(query, *values)]


class _File:
    """One table on its way to a file, under another name until it is whole. Use as a context manager."""

    def __init__(self, path: Path, columns: Sequence[Column], *, as_recorded: bool) -> None:
        self.path, self.columns, self.rows = path, columns, 0
        self._told = ", ".join(f'"{each.name}"' if as_recorded else _inert(each) for each in columns)
        self._scrap = path.with_name(f".{path.name}.{os.getpid()}.part")
        self._file: IO[bytes] | None = None

    def __enter__(self) -> _File:
        with _on_disk(self.path):
            self._file = self._scrap.open("wb")
        self._file.write((",".join(column.name for column in self.columns) + "\n").encode())
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            with contextlib.suppress(OSError):  # where the disk is full, closing it says so once more
                self._file.close()
        with contextlib.suppress(FileNotFoundError):
            self._scrap.unlink()

    async def add(self, connection: Connection, table: str, visits: Sequence[int], systems: Sequence[str]) -> None:
        """The rows of these visits."""
        names = [column.name for column in self.columns]
        where, values = "visit_id = ANY($1)", list[Any]([list(visits)])
        if len(visits) == 1:  # so that the planner goes by the key, and the server has nothing to sort
            where, values = "visit_id = $1", [visits[0]]
        if systems and "system" in names:
            where += " AND system = ANY($2)"
            values.append(list(systems))
        order = ", ".join(f'"{name}"' for name in ("visit_id", "seq", "n", "at") if name in names)
        query = f"SELECT {self._told} FROM record.{table} WHERE {where} ORDER BY {order}"
        said = await connection.copy_from_query(query, *values, output=self._write, format="csv")
        self.rows += int(said.split()[-1])

    async def _write(self, data: bytes) -> None:
        assert self._file is not None
        with _on_disk(self.path):
            self._file.write(data)

    def finish(self) -> None:
        """Give the file its name."""
        self._whole(self._scrap, self.path)

    def finish_parquet(self) -> None:
        """The same as Parquet, with types."""
        import duckdb

        assert self._file is not None
        with _on_disk(self.path):
            self._file.close()
        path = self.path.with_suffix(".parquet")
        scrap = path.with_name(f".{path.name}.{os.getpid()}.part")
        types = ", ".join(f"'{column.name}': '{column.type}'" for column in self.columns)
        read = (
            f"read_csv({_quoted(self._scrap)}, header = true, columns = {{{types}}}, nullstr = '', "
            "allow_quoted_nulls = false, parallel = false)"
        )
        try:
            with duckdb.connect(config={"memory_limit": _MEMORY, "temp_directory": str(path.parent)}) as db:
                db.execute(f"COPY (SELECT * FROM {read}) TO {_quoted(scrap)} (FORMAT parquet, COMPRESSION zstd)")
        except duckdb.Error as error:
            with contextlib.suppress(FileNotFoundError):
                scrap.unlink()
            raise ExportError(path, f"it cannot be written ({error})", "Make room, or export less at a time") from error
        self._whole(scrap, path)

    def _whole(self, scrap: Path, path: Path) -> None:
        assert self._file is not None
        with _on_disk(path):
            if not self._file.closed:
                self._file.close()
            durable.sync_file(scrap)
            os.replace(scrap, path)
            durable.sync_folder(path.parent)


def _inert(column: Column) -> str:
    """A column as `audit.export.inert` tells a cell of it; numbers and times stay what they are."""
    name = f'"{column.name}"'
    if column.type != "VARCHAR":
        return name
    begins = ", ".join(f"chr({ord(each)})" for each in FORMULA_BEGINS)
    return f"CASE WHEN left({name}::text, 1) IN ({begins}) THEN '''' || {name}::text ELSE {name}::text END AS {name}"


def _quoted(path: Path) -> str:
    return "'" + str(path).replace("'", "''") + "'"
