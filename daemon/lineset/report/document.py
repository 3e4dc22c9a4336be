"""What a report is made of, whatever it is written as: headings, sentences, lists, tables, pictures, photos.

Both writers (html_page, typst_sheet) write the same blocks, so that one format cannot say less than the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Recorded:
    """Words as they stand on record, in the language that they were recorded in."""

    text: str
    language: str = "en"


Words = str | Recorded | tuple[str | Recorded, ...]


def plain(words: Words) -> str:
    """The words alone."""
    if isinstance(words, tuple):
        return "".join(plain(each) for each in words)
    return words.text if isinstance(words, Recorded) else words


def joined(parts: Sequence[Words], between: str = "; ") -> Words:
    """Several words in one place, what is empty left out."""
    found: list[str | Recorded] = []
    for part in parts:
        if plain(part):
            found += [*([between] if found else []), *(part if isinstance(part, tuple) else (part,))]
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 1 is the document's parts, 2 and 3 what is below them."""

    level: int
    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph. `tone` is "" or caution, mark (what nobody may overlook), small, lead."""

    words: Words
    tone: str = ""


@dataclass(frozen=True, slots=True)
class Listing:
    """Sentences one below the other; each may begin with words set apart ("Within days or weeks")."""

    items: tuple[tuple[str, Words], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption and one line of heads. `figures` are the columns that are set as numbers."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Words, ...], ...]
    figures: frozenset[int] = frozenset()
    widths: tuple[float, ...] = ()  # shares of the width, for paper; empty: as the words need


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing (SVG) with what it shows in words."""

    svg: str
    alt: str
    caption: str


@dataclass(frozen=True, slots=True)
class Photograph:
    """A photo of the visit, with what was said about it; `broken` is said where it turns out to be no picture."""

    data: bytes
    media_type: str
    alt: str
    caption: str
    broken: str


@dataclass(frozen=True, slots=True)
class Photos:
    """Photos side by side."""

    items: tuple[Photograph, ...]


@dataclass(frozen=True, slots=True)
class NewPage:
    """What follows begins on a page of its own, where there are pages."""


Block = Heading | Text | Listing | Table | Picture | Photos | NewPage


@dataclass(frozen=True)
class Document:
    """A whole report. `mark` stands on every page; empty where nothing is wrong with the record."""

    title: str
    language: str
    mark: str
    foot: str
    page_word: str  # "page {page} of {pages}"
    blocks: tuple[Block, ...] = field(default=())
