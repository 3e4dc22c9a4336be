"""What a report tells, as data: verdicts that count, corrections, marks, findings in plain words, trends."""

from __future__ import annotations

from pathlib import Path

import pytest
from report_visit import SYSTEM, a_full_visit, checked, settled, write_visit

from lineset.journal.block import frame_row
from lineset.journal.reader import row_crc
from lineset.journal.row import Row
from lineset.report.judged import explained, judged
from lineset.report.make import read_report
from lineset.report.told import ReportFacts


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> ReportFacts:
    return read_report(write_visit(tmp_path_factory.mktemp("visit") / "spring.journal", a_full_visit()))


def test_a_window_under_a_wrong_placement_counts_for_nothing(told: ReportFacts) -> None:
    facts = told.systems[0].facts
    assert ("before", "liquid_service_pressure") not in facts.standing
    assert any(each.body.name == "liquid_service_pressure" for each in facts.settled)  # yet it stays on record


def test_a_correction_names_the_verdicts_that_had_been_given(told: ReportFacts) -> None:
    (correction,) = told.systems[0].facts.corrected
    assert correction.was.point == "liquid_service_pressure"
    assert correction.now.body.point == "vapor_service_pressure"
    assert [(each.body.name, each.body.state) for each in correction.verdicts] == [("subcooling", "fail")]


def test_a_verdict_given_otherwise_is_kept_apart(told: ReportFacts) -> None:
    facts = told.systems[0].facts
    assert [each.body.state for each in facts.checks if each.body.name == "subcooling"] == ["undecided"]
    assert [(each.body.name, each.body.state) for each in facts.changed_verdicts] == [("subcooling", "fail")]


def test_what_is_bad_comes_first_and_the_bench_outweighs_the_load(tmp_path: Path) -> None:
    rows = [
        (1, checked("herm_capacitor_under_load", "x", "fail", value=41e-6, unit="F", target=45e-6, finding="low")),
        (2, checked("herm_capacitor_bench", "x", "pass", "work", value=44e-6, unit="F", target=45e-6)),
        (3, checked("static", "x", "advisory", finding="high")),
    ]  # fmt: skip
    facts = read_report(write_visit(tmp_path / "v.journal", rows)).systems[0].facts
    found = judged(facts)
    assert [(each.subject, each.sort) for each in found] == [("static", "watch"), ("herm_capacitor", "fine")]


def test_of_several_strips_the_bad_one_counts(tmp_path: Path) -> None:
    rows = [
        (1, checked("strip_amps.1", "x", "advisory", finding="low")),
        (2, checked("strip_amps.2", "x", "advisory", finding="within")),
    ]
    (strips,) = judged(read_report(write_visit(tmp_path / "v.journal", rows)).systems[0].facts)
    assert strips.sort == "watch"


def test_a_finding_that_a_bad_verdict_says_already_is_told_once(told: ReportFacts) -> None:
    facts = told.systems[0].facts
    found = explained(facts, judged(facts))
    assert [each.finding.id for each in found] == ["outdoor_coil"]  # the withdrawn one is not open


def test_the_work_changed_the_split_over_its_target(told: ReportFacts) -> None:
    changes = {each.name: each for each in told.systems[0].changes}
    split = changes["temperature_split"]
    assert (split.basis, split.verdict) == ("target", "changed")
    assert split.difference.value == pytest.approx(3.0)  # 8.0 - 10.5 before, 11.0 - 10.5 after
    assert changes["compressor_common_current"].verdict == "not_shown"
    assert "outdoor_air_temperature" not in changes


@pytest.mark.parametrize(
    ("sealed", "closed", "mark"), [(True, True, ""), (False, True, "not_sealed"), (False, False, "not_closed")]
)
def test_what_stands_on_every_page(tmp_path: Path, sealed: bool, closed: bool, mark: str) -> None:
    path = write_visit(tmp_path / "v.journal", a_full_visit(closed=closed), sealed=sealed)
    assert read_report(path).mark == mark


def test_an_altered_record_is_told_on_every_page(tmp_path: Path) -> None:
    import sqlite3

    path = write_visit(tmp_path / "v.journal", a_full_visit())
    with sqlite3.connect(path) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        (body,) = db.execute("SELECT body FROM rows WHERE seq = 1").fetchone()
        altered = bytes(body).replace(b"technician 7", b"technician 8")
        assert altered != bytes(body)
        crc = row_crc(frame_row(Row(1, 0, "opened", altered)))  # a forger puts the row's own checksum right
        db.execute("UPDATE rows SET body = ?, crc = ? WHERE seq = 1", (altered, crc))
    db.close()
    told = read_report(path)
    assert told.mark == "seal_bad"


