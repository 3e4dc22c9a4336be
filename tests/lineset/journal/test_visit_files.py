"""Names of visits' journals, and the one that is open."""

from __future__ import annotations

from pathlib import Path

import pytest

from lineset.journal.errors import DamagedFileError, MissingFileError, WrongFormatError
from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.visit_files import TwoOpenVisitsError, list_visits, open_visit, visit_path


def make(folder: Path, visit: str, key: StationKey | None) -> Path:
    path = visit_path(folder, visit)
    with JournalFile.create(path) as journal:
        journal.append([Row(1, 0, "frame", b"")])
        if key:
            journal.put_seal(key, 0)
    return path


def test_the_open_visit_is_found_among_closed_and_damaged_ones(tmp_path: Path) -> None:
    key = StationKey.generate(tmp_path / "key")
    assert open_visit(tmp_path) is None
    make(tmp_path, "v1", key)
    make(tmp_path, "v2", key)
    assert open_visit(tmp_path) is None
    path = make(tmp_path, "v3", None)
    (tmp_path / "v4.journal").write_text("not a journal")
    make(tmp_path, "v5", None).write_bytes(path.read_bytes()[:6000])
    found = open_visit(tmp_path)
    assert found is not None
    assert (found.visit, found.path, found.last, found.closed) == ("v3", path, 1, False)
    visits = list_visits(tmp_path)
    assert [(visit.visit, visit.closed) for visit in visits if visit.error is None] == [
        ("v1", True), ("v2", True), ("v3", False)
    ]  # fmt: skip
    assert [(visit.visit, type(visit.error)) for visit in visits if visit.error] == [
        ("v4", WrongFormatError), ("v5", DamagedFileError)
    ]  # fmt: skip
    with JournalFile.open(path) as journal:  # also while it is being written
        assert journal.last == 1
        assert open_visit(tmp_path) == found


def test_two_open_visits_are_told(tmp_path: Path) -> None:
    make(tmp_path, "v1", None)
    make(tmp_path, "v2", None)
    with pytest.raises(TwoOpenVisitsError, match="more than one visit is open: v1, v2"):
        open_visit(tmp_path)


@pytest.mark.parametrize("name", ["", "A", "a b", "../a", "a/b", "-a", "a.b", "x" * 65])
def test_a_visits_name_is_safe_in_a_path_and_a_topic(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="a visit's name"):
        visit_path(tmp_path, name)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError):
        list_visits(tmp_path / "none")
    assert visit_path(tmp_path, "2026-05-14_1").name == "2026-05-14_1.journal"
