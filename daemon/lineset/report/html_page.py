"""A report as one HTML file that needs nothing else: no script, no network, no other file."""

from __future__ import annotations

import base64
import re
from html import escape

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

# Ink on paper: every pair of colours here has a contrast of at least 4.5 to 1 (WCAG 2.2, 1.4.3).
STYLE = """
:root { --ink: #222222; --quiet: #55514a; --rule: #8c8679; --paper: #fffdf8; --mark: #7a1f0b; }
* { box-sizing: border-box; }
html { background: #e9e5da; }
body { margin: 0 auto; max-width: 54rem; padding: 3rem 3.5rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 "Libertinus Serif", Georgia, "Times New Roman", serif; }
h1 { font-size: 1.55rem; line-height: 1.25; font-weight: 600; margin: 0 0 .6rem; }
h2 { font-size: 1.15rem; font-weight: 600; margin: 1.6rem 0 .4rem; border-top: 1px solid var(--rule);
  padding-top: .5rem; }
h3 { font-size: 1rem; font-style: italic; font-weight: 600; margin: 1.2rem 0 .3rem; }
p { margin: .4rem 0; }
p.small { color: var(--quiet); font-size: .88rem; }
p.caution { border: solid var(--ink); border-width: 1px 0; padding: .4rem 0; }
p.mark { color: var(--mark); font-weight: 700; }
p.mark { border: 3px double var(--mark); padding: .5rem .8rem; }
ul { margin: .3rem 0; padding-left: 1.2rem; } li { margin: .25rem 0; }
.scroll { overflow-x: auto; margin: .6rem 0 1.2rem; }
.scroll:focus-visible { outline: 3px solid var(--ink); }
table { border-collapse: collapse; font-size: .84rem; line-height: 1.35; min-width: 100%; }
caption { text-align: left; font-style: italic; padding-bottom: .25rem; }
th, td { text-align: left; vertical-align: top; padding: .22rem .6rem .22rem 0; border-bottom: 1px solid #d6d0c2;
  overflow-wrap: anywhere; }
thead th { border-bottom: 1.5px solid var(--ink); font-weight: 600; overflow-wrap: normal; }
td.figure { font-variant-numeric: lining-nums tabular-nums; min-width: 5.5rem; }
figure { margin: .8rem 0; } figure svg, figure img { max-width: 100%; height: auto; }
.photos { display: flex; flex-wrap: wrap; gap: 0 1.5rem; }
figure.photo img { max-height: 14rem; } figcaption { font-style: italic; font-size: .9rem; }
footer { border-top: 1px solid var(--rule); margin-top: 2.5rem; color: var(--quiet); font-size: .82rem;
  overflow-wrap: anywhere; }
@media (max-width: 40rem) { body { padding: 1.2rem 1rem; } }
@media print {
  html { background: none; font-size: 9.5pt; }
  body { background: none; padding: 0; max-width: none; line-height: 1.35; }
  h2 { margin: 1rem 0 .3rem; } h1, h2, h3, caption { break-after: avoid; } figure svg { max-height: 46mm; }
  section + section { break-before: page; } tr, figure { break-inside: avoid; }
  thead { display: table-header-group; } .scroll { overflow: visible; }
}
"""


# Beside the mark at the head of each part, for printers: in the margin of every page.
_ON_PAPER = '@top-center { content: "%s"; color: #7a1f0b; font: bold 9pt Georgia, serif; } '


def html_page(document: Document) -> str:
    """The whole file as text."""
    sections: list[list[str]] = [[]]
    for block in document.blocks:
        if isinstance(block, NewPage):
            sections.append([])
        else:
            sections[-1].append(_block(block))
    paper = "@page { margin: 18mm 16mm 16mm; " + (_ON_PAPER % _css(document.mark) if document.mark else "") + "}"
    each = f'<p class="mark">{escape(document.mark)}</p>' if document.mark else ""
    body = "\n".join(f"<section>{each}\n" + "\n".join(blocks) + "\n</section>" for blocks in sections)
    return (
        f'<!DOCTYPE html>\n<html lang="{document.language}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(document.title)}</title>\n<style>{STYLE}{paper}</style>\n</head>\n<body>\n<main>\n{body}\n"
        f"</main>\n<footer>{escape(document.foot)}</footer>\n</body>\n</html>\n"
    )


def _css(text: str) -> str:
    """Inside a string of CSS, within HTML's style element."""
    return re.sub(r'[\\"<>\n]', lambda found: f"\\{ord(found[0]):x} ", text)


def _words(words: Words) -> str:
    if isinstance(words, tuple):
        return "".join(_words(each) for each in words)
    if isinstance(words, Recorded):
        return f'<span lang="{words.language}">{escape(words.text)}</span>'
    return escape(words)


def _block(block: Block) -> str:
    match block:
        case Heading(level, text):
            return f"<h{level}>{escape(text)}</h{level}>"
        case Text(words, tone):
            kind = f' class="{tone}"' if tone else ""
            return f"<p{kind}>{_words(words)}</p>"
        case Listing(items):
            rows = "".join(
                "<li>" + (f"<strong>{escape(apart)}</strong> " if apart else "") + f"{_words(words)}</li>"
                for apart, words in items
            )
            return f"<ul>{rows}</ul>"
        case Table():
            return _table(block)
        case Picture(svg, alt, caption):
            spoken = re.sub("^<svg ", f'<svg role="img" aria-label="{escape(alt, quote=True)}" ', svg)
            return f"<figure>{spoken}<figcaption>{escape(caption)}</figcaption></figure>"
        case Photos(items):
            return '<div class="photos">' + "".join(_photo(each) for each in items) + "</div>"
        case NewPage():
            return ""


def _photo(photo: Photograph) -> str:
    source = f"data:{photo.media_type};base64,{base64.b64encode(photo.data).decode()}"
    return (
        f'<figure class="photo"><img src="{source}" alt="{escape(photo.alt, quote=True)}">'
        f"<figcaption>{escape(photo.caption)}</figcaption></figure>"
    )


def _table(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in table.head)
    rows = []
    for row in table.rows:
        cells = [f'<th scope="row">{_words(row[0])}</th>'] if row else []
        for n, words in enumerate(row[1:], start=1):
            kind = ' class="figure"' if n in table.figures else ""
            cells.append(f"<td{kind}>{_words(words)}</td>")
        rows.append(f"<tr>{''.join(cells)}</tr>")
    name = escape(table.caption, quote=True)
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{name}"><table><caption>{escape(table.caption)}'
        f"</caption><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )
