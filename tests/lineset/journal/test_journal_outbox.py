"""Markers of what was sent: never ahead of the truth, never going back."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lineset.journal import durable
from lineset.journal.errors import CannotWriteError, WrongFormatError
from lineset.journal.outbox import Outbox

MOVES = st.lists(st.tuples(st.sampled_from(["local", "shop"]), st.sampled_from(["j1", "j2"]), st.integers(0, 50)))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves=MOVES, flush_at=st.integers(0, 20))
def test_a_marker_is_the_highest_and_survives_once_flushed(
    tmp_path: Path, moves: list[tuple[str, str, int]], flush_at: int
) -> None:
    path = tmp_path / "outbox"
    path.unlink(missing_ok=True)
    outbox, highest, flushed = Outbox(path), dict[tuple[str, str], int](), dict[tuple[str, str], int]()
    for n, (destination, journal, seq) in enumerate(moves):
        before = highest.get((destination, journal), 0)
        assert outbox.advance(destination, journal, seq) == (seq > before)
        highest[destination, journal] = max(seq, before)
        if n == flush_at:
            outbox.flush()
            flushed = dict(highest)
    for (destination, journal), seq in highest.items():
        assert outbox.through(destination, journal) == seq
    again = Outbox(path)  # as after a crash
    for destination, journal in highest:
        assert again.through(destination, journal) == flushed.get((destination, journal), 0)


def test_journals_that_are_gone_are_forgotten(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox")
    outbox.advance("shop", "j1", 5)
    outbox.advance("shop", "j2", 6)
    outbox.flush()
    outbox.forget("j1")
    outbox.flush()
    again = Outbox(tmp_path / "outbox")
    assert (again.through("shop", "j1"), again.through("shop", "j2")) == (0, 6)


@pytest.mark.parametrize("damage", [lambda text: text[:20], lambda text: text.replace(b"6", b"7"), lambda text: b""])
def test_damage_means_sending_again_and_is_kept_for_a_look(tmp_path: Path, damage: object) -> None:
    path = tmp_path / "outbox"
    outbox = Outbox(path)
    outbox.advance("shop", "j", 66)
    outbox.flush()
    path.write_bytes(damage(path.read_bytes()))  # type: ignore[operator]
    again = Outbox(path)
    assert again.through("shop", "j") == 0
    assert (tmp_path / "outbox.damaged").exists()
    again.advance("shop", "j", 3)
    again.flush()
    assert Outbox(path).through("shop", "j") == 3


def test_a_disk_that_refuses_is_told_and_the_marker_kept_for_the_next_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "outbox"
    outbox = Outbox(path)
    outbox.advance("shop", "j", 5)
    with monkeypatch.context() as patch:
        patch.setattr(durable.os, "fsync", lambda descriptor: (_ for _ in ()).throw(OSError(28, "No space left")))
        with pytest.raises(CannotWriteError, match="the disk is full"):
            outbox.flush()
    assert not path.exists()
    outbox.flush()
    assert Outbox(path).through("shop", "j") == 5
    (tmp_path / "folder").mkdir()
    with pytest.raises((CannotWriteError, WrongFormatError)):
        Outbox(tmp_path / "folder")


def test_advancing_while_a_flush_runs_loses_no_mark(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox")
    done = threading.Event()

    def flushing() -> None:
        while not done.is_set():
            outbox.flush()

    thread = threading.Thread(target=flushing)
    thread.start()
    for seq in range(1, 3001):
        outbox.advance("shop", f"j{seq % 7}", seq)
    done.set()
    thread.join()
    outbox.flush()
    again = Outbox(tmp_path / "outbox")
    assert sorted(again.through("shop", f"j{n}") for n in range(7)) == list(range(2994, 3001))
