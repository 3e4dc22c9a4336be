"""Makes a report's files from journals: reads, verifies, plays back, writes. The only part of the report with I/O."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, tzinfo
from pathlib import Path

import structlog

from lineset.audit.visit_record import NotAVisitError, VisitRecord, read_visit, visit_in
from lineset.contract.entry import EntryError
from lineset.equipment.display import Units
from lineset.equipment.system import NO_NAME
from lineset.journal.errors import JournalError
from lineset.journal.reader import JournalReader
from lineset.journal.verify import examine, verify
from lineset.report.compose import compose
from lineset.report.html_page import html_page
from lineset.report.pictures import NAMES
from lineset.report.series import read_series
from lineset.report.told import ReportFacts, gather
from lineset.report.typst_sheet import pdf_sheet

log = structlog.get_logger(__name__)
FORMATS = ("html", "pdf")
Progress = Callable[[str, int, int], None]  # what is being done, steps done, steps in all


def read_report(path: Path, visits: Path | None = None, progress: Progress | None = None) -> ReportFacts:
    """All that a report of this journal tells; `visits` is a folder with journals of earlier visits.

    Raises JournalError, EntryError, NotAVisitError of this journal; one of another visit that cannot be read is named
    in the report and passed over.
    """
    # what is verified and what is told belong to one moment of the file
    with JournalReader(path) as reader, reader.still():
        visit, verification = visit_in(reader), examine(reader)
    earlier, unread = _earlier(visit, visits, progress)
    end = visit.entries[-1].t / 1e9
    series, no_series = None, ""
    try:
        series = read_series(
            path, NAMES, end, None if progress is None else lambda done, of: progress("readings", done, of)
        )
    except Exception as error:
        # whatever a later engine makes of an old record, all else is as recorded, and the report says what is missing
        log.warning("the readings could not be played back; the report has no pictures", error=str(error))
        no_series = f"{type(error).__name__}: {error}"
    return gather(visit, verification, earlier, series, no_series=no_series, unread=unread)


def _earlier(visit: VisitRecord, folder: Path | None, progress: Progress | None) -> tuple[list[VisitRecord], list[str]]:
    if folder is None or not folder.is_dir():
        return [], []
    named = {system for system in visit.systems if system != NO_NAME}
    files = sorted(folder.glob("*.journal")) if named else []
    found, unread, known = [], [], {visit.journal}
    for n, file in enumerate(files):
        if progress is not None:
            progress("earlier visits", n, len(files))
        try:
            other = read_visit(file)
        except NotAVisitError:
            continue
        except (JournalError, EntryError) as error:
            unread.append(f"{file.name}: {error}")
            continue
        if other.journal in known or other.opened.wall_ns >= visit.opened.wall_ns or not named & other.systems.keys():
            continue
        known.add(other.journal)
        if verify(file).problems or (other.seal is not None and not other.sealed_well):
            unread.append(f"{file.name}: it does not verify")
            continue
        found.append(other)
    return found, unread


def write_report(
    told: ReportFacts, out: Path, formats: Sequence[str] = FORMATS, language: str = "en", units: Units = "customary",
    zone: tzinfo = UTC,
) -> list[Path]:  # fmt: skip
    """Write the files, whole or not at all each, named after the visit. Raises OSError, SheetError."""
    document = compose(told, language, units, zone)
    out.mkdir(parents=True, exist_ok=True)
    # a record of strangers may be called anything, also a way out of the folder
    name = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in told.visit.opened.visit)
    stem = out / f"{name}-report"
    last = told.visit.entries[-1]
    made = told.visit.wall(last).astimezone(UTC).replace(microsecond=0)
    written = []
    for format_ in formats:
        data = html_page(document).encode() if format_ == "html" else pdf_sheet(document, made)
        written.append(_whole(stem.with_name(f"{stem.name}.{format_}"), data))
    return written


def _whole(path: Path, data: bytes) -> Path:
    partial = path.with_name(f".{path.name}.partial")
    try:
        partial.write_bytes(data)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
    return path
