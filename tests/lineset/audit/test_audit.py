"""The audit of one record: what is wrong at which entry, for which verdicts; and the verb that says so."""

from __future__ import annotations

import asyncio
import datetime
import json
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
from cli_process import said
from engine_entries import CLAMP, GAUGES, NS, PIPES, POWER, WALL_NS, Bench
from sealed_journal import a_short_visit

from lineset.audit.audit import FAIL, NOT_LOOKED, PASS, audit
from lineset.audit.audit_record import Audit
from lineset.audit.signed_audit import read_public_key, read_signed
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.journal.errors import KeyFileError
from lineset.journal.file import JournalFile
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey

Rows = list[Row]
# the fixture's visit is on 2026-09-21: its vapor line probe was due the day before
LATE = e.Calibration(u=0.1, date="2025-09-20", due="2026-09-20", source="invented")
PIPES_LATE = msgspec.structs.replace(
    PIPES, channels=(msgspec.structs.replace(PIPES.channels[0], calibration=LATE), PIPES.channels[1])
)


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> StationKey:
    return StationKey.generate(tmp_path_factory.mktemp("data") / "station.key")


@pytest.fixture(scope="module")
def short() -> Rows:
    """The short visit, as this very engine would have recorded it."""
    return of_this_engine([Row(*row) for row in a_short_visit().rows])


def of_this_engine(rows: Rows, name: str = "") -> Rows:
    opened = e.decode(rows[0].body)
    assert isinstance(opened, e.Opened)
    body = e.encode(msgspec.structs.replace(opened, fingerprint=name or fingerprint()))
    return [Row(1, rows[0].t, "opened", body), *rows[1:]]


def write(path: Path, rows: list[Row | Gap], key: StationKey | None, meta: dict[str, str] | None = None) -> Path:
    with JournalFile.create(path, meta=meta or {"station": "s", "visit": "v"}) as journal:
        for at in range(0, len(rows), 500):
            journal.append(rows[at : at + 500])
        if key is not None:
            journal.put_seal(key, rows[-1].t)
    return path


def last_check(rows: Rows, name: str) -> int:
    """The index of the last verdict of a check."""
    bodies = [(at, e.decode(row.body)) for at, row in enumerate(rows) if row.kind == "check"]
    return [at for at, body in bodies if isinstance(body, e.Checked) and body.name == name][-1]


def changed(rows: Rows, at: int, **fields: Any) -> Rows:
    row = rows[at]
    body = e.encode(msgspec.structs.replace(e.decode(row.body), **fields))
    return [*rows[:at], Row(row.seq, row.t, row.kind, body), *rows[at + 1 :]]


def about(found: Audit, what: str) -> list[str]:
    return [remark.text for remark in found.remarks if remark.about == what]


def test_a_sound_visit_passes_and_every_verdict_comes_out_again(short: Rows, key: StationKey, tmp_path: Path) -> None:
    found = audit(write(tmp_path / "v.journal", list(short), key), [key.public])
    assert (found.outcome, found.sealed, found.closed, found.key_known) == (PASS, True, True, "right")
    assert found.replay is not None
    assert found.replay.same_engine
    assert found.replay.differences == 0
    assert found.replay.inputs + found.replay.outputs == len(short) == found.rows
    assert len(found.verdicts) >= 3
    assert not any(verdict.differs for verdict in found.verdicts)
    # the opening's wall time, by the fixture
    assert found.opened == datetime.datetime.fromtimestamp(WALL_NS / NS, datetime.UTC).isoformat()


def test_a_verdict_doctored_by_one_who_holds_the_key_is_named(short: Rows, key: StationKey, tmp_path: Path) -> None:
    at = last_check(short, "metering_device")
    doctored = changed(short, at, state="pass")
    found = audit(write(tmp_path / "v.journal", list(doctored), key), [key.public])
    assert found.outcome == FAIL
    (wrong,) = found.wrong
    assert (wrong.about, wrong.seq) == ("replay", short[at].seq)
    assert "superheat that the expansion valve holds" in wrong.means
    (differs,) = [verdict for verdict in found.verdicts if verdict.differs]
    assert (differs.name, differs.recorded, differs.computed) == ("metering_device", "pass", "undecided")


def test_another_engine_gives_as_recorded_beside_as_computed(short: Rows, key: StationKey, tmp_path: Path) -> None:
    at = last_check(short, "metering_device")
    older = of_this_engine(changed(short, at, state="pass"), "0.0.9+elsewhere")
    found = audit(write(tmp_path / "v.journal", list(older), key), [key.public])
    assert found.outcome == PASS  # nothing shows that it was altered
    assert found.replay is not None
    assert not found.replay.same_engine
    assert found.replay.differences == 1
    (said,) = [remark for remark in found.remarks if remark.about == "replay"]
    assert "0.0.9+elsewhere" in said.text
    assert "would differ: superheat" in said.means
    assert [verdict.name for verdict in found.verdicts if verdict.differs] == ["metering_device"]


