"""A report as a PDF for paper and for screen readers (PDF/UA-1), set by typst from the same blocks as the HTML."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from itertools import takewhile
from pathlib import Path
from tempfile import TemporaryDirectory

from lineset.report.document import (
    Block,
    Document,
    Heading,
    Listing,
    NewPage,
    Photograph,
    Photos,
    Picture,
    Recorded,
    Table,
    Text,
    Words,
)

SIZES_PT = (10.5, 10.0, 9.5, 9.0, 8.5)  # of page one; smaller is hard to read
_FORMATS = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp", "image/gif": "gif"}
# em of a heading is typst's own: 1.4, 1.2 and 1 of the text around it
_PREAMBLE = """
#set page(paper: "us-letter", margin: (x: 20mm, top: 19mm, bottom: 16mm), header: @header, footer: @footer)
#set text(font: "Libertinus Serif", size: 10.5pt, lang: @language, fill: rgb("#222222"), number-type: "lining")
#set par(leading: 0.58em, spacing: 0.85em)
#set table(stroke: (x, y) => if y == 0 { (bottom: 0.9pt) } else { (bottom: 0.3pt + rgb("#b9b3a5")) },
  inset: (x: 3pt, y: 2.6pt))
#show heading.where(level: 1): it => block(below: 0.9em, text(size: 1.02em, weight: "semibold", it.body))
#show heading.where(level: 2): it => block(above: 1.1em, below: 0.6em,
  stack(spacing: 0.5em, line(length: 100%, stroke: 0.5pt + rgb("#8c8679")),
  text(size: 0.92em, weight: "semibold", it.body)))
#show heading.where(level: 3): it => block(above: 1.1em, below: 0.6em,
  text(size: 1em, weight: "semibold", style: "italic", it.body))
#show figure.where(kind: table): set figure.caption(position: top)
#show figure: set align(left)
#show figure.where(kind: table): set block(breakable: true)
#show figure.caption: it => align(left,
  text(style: "italic", size: if it.kind == table { 9.5pt } else { 0.95em }, it.body))