def test_capacitance_fades_towards_its_limit(tmp_path: Path) -> None:
    for n, uf in enumerate((45.0, 44.4, 43.8, 43.2)):
        write_visit(tmp_path / f"year-{n}.journal", _bench(uf), years=float(n))
    told = read_report(tmp_path / "year-3.journal", tmp_path)
    trend = next(each for each in told.systems[0].trends if each.name == "herm_capacitance")
    assert trend.says == "falling"
    assert trend.limit == pytest.approx(42.3e-6)
    assert trend.crossing is not None
    # 0.6 uF a year: 43.2 uF meets 42.3 uF a year and a half after the last visit
    assert trend.crossing.at == pytest.approx(trend.points[-1].years + 1.5, abs=0.01)
    assert trend.crossing.early < trend.crossing.at < (trend.crossing.late or 0.0)


def test_later_visits_other_systems_and_unnamed_ones_are_left_out(tmp_path: Path) -> None:
    import msgspec

    other = msgspec.structs.replace(SYSTEM, id="downstairs")
    write_visit(tmp_path / "later.journal", _bench(40.0), years=5.0)
    write_visit(tmp_path / "other.journal", _bench(40.0), years=-1.0, systems=(other,))
    (tmp_path / "broken.journal").write_bytes(b"no journal at all")
    path = write_visit(tmp_path / "now.journal", _bench(45.0))
    told = read_report(path, tmp_path)
    assert told.systems[0].trends == ()
    assert any(text.startswith("broken.journal") for text in told.unread)


def _bench(uf: float) -> list[tuple[float, object]]:
    return [
        (1.0, settled("herm_capacitance", uf * 1e-6, "F", 0.15e-6, "work", run="stopped")),
        (2.0, checked("herm_capacitor_bench", "x", "pass", "work", value=uf * 1e-6, unit="F", u=0.15e-6, target=45e-6,
                      low=42.3e-6, high=47.7e-6, finding="within")),
    ]  # fmt: skip


TWO = ("upstairs", "downstairs")


def test_a_letter_about_two_systems_tells_both(tmp_path: Path) -> None:
    import msgspec

    from lineset.report.compose import compose
    from lineset.report.html_page import html_page

    other = msgspec.structs.replace(SYSTEM, id="downstairs", title="downstairs")
    strips = checked("strips_off", "heat strips off while cooling", "fail", value=9.0, unit="A", finding="high")
    rows = [*a_full_visit()[:-1], (119.0, msgspec.structs.replace(strips, system="downstairs"))]
    page = html_page(compose(read_report(write_visit(tmp_path / "v.journal", rows, systems=(SYSTEM, other)))))
    letter = page.split("For the professional")[0]
    found = letter.split("What was found")[1].split("<h3>")
    upstairs, downstairs = (next(part for part in found if part.startswith(f"System {name}")) for name in TWO)
    assert "To be seen to:</strong> The electric heat is on while the unit cools." in downstairs
    assert "To be seen to:</strong> The capacitor that helps the compressor" in upstairs
    todo = letter.split("What to do next")[1]
    assert todo.index("Before it runs again: System downstairs:") < todo.index("Within days or weeks: System upstairs:")


def test_what_swings_or_is_too_coarse_is_told(tmp_path: Path) -> None:
    from lineset.contract import entry as e

    rows = [
        (1, e.Hunting(system="upstairs", phase="before", name="total_superheat", state="started", amplitude=3.0,
                      period_s=120.0, mean=6.0, unit="K")),
        (2, e.TooCoarse(system="upstairs", name="power", instrument="m", channel="p", reason="invented: too coarse")),
    ]  # fmt: skip
    facts = read_report(write_visit(tmp_path / "v.journal", rows)).systems[0].facts
    assert {each.body.name for each in facts.unsteady} == {"total_superheat", "power"}


def test_a_record_that_cannot_be_played_back_has_a_report_without_pictures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lineset.report import make

    def fails(*_: object) -> None:
        raise ZeroDivisionError("a later engine")

    monkeypatch.setattr(make, "read_series", fails)
    told = read_report(write_visit(tmp_path / "v.journal", a_full_visit()))
    assert told.no_series == "ZeroDivisionError: a later engine"
    assert told.systems[0].facts.checks
