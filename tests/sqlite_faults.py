"""A file layer under SQLite that records or refuses writes and syncs, and what a power cut leaves of a recording.

A VFS (https://www.sqlite.org/vfs.html) made with ctypes on the very library that the sqlite3 module uses: the
system's own file layer with its write, sync, truncate and delete seen on the way. It needs no compiler; where
the library's functions cannot be reached, `available()` says why.
"""

from __future__ import annotations

import ctypes
import random
import sqlite3
import traceback
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

OK, IOERR, FULL = 0, 10, 13
IOERR_WRITE, IOERR_FSYNC = IOERR | 3 << 8, IOERR | 4 << 8
SECTOR = 512  # the least that a disk writes at once; sqlite.org/psow.html: bytes beside a write stay whole

_int, _i64, _ptr = ctypes.c_int, ctypes.c_int64, ctypes.c_void_p
# names as plain addresses: the system layer keeps the one it is given to open, so it must be SQLite's own
_OPEN = ctypes.CFUNCTYPE(_int, _ptr, _ptr, _ptr, _int, _ptr)
_DELETE = ctypes.CFUNCTYPE(_int, _ptr, _ptr, _int)
_WRITE = ctypes.CFUNCTYPE(_int, _ptr, _ptr, _int, _i64)
_TRUNCATE = ctypes.CFUNCTYPE(_int, _ptr, _i64)
_SYNC = ctypes.CFUNCTYPE(_int, _ptr, _int)


class _Vfs(ctypes.Structure):  # sqlite3_vfs of sqlite3.h, version 3
    _fields_ = [
        *[(name, _int) for name in ("version", "file_size", "path_max")],
        ("next", _ptr),
        ("name", ctypes.c_char_p),
        ("data", _ptr),
        ("open", _ptr),
        ("delete", _ptr),
        *[(f"other{n}", _ptr) for n in range(14)],
    ]


class _Methods(ctypes.Structure):  # sqlite3_io_methods of sqlite3.h, version 3
    _fields_ = [
        ("version", _int),
        *[(name, _ptr) for name in ("close", "read", "write", "truncate", "sync")],
        *[(f"other{n}", _ptr) for n in range(13)],
    ]


def _library() -> Any:
    """The SQLite inside this process; None when its functions are hidden."""
    import _sqlite3

    names: list[str | None] = []
    maps = Path("/proc/self/maps")
    if maps.exists():
        names += sorted({line.split()[-1] for line in maps.read_text().splitlines() if "libsqlite3" in line})
    names += [getattr(_sqlite3, "__file__", None), None]
    for name in names:
        try:
            library = ctypes.CDLL(name)
            library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        except (OSError, AttributeError):
            continue
        return library
    return None


def available() -> str:
    """Empty when the fault layer works here; else the reason."""
    if (library := _library()) is None:
        return "the functions of the SQLite in this Python cannot be reached through ctypes"
    ours, theirs = ctypes.CFUNCTYPE(ctypes.c_char_p)(("sqlite3_libversion", library))().decode(), sqlite3.sqlite_version
    return "" if ours == theirs else f"the SQLite that ctypes reaches is {ours}, the module's is {theirs}"


