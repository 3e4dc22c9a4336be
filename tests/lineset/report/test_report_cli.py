"""`lineset report` as people run it: from a file alone, its marks, its refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_process import said
from report_visit import a_full_visit, write_visit


async def test_it_writes_both_files_from_the_journal_alone(tmp_path: Path) -> None:
    path = write_visit(tmp_path / "spring.journal", a_full_visit())
    (tmp_path / "station.key").unlink()
    code, out, err = await said("report", str(path), "--out", str(tmp_path / "out"), "--json")
    assert (code, err) == (0, "")
    answer = json.loads(out)
    assert [Path(file).name for file in answer["files"]] == ["spring-report.html", "spring-report.pdf"]
    assert all(Path(file).stat().st_size > 5000 for file in answer["files"])
    assert (answer["mark"], answer["systems"], answer["problems"]) == ("", ["upstairs"], [])


async def test_a_visit_of_the_data_folder_by_its_name_in_spanish(tmp_path: Path) -> None:
    (tmp_path / "visits").mkdir()
    write_visit(tmp_path / "visits" / "spring.journal", a_full_visit())
    options = ("--data", str(tmp_path), "--out", str(tmp_path), "--format", "html", "--language", "es", "--units", "si")
    code, out, _ = await said("report", "spring", *options)
    assert code == 0, out
    page = (tmp_path / "spring-report.html").read_text(encoding="utf-8")
    assert '<html lang="es">' in page
    assert not (tmp_path / "spring-report.pdf").exists()


async def test_the_day_is_that_of_the_zone(tmp_path: Path) -> None:
    path = write_visit(tmp_path / "v.journal", a_full_visit())  # opened 2026-09-21 14:13:20 UTC
    options = ("--out", str(tmp_path), "--format", "html", "--zone", "Pacific/Auckland")
    code, _, err = await said("report", str(path), *options)
    assert code == 0, err
    page = (tmp_path / "v-report.html").read_text(encoding="utf-8")
    assert "September 22, 2026" in page  # UTC+12 there
    assert "times are Pacific/Auckland" in page


async def test_an_open_visit_is_told_on_the_terminal_too(tmp_path: Path) -> None:
    path = write_visit(tmp_path / "v.journal", a_full_visit(closed=False), sealed=False)
    code, _, err = await said("report", str(path), "--out", str(tmp_path), "--format", "html")
    assert code == 0
    assert "Not closed, not sealed" in err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--format", "docx"), "--format docx: not known; use html, pdf"),
        (("--format", ""), "not known; use html, pdf"),
        (("--language", "fr"), "--language fr: not known; use en, es"),
        (("--zone", "Nowhere/City"), "--zone Nowhere/City: not known here"),
        (("--units", "metric"), "--units metric: not known; use customary, si"),
    ],
)
async def test_what_it_does_not_know_it_says_with_what_it_does(
    tmp_path: Path, options: tuple[str, str], words: str
) -> None:
    code, _, err = await said("report", "spring", "--data", str(tmp_path), *options)
    assert code == 2
    assert words in err


async def test_no_such_visit_and_no_visit_at_all(tmp_path: Path) -> None:
    (tmp_path / "visits").mkdir()
    (tmp_path / "visits" / "spring-12.journal").write_bytes(b"not a journal")
    code, _, err = await said("report", "spring-13", "--data", str(tmp_path))
    assert code == 2
    assert "did you mean spring-12?" in err
    code, _, err = await said("report", "spring-12", "--data", str(tmp_path), "--out", str(tmp_path / "o"))
    assert code == 1
    assert "spring-12.journal" in err


async def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    path = write_visit(tmp_path / "spring.journal", a_full_visit())
    (tmp_path / "taken").write_text("a file")
    code, _, err = await said("report", str(path), "--out", str(tmp_path / "taken" / "in"), "--format", "html")
    assert code == 1
    assert "taken" in err
