"""The snapshot cache: what comes back is what was kept, or nothing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lineset.journal import durable
from lineset.journal.errors import CannotWriteError, MissingFileError
from lineset.journal.snapshot import Snapshot, read_snapshot, snapshot_path, write_snapshot

SNAPSHOT = Snapshot("a" * 32, 77, "engine 1.2/abc", bytes(range(200)))
ON_FILES = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@ON_FILES
@given(seq=st.integers(0, 2**63), fingerprint=st.text(max_size=50), body=st.binary(max_size=300))
def test_a_snapshot_comes_back(tmp_path: Path, seq: int, fingerprint: str, body: bytes) -> None:
    snapshot = Snapshot("0" * 32, seq, fingerprint, body)
    write_snapshot(tmp_path / "s", snapshot)
    assert read_snapshot(tmp_path / "s", journal="0" * 32, fingerprint=fingerprint, last=seq) == snapshot
    assert os.listdir(tmp_path) == ["s"]


@pytest.mark.parametrize(
    ("journal", "fingerprint", "last", "fits"),
    [
        ("a" * 32, "engine 1.2/abc", 77, True),
        ("a" * 32, "engine 1.2/abc", 1000, True),
        ("b" * 32, "engine 1.2/abc", 77, False),
        ("a" * 32, "engine 1.3/abc", 77, False),
        ("a" * 32, "engine 1.2/abc", 76, False),
    ],
)
def test_one_that_does_not_fit_is_not_used(
    tmp_path: Path, journal: str, fingerprint: str, last: int, fits: bool
) -> None:
    write_snapshot(tmp_path / "s", SNAPSHOT)
    found = read_snapshot(tmp_path / "s", journal=journal, fingerprint=fingerprint, last=last)
    assert found == (SNAPSHOT if fits else None)


@ON_FILES
@given(place=st.integers(0, 10_000), change=st.integers(1, 255), cut=st.booleans())
def test_a_damaged_one_is_not_used(tmp_path: Path, place: int, change: int, cut: bool) -> None:
    path = tmp_path / "s"
    write_snapshot(path, SNAPSHOT)
    content = bytearray(path.read_bytes())
    if cut:
        del content[place % len(content) :]
    else:
        content[place % len(content)] ^= change
    path.write_bytes(content)
    assert read_snapshot(path, journal="a" * 32, fingerprint="engine 1.2/abc", last=77) is None


def test_none_is_none(tmp_path: Path) -> None:
    assert read_snapshot(tmp_path / "s", journal="", fingerprint="", last=0) is None
    (tmp_path / "d").mkdir()
    assert read_snapshot(tmp_path / "d", journal="", fingerprint="", last=0) is None
    with pytest.raises(MissingFileError):
        write_snapshot(tmp_path / "no" / "s", SNAPSHOT)
    assert snapshot_path(Path("x/visit-1.journal")) == Path("x/visit-1.snapshot")


def test_one_that_cannot_be_written_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_snapshot(tmp_path / "s", SNAPSHOT)

    def refuse(descriptor: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(durable.os, "fsync", refuse)
    with pytest.raises(CannotWriteError, match="Input/output error"):
        write_snapshot(tmp_path / "s", Snapshot("a" * 32, 78, "engine 1.2/abc", b""))
    assert os.listdir(tmp_path) == ["s"]
    assert read_snapshot(tmp_path / "s", journal="a" * 32, fingerprint="engine 1.2/abc", last=99) == SNAPSHOT