class FaultLayer:
    """Watches files under `folder`. `log` grows by (what, file name, offset or size, bytes) tuples."""

    def __init__(self, folder: Path) -> None:
        self.folder = str(folder)
        self.log: list[tuple[str, str, int, bytes]] = []
        self.recording = True
        self.write_fault: Callable[[str], int] = lambda name: OK
        self.sync_fault: Callable[[str], int] = lambda name: OK
        self.errors: list[BaseException] = []
        self._names: dict[int, str] = {}
        self._patched: dict[int, _Methods] = {}
        self._keep: list[object] = []
        self._library = _library()
        self._base = self._library.sqlite3_vfs_find(None)
        self._vfs = _Vfs.from_buffer_copy(self._base.contents)
        self._label = f"faults{id(self)}".encode()
        self._vfs.name, self._vfs.next = self._label, None
        self._base_open, self._base_delete = _OPEN(self._base.contents.open), _DELETE(self._base.contents.delete)
        self._vfs.open = self._callback(_OPEN, self._open)
        self._vfs.delete = self._callback(_DELETE, self._delete)

    def install(self) -> None:
        """Every connection opened from now on goes through this layer."""
        if self._library.sqlite3_vfs_register(ctypes.byref(self._vfs), 1) != OK:
            raise OSError("SQLite refused the fault layer")

    def remove(self) -> None:
        self._library.sqlite3_vfs_unregister(ctypes.byref(self._vfs))
        _FOREVER.append(self)  # a connection that is still open calls into it

    def mark(self, what: str) -> None:
        """Note a moment in the log."""
        self.log.append((what, "", 0, b""))

    def _callback(self, kind: Any, function: Callable[..., int]) -> int:
        def guarded(*values: Any) -> int:
            try:
                return int(function(*values))
            except BaseException as error:
                self.errors.append(error)
                return IOERR

        wrapped = kind(guarded)
        self._keep.append(wrapped)
        return ctypes.cast(wrapped, _ptr).value or 0

    def _open(self, vfs: int, name: int | None, file: int, flags: int, out: int) -> int:
        answer = self._base_open(ctypes.cast(self._base, _ptr), name, file, flags, out)
        path = ctypes.string_at(name).decode() if name else ""
        if answer != OK or not path.startswith(self.folder):
            return int(answer)
        self._names[file] = Path(path).name
        slot = ctypes.cast(file, ctypes.POINTER(_ptr))
        own = slot[0]
        assert own is not None
        if own not in self._patched:
            self._patched[own] = self._patch(own)
        slot[0] = ctypes.addressof(self._patched[own])
        return OK

    def _patch(self, own: int) -> _Methods:
        methods = _Methods.from_buffer_copy(ctypes.cast(own, ctypes.POINTER(_Methods)).contents)
        write, truncate, sync = _WRITE(methods.write), _TRUNCATE(methods.truncate), _SYNC(methods.sync)

        def on_write(file: int, data: int, length: int, offset: int) -> int:
            name = self._names[file]
            answer = self.write_fault(name) or int(write(file, data, length, offset))
            if answer == OK:
                self._record("write", name, offset, ctypes.string_at(data, length))
            return answer

        def on_truncate(file: int, size: int) -> int:
            answer = int(truncate(file, size))
            if answer == OK:
                self._record("truncate", self._names[file], size)
            return answer

        def on_sync(file: int, flags: int) -> int:
            name = self._names[file]
            answer = self.sync_fault(name) or int(sync(file, flags))
            if answer == OK:
                self._record("sync", name)
            return answer

        methods.write = self._callback(_WRITE, on_write)
        methods.truncate = self._callback(_TRUNCATE, on_truncate)
        methods.sync = self._callback(_SYNC, on_sync)
        return methods

    def _delete(self, vfs: int, name: int, sync_folder: int) -> int:
        answer = self._base_delete(ctypes.cast(self._base, _ptr), name, sync_folder)
        path = ctypes.string_at(name).decode()
        if answer == OK and path.startswith(self.folder):
            self._record("delete", Path(path).name)
        return int(answer)

    def _record(self, what: str, name: str, at: int = 0, data: bytes = b"") -> None:
        if self.recording:
            self.log.append((what, name, at, data))


_FOREVER: list[FaultLayer] = []


@contextmanager
def fault_layer(folder: Path) -> Iterator[FaultLayer]:
    """A FaultLayer for connections that are opened inside."""
    layer = FaultLayer(folder)
    layer.install()
    try:
        with closing(sqlite3.connect(folder / "probe.sqlite")) as probe:
            probe.execute("CREATE TABLE probe (x)")
        assert layer.log, "the sqlite3 module does not use the SQLite that ctypes reached"
        layer.log.clear()
        yield layer
    except BaseException as error:
        for own in layer.errors:
            error.add_note("".join(traceback.format_exception(own)))
        raise
    finally:
        layer.remove()
    assert not layer.errors, layer.errors


class Disk:
    """What a disk holds while a recording plays, and what may be left of it when the power goes."""

    def __init__(self, files: dict[str, bytes], *, lying: bool = False) -> None:
        """`files` are there and durable. `lying`: the disk says that it synced and does not."""
        self._safe: dict[str, bytearray] = {name: bytearray(content) for name, content in files.items()}
        self._loose: dict[str, list[tuple[str, int, bytes]]] = {}
        self._lying = lying

    def play(self, entry: tuple[str, str, int, bytes]) -> None:
        """Do one thing of a FaultLayer's log."""
        what, name, at, data = entry
        if what == "sync":
            if not self._lying:
                content: bytearray | None = self._safe.get(name)
                for loose in self._loose.pop(name, []):
                    content = _apply(content, *loose)
                if content is not None:
                    self._safe[name] = content
        elif name:
            self._loose.setdefault(name, []).append((what, at, data))

    def after_power_cut(self, chance: random.Random, keep: float) -> dict[str, bytes]:
        """Files as found at the next start: what was synced is there; of the rest each sector is there with
        probability `keep`, else it is missing or, now and then, rubbish.
        """
        found: dict[str, bytes] = {}
        for name in self._safe.keys() | self._loose.keys():
            safe = self._safe.get(name)
            content = bytearray(safe) if safe is not None else None
            for what, at, data in self._loose.get(name, []):
                if what == "write":
                    for start, piece in _sectors(at, data):
                        fate = chance.random()
                        if fate < keep:
                            content = _apply(content, "write", start, piece)
                        elif fate > 0.9:
                            content = _apply(content, "write", start, chance.randbytes(len(piece)))
                elif chance.random() < keep:
                    content = _apply(content, what, at, data)
            if content is not None:
                found[name] = bytes(content)
        return found


def _sectors(at: int, data: bytes) -> Iterator[tuple[int, bytes]]:
    start = at
    while start < at + len(data):
        end = min((start // SECTOR + 1) * SECTOR, at + len(data))
        yield start, data[start - at : end - at]
        start = end


def _apply(content: bytearray | None, what: str, at: int, data: bytes) -> bytearray | None:
    if what == "delete":
        return None
    content = content if content is not None else bytearray()
    if what == "truncate":
        del content[at:]
        content.extend(bytes(max(0, at - len(content))))
    else:
        content.extend(bytes(max(0, at - len(content))))
        content[at : at + len(data)] = data
    return content