def test_an_altered_reading_costs_the_verdicts_after_it_and_no_other(
    short: Rows, key: StationKey, tmp_path: Path
) -> None:
    path = write(tmp_path / "v.journal", list(short), key)
    first = next(row for row in short if row.kind == "check")
    victim = next(row for row in short if row.kind == "frame" and row.seq > first.seq)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        body = victim.body.replace(b"120", b"121") if b"120" in victim.body else victim.body.replace(b"2", b"3", 1)
        assert body != victim.body
        db.execute("UPDATE rows SET body = ? WHERE seq = ?", (body, victim.seq))
        for _, sql in triggers:
            db.execute(sql)
    found = audit(path, [key.public])
    assert found.outcome == FAIL
    assert [remark.seq for remark in found.wrong if remark.about == "rows"] == [victim.seq]
    (altered,) = [remark for remark in found.wrong if remark.about == "rows"]
    kept = {verdict.title for verdict in found.verdicts if verdict.seq and verdict.seq < victim.seq}
    lost = {verdict.title for verdict in found.verdicts if verdict.seq >= victim.seq}
    assert lost
    assert all(title in altered.means or "None of" in altered.means for title in lost)
    assert "None of" not in altered.means or not kept


def test_which_verdicts_rested_on_an_expired_calibration(key: StationKey, tmp_path: Path) -> None:
    bench = Bench().open(GAUGES, PIPES_LATE, POWER, CLAMP).place_all()
    bench.standing(30)
    bench.running(200)
    bench.push(e.Closed(by="t"))
    rows = of_this_engine([Row(*row) for row in bench.rows])
    found = audit(write(tmp_path / "v.journal", list(rows), key), [key.public])
    assert found.outcome == PASS
    rested = {verdict.name: verdict.expired for verdict in found.verdicts}
    assert rested["metering_device"] == ("pipes t1 (due 2026-09-20)",)
    assert rested["line_voltage"] == ()
    assert any("metering" in v.name for v in found.verdicts)
    assert any("pipes t1" in text for text in about(found, "calibration"))


def test_clock_steps_restarts_gaps_and_losses_are_told(short: Rows, key: StationKey, tmp_path: Path) -> None:
    bench = Bench().open()
    bench.push(e.WallClock(wall_ns=WALL_NS - 3600 * NS, step_ns=-3600 * NS), 1.0)
    bench.push(e.Resumed(gap_ns=90 * NS, wall_ns=WALL_NS, how="boot_time"), 91.0)
    bench.push(e.Overrun(instrument="pipes", loss="poll_skipped", count=4))
    rows: list[Row | Gap] = [*(Row(*row) for row in bench.rows)]
    rows.append(Gap(bench.seq + 1, bench.seq + 3, rows[-1].t, "memory was full"))
    rows.append(Row(bench.seq + 4, rows[-1].t, "note", e.encode(e.Noted(text="x"))))
    found = audit(write(tmp_path / "v.journal", rows, None))
    assert found.outcome == PASS
    assert any("stepped back by 3600.0 s" in text for text in about(found, "clock"))
    assert any("away for 90 s (measured by boot time)" in text for text in about(found, "clock"))
    assert any("memory was full" in text for text in about(found, "gap"))
    assert any("4 of pipes lost" in text for text in about(found, "gap"))
    assert found.replay is not None
    assert not found.replay.done
    assert "are not there" in found.replay.why


def test_a_profile_or_rules_that_do_not_fit_their_hash(short: Rows, key: StationKey, tmp_path: Path) -> None:
    other = changed(short, 1, profile_text="not the one")
    found = audit(write(tmp_path / "v.journal", list(other), key), [key.public])
    assert "profile" in {remark.about for remark in found.wrong}
    ruled = changed(short, 0, config={"rules": {"text": "", "sha256": "ab"}})
    found = audit(write(tmp_path / "w.journal", list(ruled), key), [key.public])
    assert any("rules" in remark.text for remark in found.wrong)


# ------------------------------------------------------------------------------------------------------- the verb