#set table.cell(breakable: false)
#set figure(numbering: none, supplement: none, gap: 0.5em)
#set list(marker: [–])
"""


class SheetError(ValueError):
    """The PDF could not be set; says why."""


def pdf_sheet(document: Document, made: datetime) -> bytes:
    """The PDF's bytes. `made` stands in its metadata. Raises SheetError.

    What comes before the first new page is set as large as it may be to stay on one page; where it is too much even in
    the smallest type, its drawing is left out (other pages have it all), then its photos go to the next page.
    """
    first = tuple(takewhile(lambda block: not isinstance(block, NewPage), document.blocks))
    rest = document.blocks[len(first) :]
    try:
        for kept, moved in _lighter(first):
            letter = replace(document, blocks=kept)
            for size in SIZES_PT:
                if _pages(letter, size) == 1:
                    return _set(replace(document, blocks=(*kept, *rest[:1], *moved, *rest[1:])), made, size)
        return _set(document, made, SIZES_PT[-1])
    except (RuntimeError, ValueError) as error:
        raise SheetError(f"the PDF could not be set: {error}; the HTML says the same (--format html)") from error


def _lighter(letter: tuple[Block, ...]) -> Iterator[tuple[tuple[Block, ...], tuple[Block, ...]]]:
    """The letter whole, then without its drawing, then without its photos too; and what follows on the next page."""
    yield letter, ()
    for kinds in ((Picture,), (Picture, Photos)):
        if any(isinstance(block, kinds) for block in letter):
            moved = tuple(block for block in letter if isinstance(block, kinds) and isinstance(block, Photos))
            yield tuple(block for block in letter if not isinstance(block, kinds)), moved


def _pages(document: Document, size_pt: float) -> int:
    """On how many pages it comes."""
    import typst

    asked: Callable[..., str] = typst.query
    files: dict[str, bytes] = {}
    source = typst_source(document, files, size_pt)
    with _folder(f"{source}#context [#metadata(counter(page).final().first()) <pages>]\n", files) as main:
        return int(asked(main, "<pages>", field="value", one=True, ignore_system_fonts=True))


def _set(document: Document, made: datetime, size_pt: float) -> bytes:
    import typst

    files: dict[str, bytes] = {}
    source = typst_source(document, files, size_pt)
    with _folder(source, files) as main:
        return typst.compile(main, format="pdf", pdf_standards="ua-1", ignore_system_fonts=True, timestamp=made)


@contextmanager
def _folder(source: str, files: Mapping[str, bytes]) -> Iterator[Path]:
    """The source with its pictures in a folder of its own: photos are taken from files only."""
    with TemporaryDirectory(prefix="lineset-report-") as name:
        for file, data in files.items():
            (Path(name) / file).write_bytes(data)
        main = Path(name) / "main.typ"
        main.write_text(source, encoding="utf-8")
        yield main


def typst_source(document: Document, files: dict[str, bytes], letter_pt: float = SIZES_PT[0]) -> str:
    """The source text, with the letter on page one in this size of type.

    Pictures and photos are put into `files` under the names that it uses.
    """
    mark = f'text(fill: rgb("#7a1f0b"), weight: "bold", {_text(document.mark)})' if document.mark else "none"
    foot, page = _text(document.foot), document.page_word
    before, _, rest = page.partition("{page}")
    between, _, after = rest.partition("{pages}")
    count = (
        f"{_text(before)} + str(counter(page).get().first()) + {_text(between)} + "
        f"str(counter(page).final().first()) + {_text(after)}"
    )
    source = [
        f"#set document(title: {_text(document.title)})",
        _PREAMBLE.replace("@header", f"align(center, {mark})" if document.mark else "none")
        .replace("@footer", f'context text(size: 8pt, fill: rgb("#55514a"), {foot} + " " + {count})')
        .replace("@language", _text(document.language)),
    ]
    source.append(f"#set text(size: {letter_pt}pt)")
    for block in document.blocks:
        source.append(_block(block, files))
        if isinstance(block, NewPage):
            source.append(f"#set text(size: {SIZES_PT[0]}pt)")
    return "\n".join(source) + "\n"


def _text(text: str) -> str:
    plain = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\r", "").replace("\t", " ")
    return '"' + "".join(c for c in plain if c >= " ") + '"'


def _words(words: Words) -> str:
    if isinstance(words, tuple):
        return " + ".join(_words(each) for each in words) or '""'
    if isinstance(words, Recorded):
        return f"text(lang: {_text(words.language)}, {_text(words.text)})"
    return _text(words)


def _cell(words: Words) -> str:
    """The same for a narrow cell: what has no spaces (a hash, a key) may break anywhere."""
    if isinstance(words, tuple):
        return "[" + "".join(f"#{_words(_breaking(each))}" for each in words) + "]"
    return f"[#{_words(_breaking(words))}]"


def _breaking(words: str | Recorded) -> str | Recorded:
    if isinstance(words, Recorded):
        return words
    return re.sub(r"[0-9A-Za-z/:._-]{24,}", lambda found: "\u200b".join(re.findall(r".{1,8}", found[0])), words)


def _block(block: Block, files: dict[str, bytes]) -> str:
    match block:
        case Heading(level, text):
            return f"#heading(level: {level}, {_text(text)})"
        case Text(words, tone):
            return _paragraph(_words(words), tone)
        case Listing(items):
            rows = ", ".join(
                "[" + (f"#strong({_text(apart)}) " if apart else "") + f"#({_words(words)})]" for apart, words in items
            )
            return f"#list({rows})"
        case Table():
            return _table(block)
        case Picture(svg, alt, caption):
            name = f"drawing-{len(files)}.svg"
            files[name] = svg.encode()
            image = f"image({_text(name)}, alt: {_text(alt)}, width: 100%)"
            return f"#figure({image}, kind: image, alt: {_text(alt)}, caption: {_text(caption)})"
        case Photos(items):
            shown = ", ".join(_photo(each, files) for each in items)
            return f"#grid(columns: {min(len(items), 3)}, column-gutter: 8mm, row-gutter: 4mm, align: bottom, {shown})"
        case NewPage():
            return "#pagebreak(weak: true)"


def _photo(photo: Photograph, files: dict[str, bytes]) -> str:
    kind = _FORMATS.get(photo.media_type)
    if kind is None or not _readable(photo.data, kind):
        return f"text(size: 0.85em, {_text(f'{photo.caption} ({photo.broken})')})"
    name = f"photo-{len(files)}.{kind}"
    files[name] = photo.data
    alt = _text(photo.alt)
    image = f'image({_text(name)}, alt: {alt}, height: 6em + 6mm, width: 50mm, fit: "contain")'
    return f"figure({image}, kind: image, alt: {alt}, caption: {_text(photo.caption)})"


@lru_cache(maxsize=32)
def _readable(data: bytes, kind: str) -> bool:
    """Whether it is a picture at all: one broken photo must not cost the whole report."""
    import typst

    try:
        with _folder(f'#image("photo.{kind}")', {f"photo.{kind}": data}) as main:
            typst.compile(main, format="svg", ignore_system_fonts=True)
    except (RuntimeError, ValueError):
        return False
    return True


def _paragraph(words: str, tone: str) -> str:
    if tone == "small":
        return f'#par(text(size: 8.5pt, fill: rgb("#55514a"), {words}))'
    if tone == "mark":
        return (
            '#block(stroke: 1.2pt + rgb("#7a1f0b"), inset: 6pt, width: 100%, '
            f'text(fill: rgb("#7a1f0b"), weight: "bold", {words}))'
        )
    if tone == "caution":
        return f"#block(stroke: (y: 0.6pt), inset: (y: 5pt), width: 100%, {words})"
    return f"#par({words})"


def _table(table: Table) -> str:
    widths = ", ".join(f"{share:g}fr" for share in table.widths) if table.widths else ""
    columns = f"({widths},)" if widths else str(len(table.head))
    head = ", ".join(f"strong({_text(text)})" for text in table.head)
    cells = ",\n  ".join(", ".join(f"{_cell(words)}" for words in row) for row in table.rows)
    return (
        f"#text(size: 8pt)[#figure(kind: table, caption: {_text(table.caption)}, align(left, table(columns: {columns}, "
        f"align: left,\n  table.header({head}),\n  {cells})))]"
    )
