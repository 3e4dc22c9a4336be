"""A report's files: both formats hold every check, caution and finding; the PDF is tagged and not blank; no English in
Spanish but what is on record."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pypdfium2
import pytest
from report_visit import CAUTION, FINDING_CAUTION, a_full_visit, blob, write_visit

from lineset.contract import entry as e
from lineset.journal.reader import JournalReader
from lineset.report.compose import compose
from lineset.report.html_page import STYLE, html_page
from lineset.report.make import read_report, write_report
from lineset.report.told import ReportFacts


class Read(HTMLParser):
    """Text outside style, with the language it is marked with, and what a reader of the page needs to know."""

    def __init__(self) -> None:
        super().__init__()
        self.pieces: list[tuple[str, str]] = []
        self.stack: list[tuple[str, str]] = []
        self.images: list[dict[str, str]] = []
        self.levels: list[int] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.tags.add(tag)
        language = given.get("lang", self.stack[-1][1] if self.stack else "")
        if tag not in ("meta", "img", "line", "rect", "polyline"):
            self.stack.append((tag, language))
        if tag == "img" or given.get("role") == "img":
            self.images.append(given)
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        while self.stack and self.stack.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self.stack and self.stack[-1][0] != "style":
            self.pieces.append((data, self.stack[-1][1]))

    @property
    def text(self) -> str:
        return _squeezed(" ".join(text for text, _ in self.pieces))


def _squeezed(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def read(page: str) -> Read:
    found = Read()
    found.feed(page)
    return found


def pdf_text(path: Path) -> list[str]:
    """The text of each page, with what was hyphenated or broken joined again."""
    document = pypdfium2.PdfDocument(path)
    try:
        return [page.get_textpage().get_text_range() for page in document]
    finally:
        document.close()


def bare(text: str) -> str:
    """Letters and digits only: line breaks, hyphens and ligatures of a setter do not count."""
    ligatures = {"ﬁ": "fi", "ﬂ": "fl", "ﬀ": "ff", "ﬃ": "ffi", "ﬄ": "ffl"}
    return re.sub(r"[\W_]+", "", "".join(ligatures.get(c, c) for c in text)).lower()


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> ReportFacts:
    return read_report(write_visit(tmp_path_factory.mktemp("visit") / "spring.journal", a_full_visit()))


@pytest.fixture(scope="module")
def pages(told: ReportFacts, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    out = tmp_path_factory.mktemp("out")
    html, pdf = write_report(told, out)
    return {"html": bare(read(html.read_text(encoding="utf-8")).text), "pdf": bare(" ".join(pdf_text(pdf)))}


@pytest.mark.parametrize("format_", ["html", "pdf"])
def test_every_check_caution_and_finding_is_in_it(told: ReportFacts, pages: dict[str, str], format_: str) -> None:
    wanted = [CAUTION, FINDING_CAUTION, "invented evidence", "invented counter-evidence", "an invented next step"]
    for entry, body in told.visit.of(e.Checked):
        wanted += [body.title, body.reason, body.source, *body.assumed, *body.unmet, body.would_decide, body.caution]
        assert entry.seq
    for _, finding in told.visit.of(e.Finding):
        wanted += [finding.title, finding.meaning, finding.basis]
    wanted += ["lock out, prove dead and discharge", "A2L and A3 refrigerants flammable", "Acid cleaners"]
    wanted += ["does not replace the manufacturer's data, local code, or the judgement of a licensed technician"]
    missing = [text for text in wanted if bare(text) not in pages[format_]]
    assert missing == []


@pytest.mark.parametrize("format_", ["html", "pdf"])
def test_the_record_can_be_defended_from_it(told: ReportFacts, pages: dict[str, str], format_: str) -> None:
    visit = told.visit
    assert visit.seal is not None
    wanted = [
        visit.head,
        visit.journal,
        visit.seal.public_key.hex(),
        visit.seal.signature.hex(),
        "SN-4711",
        "technician 7",
    ]
    wanted += [
        "liquid service port pressure",
        "Placements that were put right",
        "clock set",
        "by +3600.0 s",
        "12 s unseen",
    ]
    wanted += ["gauges: 3 (poll_skipped)", "zero, against atmosphere", "although: invented: coil still wet"]
    wanted += ["gate code changed", "no ladder", "ants in the panel", "97.0 %", "0.4 %"]
    missing = [text for text in wanted if bare(text) not in pages[format_]]
    assert missing == []


def test_page_one_is_one_page_in_plain_words(told: ReportFacts, tmp_path: Path) -> None:
    (pdf,) = write_report(told, tmp_path, ["pdf"])
    first, second = pdf_text(pdf)[:2]
    assert "For the professional" in second
    assert "Caution" in first
    letter = _squeezed(first)
    for words in ("What was done", "What was found", "What it means", "What to do next, and how soon"):
        assert words in letter
    for urgent in ("Within days or weeks", "At the next visit"):
        assert urgent in letter
    jargon = (
        "superheat",
        "subcool",
        "HERM",
        "µF",
        "interval",
        "conform",
        "saturation",
        "psig",
        "probability",
        "temperature split",
    )
    assert [word for word in jargon if word.lower() in letter.lower()] == []


def test_the_letter_shows_two_photos_and_the_other_pages_the_rest(told: ReportFacts) -> None:
    page = html_page(compose(told))
    letter, rest = page.split("For the professional", 1)
    assert letter.count('<img src="data:image/png;base64,') == 2
    assert rest.count('<img src="data:image/png;base64,') == 1


def test_the_photos_are_in_the_pdf_too(told: ReportFacts, tmp_path: Path) -> None:
    (pdf,) = write_report(told, tmp_path, ["pdf"])
    document = pypdfium2.PdfDocument(pdf)
    try:
        photos = [
            sum(thing.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE for thing in page.get_objects()) for page in document
        ]
    finally:
        document.close()
    assert (photos[0], sum(photos)) == (2, 3)


def test_the_html_is_one_file_for_everybody(told: ReportFacts) -> None:
    page = html_page(compose(told))
    found = read(page)
    assert '<html lang="en">' in page
    assert not {"script", "link", "iframe", "object"} & found.tags
    assert re.findall(r"""(?:src|href|url\()\s*=?\s*["']?(?!data:)(?:https?:|//|/|file:)""", page) == []
    assert all(image.get("alt") or image.get("aria-label") for image in found.images)
    assert found.levels[0] == 1
    assert all(after - before <= 1 for before, after in zip(found.levels, found.levels[1:], strict=False))
    assert page.count("<table>") == page.count("<caption>") == page.count("<thead>")
    assert "@media print" in page


def _luminance(colour: str) -> float:
    """Relative luminance of sRGB (WCAG 2.2, definition)."""
    parts = [int(colour[n : n + 2], 16) / 255.0 for n in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_colours_have_the_contrast_of_wcag_aa() -> None:
    from lineset.report.plot import INKS

    paper = _luminance(re.search(r"--paper: (#\w{6})", STYLE)[1])  # type: ignore[index]
    inks = [*re.findall(r"--(?:ink|quiet|mark): (#\w{6})", STYLE), *INKS]
    assert len(inks) == 7
    for ink in inks:
        assert (paper + 0.05) / (_luminance(ink) + 0.05) >= 4.5, ink


def test_the_pdf_is_tagged_titled_and_not_blank(told: ReportFacts, tmp_path: Path) -> None:
    (pdf,) = write_report(told, tmp_path, ["pdf"])
    data = pdf.read_bytes()
    assert b"<pdfuaid:part>1</pdfuaid:part>" in data
    assert b"/MarkInfo" in data or b"/StructTreeRoot" in data
    document = pypdfium2.PdfDocument(pdf)
    try:
        assert document.get_metadata_value("Title")
        assert document.is_tagged()
        for page in document:
            bitmap = page.render(scale=0.5, grayscale=True)
            shades = bytes(bitmap.buffer)
            dark = sum(shade < 128 for shade in shades) / len(shades)
            assert 0.002 < dark < 0.5
    finally:
        document.close()


@pytest.mark.parametrize(
    ("sealed", "closed", "mark"),
    [(False, False, "Not closed, not sealed"), (False, True, "Not sealed")],
)
def test_the_mark_stands_on_every_page(tmp_path: Path, sealed: bool, closed: bool, mark: str) -> None:
    path = write_visit(tmp_path / "v.journal", a_full_visit(closed=closed), sealed=sealed)
    html, pdf = write_report(read_report(path), tmp_path)
    texts = pdf_text(pdf)
    assert len(texts) > 2
    assert all(mark in text for text in texts)
    page = html.read_text(encoding="utf-8")
    assert page.count(f'<p class="mark">{mark}') == page.count("<section>")
    assert f'@top-center {{ content: "{mark}' in page


def test_a_broken_photo_does_not_cost_the_report(tmp_path: Path) -> None:
    broken = blob(b"\xff\xd8\xff\xe0 not much of a picture", "image/jpeg")
    rows = [(1.0, broken), (2.0, e.Observed(system="upstairs", text="a look inside", photo=broken.sha256, by="t"))]
    path = write_visit(tmp_path / "v.journal", rows)
    _, pdf = write_report(read_report(path), tmp_path)
    assert "This photo is incomplete or damaged" in _squeezed(" ".join(pdf_text(pdf)))


def test_what_was_taken_back_is_told_with_both_entries(tmp_path: Path) -> None:
    seen = e.Observed(system="upstairs", sign="capacitor_bulged", urgency="soon", wants=("part",), by="t")
    with JournalReader(write_visit(tmp_path / "one.journal", [(1.0, seen)])) as reader:
        [seq] = [row.seq for row in reader.rows(1, {"observation"})]
    back = e.Observed(system="upstairs", text="one was in the van", urgency="now", withdraws=seq, by="t")
    told = read_report(write_visit(tmp_path / "two.journal", [(1.0, seen), (61.0, back), (62.0, e.Closed(by="t"))]))
    english = read(html_page(compose(told, "en", "customary"))).text
    clock = r"\d\d:\d\d:\d\d"
    assert re.search(f"top is bulged; a part is wanted; no longer wanted since {clock}", english)
    assert re.search(f"asked of the shop at {clock} is no longer wanted; one was in the van", english)
    assert english.count("one was in the van") == 1  # nothing to see to: the first page leaves it out
    spanish = read(html_page(compose(told, "es", "customary"))).text
    assert re.search(f"hace falta una pieza; ya no hace falta desde las {clock}", spanish)


def test_a_visit_with_nothing_in_it_has_a_report(tmp_path: Path) -> None:
    html, pdf = write_report(read_report(write_visit(tmp_path / "v.journal", [(1.0, e.Closed(by="t"))])), tmp_path)
    assert "Nothing was judged at this visit." in html.read_text(encoding="utf-8")
    assert len(pdf_text(pdf)) >= 2


def test_words_of_the_trade_and_marks_of_the_setter_are_only_words(tmp_path: Path) -> None:
    nasty = 'a #heading[x] "quoted" \\ back <b>bold</b> $x$ @ref _u_ `code` & more'
    rows = [(1.0, e.Noted(text=nasty, by="t")), (2.0, e.Closed(by="t"))]
    html, pdf = write_report(read_report(write_visit(tmp_path / "v.journal", rows)), tmp_path)
    assert "<b>bold</b>" not in html.read_text(encoding="utf-8")
    assert "#heading[x]" in read(html.read_text(encoding="utf-8")).text
    assert "#heading[x]" in " ".join(pdf_text(pdf))


def test_units_are_as_asked(told: ReportFacts) -> None:
    customary, si = (read(html_page(compose(told, "en", units))).text for units in ("customary", "si"))  # type: ignore[arg-type]
    assert "86.0 ± 1.4 °F" in customary
    assert "30.00 ± 0.78 °C" in si  # 30 degC with u 0.4 K
    assert "°F" not in si.replace("invented", "")


def test_the_same_journal_gives_the_same_files(told: ReportFacts, tmp_path: Path) -> None:
    one, two = write_report(told, tmp_path / "a"), write_report(told, tmp_path / "b")
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]


def test_in_spanish_only_the_record_is_english(told: ReportFacts) -> None:
    from lineset.equipment.language import catalogue
    from lineset.report import words_plain, words_report

    found = catalogue("es")
    own = {*words_report.sentences(), *words_plain.sentences()}
    untranslated = [
        text for text in own if found.gettext(text) == text and re.search("[a-z]{3}", re.sub("{.*?}", "", text))
    ]
    assert set(untranslated) <= ALIKE
    page = read(html_page(compose(told, "es")))
    spanish = _squeezed(" ".join(text for text, language in page.pieces if language == "es"))
    # whole sentences and templates' longest stretches; short words may be words of both languages
    stretches = {piece for text in own for piece in re.split("{.*?}", text) if len(piece) > 14} - ALIKE
    assert [piece for piece in sorted(stretches) if piece.strip() in spanish] == []
    english = _squeezed(" ".join(text for text, language in page.pieces if language == "en"))
    assert "invented evidence" in english


ALIKE = {"inverter", "id", "probable"}


def test_every_field_of_a_template_is_in_its_translation() -> None:
    from lineset.equipment.language import catalogue
    from lineset.report import words_plain, words_report

    found = catalogue("es")
    wrong = []
    for text in (*words_report.sentences(), *words_plain.sentences()):
        if sorted(re.findall(r"{\w*}", text)) != sorted(re.findall(r"{\w*}", found.gettext(text))):
            wrong.append(text)
    assert wrong == []
