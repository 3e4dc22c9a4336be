"""The professional's pages of the visit as a whole: instruments, comparisons, the course, the record and its seal."""

from __future__ import annotations

import lineset
from lineset.contract import entry as e
from lineset.report import words_report as w
from lineset.report.document import Block, Heading, Recorded, Table, Text, Words
from lineset.report.told import ReportFacts, comparisons, course
from lineset.report.written import Writing, quantity_of


def record_pages(told: ReportFacts, writing: Writing) -> list[Block]:
    """All tables of the visit as a whole."""
    say = writing.say
    return [
        Heading(2, say(w.INSTRUMENTS_HEAD)),
        _instruments(told, writing),
        *_comparisons(told, writing),
        Heading(2, say(w.COURSE_HEAD)),
        _course(told, writing),
        Heading(2, say(w.RECORD_HEAD)),
        _record(told, writing),
        *(Text(say(w.TREND_UNREAD).format(text=text), "small") for text in told.unread),
        Text(say(w.HOW_TO_VERIFY), "small"),
    ]


def _heads(words: tuple[str, ...], writing: Writing) -> tuple[str, ...]:
    return tuple(writing.say(word) for word in words)


def _instruments(told: ReportFacts, writing: Writing) -> Block:
    say, rows = writing.say, []
    for id_, instrument in told.visit.instruments.items():
        state = told.visit.states.get(id_)
        identity = state.identity if state is not None and state.identity else say(w.NO_IDENTITY)
        if state is not None and state.identity_weak:
            identity = say(w.WEAK_IDENTITY).format(identity=identity)
        if instrument.origin == "entered":
            identity = say(w.BY_PERSON)
        used = {body.channel for _, body in told.visit.of(e.Settled) if body.instrument == id_}
        for channel in instrument.channels:
            # a person's meter has a channel for whatever could be read by eye
            if instrument.origin == "entered" and channel.name not in used:
                continue
            name = f"{id_} ({instrument.profile})"
            rows.append(
                (name, identity, f"{channel.name}, {channel.unit}", _accuracy(channel), _calibration(channel, writing))
            )
    return Table(
        say(w.INSTRUMENTS_TABLE), _heads(w.INSTRUMENT_COLUMNS, writing), tuple(rows), widths=(3, 2.4, 2.2, 3, 4)
    )


def _accuracy(channel: e.ChannelRecord) -> str:
    parts = []
    if channel.reading_pct:
        parts.append(f"{channel.reading_pct:g} %")
    if channel.absolute:
        parts.append(f"{channel.absolute:g} {channel.unit}")
    if channel.counts:
        parts.append(f"{channel.counts:g} × {channel.resolution:g} {channel.unit}")
    return "± (" + " + ".join(parts) + ")" if parts else ""


def _calibration(channel: e.ChannelRecord, writing: Writing) -> str:
    given = channel.calibration
    if given == e.Calibration():
        return writing.say(w.NO_CALIBRATION)
    figures = f"× {given.gain:g} {given.offset:+g}; "
    return figures + writing.say(w.CALIBRATION).format(
        date=given.date or "?", due=given.due or "?", reference=given.reference or "?", source=given.source or "?"
    )


def _comparisons(told: ReportFacts, writing: Writing) -> list[Block]:
    say, rows = writing.say, []
    for body in comparisons(told.visit):
        how = say(w.HOW.get(body.how, body.how)).format(against=body.against)
        quantity = quantity_of("", body.unit)
        unit = body.unit if quantity is None else ("K" if body.unit == "Cel" else body.unit)
        name = ""
        if body.quantity in ("pressure_gauge", "pressure_absolute"):
            name = "vapor_service_pressure"
        offset = writing.moved(name, unit, body.offset, 1.96 * body.u)
        taken: Words = say(w.YES) if body.applied else f"{say(w.NO)}: {body.reason}".rstrip(": ")
        rows.append(
            (say(w.PHASES.get(body.phase, body.phase)), f"{body.instrument}/{body.channel}", how, offset, taken)
        )
    if not rows:
        return [Text(say(w.NO_COMPARISONS))]
    return [
        Table(
            say(w.COMPARISONS_TABLE), _heads(w.COMPARISON_COLUMNS, writing), tuple(rows), widths=(1.2, 2.6, 6, 2, 2.2)
        )
    ]


def _course(told: ReportFacts, writing: Writing) -> Block:
    say, rows = writing.say, []
    for entry in course(told.visit):
        what, detail = _event(entry.body, writing)
        if what:
            wall = told.visit.wall(entry)
            rows.append((writing.day_and_clock(wall), what, detail))
    return Table(say(w.COURSE_TABLE), _heads(w.COURSE_COLUMNS, writing), tuple(rows), widths=(2.4, 2.2, 7))


def _event(body: e.AnyBody, writing: Writing) -> tuple[str, Words]:
    say = writing.say
    match body:
        case e.Opened():
            return say(w.OPENED), body.by
        case e.Phased() | e.Closed():
            name = say(w.CLOSED) if isinstance(body, e.Closed) else say(w.PHASE)
            words = [say(w.PHASES.get(body.phase, body.phase))] if isinstance(body, e.Phased) else []
            if body.by:
                words.append(body.by)
            if body.missing:
                words.append(say(w.FORCED).format(missing="; ".join(body.missing), reason=body.reason or "?"))
            return name, ", ".join(words)
        case e.WallClock():
            step = body.step_ns / 1e9
            return (say(w.CLOCK), say(w.CLOCK_STEP).format(seconds=f"{step:+.1f}")) if step else ("", "")
        case e.Resumed():
            return say(w.GAP), say(w.GAP_LENGTH).format(seconds=f"{body.gap_ns / 1e9:.0f}")
        case e.Overrun():
            return say(w.LOST), say(w.LOST_COUNT).format(instrument=body.instrument, count=body.count, loss=body.loss)
        case e.Noted():
            text = body.text if not body.by else f"{body.text} ({body.by})"
            return say(w.REMARK), Recorded(text) if body.by == "station" and writing.language != "en" else text
    return "", ""


def _record(told: ReportFacts, writing: Writing) -> Block:
    say, visit, checked = writing.say, told.visit, told.verification
    rows: list[tuple[Words, ...]] = [
        (say(w.STATION), visit.opened.station),
        (say(w.VISIT), visit.opened.visit),
        (say(w.JOURNAL), visit.journal),
        (say(w.ENTRIES), f"1 – {visit.last}"),
        (say(w.HEAD), visit.head),
    ]
    seal = visit.seal
    if seal is None:
        rows.append((say(w.SEALED), say(w.SEAL_NONE)))
        if checked.ok:
            rows.append((say(w.SEALED), say(w.CHAIN_GOOD)))
    else:
        good = checked.ok and visit.sealed_well
        rows.append((say(w.SEALED), say(w.SEAL_GOOD) if good else say(w.SEAL_BAD)))
        rows.append((say(w.KEY), seal.public_key.hex()))
        rows.append((say(w.SIGNATURE), seal.signature.hex()))
    for problem in checked.problems[:20]:
        rows.append((say(w.PROBLEM), Recorded(f"{problem.fault}: {problem.text}")))
    for gap in checked.gaps:
        rows.append((say(w.GAP), f"{gap.first} – {gap.last}"))
    rows.append((say(w.ENGINE), f"{visit.opened.version}, {visit.opened.fingerprint}"))
    rows.append((say(w.MADE_WITH), lineset.__version__))
    return Table(say(w.RECORD_TABLE), _heads(w.RECORD_COLUMNS, writing), tuple(rows), widths=(2.4, 6))