def lineset(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.CompletedProcess(arguments, *asyncio.run(said(*map(str, arguments))))


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory, short: Rows) -> Path:
    """A station's data folder: a sealed visit, an open one, and one with a damaged byte."""
    folder = tmp_path_factory.mktemp("data")
    visits = folder / "visits"
    visits.mkdir()
    own = StationKey.generate(folder / "station.key")
    write(visits / "v.journal", list(short), own)
    write(visits / "open.journal", list(short[:200]), None)
    whole = bytearray((visits / "v.journal").read_bytes())
    place = whole.index(b'"pipes"', len(whole) // 2)
    whole[place + 1] ^= 1
    (folder / "damaged.journal").write_bytes(whole)
    return folder


def test_the_verb_says_pass_with_a_report_that_its_auditor_signed(data: Path, tmp_path: Path) -> None:
    done = lineset("audit", "v", "--data", data, "--out", tmp_path / "out")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("PASS")
    assert "sealed by the right key" in done.stdout
    assert "all outputs are the same" in done.stdout
    assert "which wire or pipe" in done.stdout
    assert "\x1b" not in done.stdout
    report = tmp_path / "out" / "v.audit.json"
    signed = read_signed(report)
    assert signed.signed_well()
    assert signed.content().outcome == PASS
    own = lineset("audit", "--own-key", "--data", data).stdout.strip()
    assert re.fullmatch(r"[0-9a-f]{64}", own)
    assert signed.public_key == own
    keys = tmp_path / "auditor.key"
    keys.write_text(own + "\n")
    assert lineset("audit", report, "--key", keys).returncode == 0
    keys.write_text("0" * 64)
    assert lineset("audit", report, "--key", keys).returncode == 1
    report.write_bytes(report.read_bytes().replace(b'"outcome":"pass"', b'"outcome":"fail"'))
    again = lineset("audit", report)
    assert again.returncode == 1
    assert "NOT what was signed" in again.stdout


def test_a_folder_is_audited_whole_and_json_is_the_documented_model(data: Path) -> None:
    done = lineset("audit", data / "visits", "--data", data, "--json", "--jobs", 2)
    assert (done.returncode, done.stderr) == (0, "")
    opened, sealed = msgspec.json.decode(done.stdout, type=list[Audit])
    assert (opened.visit, opened.sealed, opened.outcome) == ("v", False, PASS)
    assert any("as far as it goes" in text for text in about(opened, "seal"))
    assert (sealed.sealed, sealed.key_known, sealed.outcome) == (True, "right", PASS)
    assert json.loads(done.stdout)[1]["cannot"]


def newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")


def no_journal(path: Path) -> None:
    path.rename(path.with_suffix(".txt"))
    path.with_suffix(".txt").write_text("not a journal")


def test_a_damaged_file_fails(data: Path) -> None:
    done = lineset("audit", data / "damaged.journal")
    assert done.returncode == 1
    assert done.stdout.startswith("FAIL")
    assert "What is wrong:" in done.stdout
    assert re.search(r"\[rows, entry \d+\] row \d+ is not as it was written", done.stdout)


@pytest.mark.parametrize(
    ("spoil", "name", "words"),
    [(newer, "v.journal", "Update lineset"), (no_journal, "v.txt", "not a lineset journal")],
)
def test_what_cannot_be_looked_at(
    data: Path, tmp_path: Path, spoil: Callable[[Path], None], name: str, words: str
) -> None:
    shutil.copyfile(data / "visits" / "v.journal", tmp_path / "v.journal")
    spoil(tmp_path / "v.journal")
    assert audit(tmp_path / name).outcome == NOT_LOOKED
    done = lineset("audit", tmp_path / name)
    assert (done.returncode, done.stdout.startswith("COULD NOT LOOK")) == (2, True)
    assert words in done.stdout


def test_no_such_visit_no_such_key_an_empty_folder(data: Path, tmp_path: Path) -> None:
    missing = lineset("audit", "opem", "--data", data)
    assert missing.returncode == 2
    assert "did you mean open" in missing.stderr
    assert lineset("audit").returncode == 2
    assert "no journals" in lineset("audit", tmp_path).stderr
    bad = tmp_path / "bad.key"
    bad.write_text("abc")
    done = lineset("audit", "v", "--data", data, "--key", bad)
    assert done.returncode == 2
    assert "64 hex digits" in done.stderr
    with pytest.raises(KeyFileError):
        read_public_key(bad)


def test_a_stations_own_record_is_audited_and_said_to_be_one(short: Rows, key: StationKey, tmp_path: Path) -> None:
    rows = changed(short[:60], 0, visit="")
    found = audit(write(tmp_path / "van.journal", list(rows), key, {"station": "s"}), [key.public])
    assert any("station's own record" in remark.text for remark in found.remarks)
    assert not any(remark.about in ("chain", "seal", "rows") for remark in found.wrong)
