"""The tables of a journal file, format 1, and how its connection is set up."""

from __future__ import annotations

import sqlite3

from lineset.journal.errors import DamagedFileError

FORMAT = 1
APPLICATION_ID = 0x4C736574  # "Lset" in the file's header: tells a journal from any other SQLite file
SYNCHRONOUS = "FULL"  # only FULL syncs at each commit in WAL; NORMAL may lose commits when power goes

_IMMUTABLE = "rows of a journal are never changed"
_TABLES = (
    "CREATE TABLE meta (key TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
    "CREATE TABLE rows (seq INTEGER PRIMARY KEY NOT NULL, t INTEGER NOT NULL, kind TEXT NOT NULL, "
    "body BLOB NOT NULL, crc INTEGER NOT NULL) STRICT",
    "CREATE TABLE gaps (first INTEGER PRIMARY KEY NOT NULL, last INTEGER NOT NULL, t INTEGER NOT NULL, "
    "reason TEXT NOT NULL) STRICT",
    "CREATE TABLE blocks (n INTEGER PRIMARY KEY NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL, "
    "rows INTEGER NOT NULL, gaps INTEGER NOT NULL, t INTEGER NOT NULL, previous BLOB NOT NULL, hash BLOB NOT NULL) "
    "STRICT",
    "CREATE TABLE seal (one INTEGER PRIMARY KEY NOT NULL CHECK (one = 1), blocks INTEGER NOT NULL, "
    "rows INTEGER NOT NULL, gaps INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL, "
    "t INTEGER NOT NULL, head BLOB NOT NULL, public_key BLOB NOT NULL, signature BLOB NOT NULL) STRICT",
)
_TRIGGERS = (
    *(
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{_IMMUTABLE}'); END"
        for table in ("meta", "rows", "gaps", "blocks", "seal")
        for verb in ("UPDATE", "DELETE")
    ),
    # also keeps INSERT OR REPLACE, which fires no DELETE trigger by default, from replacing a row
    *(
        f"CREATE TRIGGER {table}_only_append BEFORE INSERT ON {table} "
        f"WHEN NEW.{key} <= (SELECT max({key}) FROM {table}) OR EXISTS (SELECT 1 FROM seal) "
        f"BEGIN SELECT RAISE(ABORT, '{_IMMUTABLE}, only added at the end until the seal'); END"
        for table, key in (("rows", "seq"), ("gaps", "first"), ("blocks", "n"), ("seal", "one"))
    ),
    "CREATE TRIGGER meta_only_once BEFORE INSERT ON meta WHEN EXISTS (SELECT 1 FROM rows) "
    "OR EXISTS (SELECT 1 FROM meta WHERE key = NEW.key) "
    f"BEGIN SELECT RAISE(ABORT, '{_IMMUTABLE}'); END",
)


def make(connection: sqlite3.Connection) -> None:
    """Make the tables in an empty database, inside the caller's transaction."""
    make_tables(connection)
    make_triggers(connection)


def make_tables(connection: sqlite3.Connection) -> None:
    """As `make`, without the triggers: for one who fills a file that nobody else has."""
    for statement in _TABLES:
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {FORMAT}")


def make_triggers(connection: sqlite3.Connection) -> None:
    """What `make_tables` left out."""
    for statement in _TRIGGERS:
        connection.execute(statement)


def stored(connection: sqlite3.Connection) -> set[str]:
    """The statements that made all that is in this file: tables, triggers, and whatever else somebody put there."""
    # no name is passed over, not even SQLite's own: the journal's tables need no index, and nothing counts in them
    query = "SELECT coalesce(sql, type || ' ' || name) FROM sqlite_schema"
    return {str(sql) for (sql,) in connection.execute(query)}


def expected() -> set[str]:
    """What `stored` gives for an untouched file."""
    return {*_TABLES, *_TRIGGERS}


def set_up_writing(connection: sqlite3.Connection, path: str, checkpoint_pages: int) -> None:
    """Write-ahead log, a sync at each commit. Raises DamagedFileError where the file system cannot do that."""
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    connection.execute(f"PRAGMA synchronous = {SYNCHRONOUS}")
    # on some systems a plain sync stops in the drive's cache; these ask for more where it exists
    connection.execute("PRAGMA fullfsync = ON")
    connection.execute("PRAGMA checkpoint_fullfsync = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    connection.execute(f"PRAGMA wal_autocheckpoint = {checkpoint_pages}")
    connection.execute("PRAGMA journal_size_limit = 16777216")
    if str(mode).lower() != "wal":
        raise DamagedFileError(
            path, f"this disk offers only journal mode {mode!r}, not a write-ahead log", "Use a local disk"
        )
