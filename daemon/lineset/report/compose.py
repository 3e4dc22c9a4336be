"""A report's document from what is told: page one, then the professional's pages. Pure."""

from __future__ import annotations

from datetime import UTC, tzinfo

import lineset
from lineset.equipment.display import Units
from lineset.equipment.language import sayer
from lineset.report import words_report as w
from lineset.report.document import Block, Document, Heading, NewPage, Text
from lineset.report.page_one import MOST_PHOTOS, page_one
from lineset.report.photos import photographs, shown
from lineset.report.pictures import panels
from lineset.report.pro_record import record_pages
from lineset.report.pro_system import system_pages
from lineset.report.told import ReportFacts
from lineset.report.written import Writing

MARKS = {"": "", "not_closed": w.NOT_CLOSED, "not_sealed": w.NOT_SEALED, "seal_bad": w.SEAL_BAD}


def compose(told: ReportFacts, language: str = "en", units: Units = "customary", zone: tzinfo = UTC) -> Document:
    """The whole report in a language, units, and a time zone."""
    say = sayer(language)
    writing = Writing(say, language, units, zone)
    blocks: list[Block] = [*page_one(told, writing), NewPage(), Heading(1, say(w.PRO))]
    blocks += [
        Text(say(w.PRO_LEAD).format(zone=zone)),
        Text(say(w.CAUTION_PRO), "caution"),
        Text(say(w.DEFER), "small"),
    ]
    for system in told.systems:
        record = system.facts.record
        blocks.append(Heading(2, say(w.SYSTEM_NAMED).format(title=record.title or record.id)))
        blocks += system_pages(system, writing)
        drawn = panels(told, system, writing)
        if drawn:
            blocks += [Heading(3, say(w.PICTURES_HEAD)), *drawn]
    if told.no_series:
        blocks.append(Text(say(w.NO_PICTURES).format(text=told.no_series), "small"))
    rest = photographs(told, writing)[MOST_PHOTOS:]
    if rest:
        blocks += [Heading(2, say(w.PHOTOS_HEAD)), *shown(rest)]
    blocks += record_pages(told, writing)
    opened = told.visit.opened
    foot = say(w.FOOT).format(visit=opened.visit, journal=told.visit.journal[:8], version=lineset.__version__)
    return Document(say(w.TITLE), language, say(MARKS[told.mark]), foot, say(w.PAGE), tuple(blocks))
