"""Page one: a letter to who lives in the house. Plain words, no terms of the trade, at most one drawing, two photos."""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.report import words_report as w
from lineset.report.document import Block, Heading, Listing, Text, Words
from lineset.report.judged import URGENCY_ORDER, Explained, Judged, explained, judged
from lineset.report.photos import photographs, seen_bare, sentence, shown
from lineset.report.pictures import HOME, picture
from lineset.report.told import ReportFacts, SystemTold
from lineset.report.written import Writing
from lineset.visit.observations import URGENCIES, signs
from lineset.visit.tasks import catalogue

MOST_LINES = 7
LEAST_LINES = 3
MOST_PHOTOS = 2
MOST_REMARKS = 3
MOST_SENTENCES = 2  # of what is in order; more are named only
Line = tuple[str, Words]


def page_one(told: ReportFacts, writing: Writing) -> list[Block]:
    """The letter's blocks."""
    say, visit = writing.say, told.visit
    blocks: list[Block] = [Heading(1, say(w.TITLE))]
    opening = say(w.OPENING).format(date=writing.date(visit.wall(visit.entries[0])))
    who = visit.opened.technician or visit.opened.by
    blocks.append(Text(" ".join([opening, *([say(w.BY).format(technician=who)] if who else [])])))
    done: list[Block] = []
    found: list[Block] = []
    means: list[Line] = []
    todo: list[tuple[str, Line]] = []
    # what is bad comes first in each system's lines, so it is not what is left out
    most, hidden, read = max(MOST_LINES - 2 * (len(told.systems) - 1), LEAST_LINES), 0, 0
    for system in told.systems:
        name = _name(system, writing) if len(told.systems) > 1 else ""
        verdicts = judged(system.facts)
        causes = explained(system.facts, verdicts)
        if not name:
            blocks.append(Text(_described(system, writing)))
        done += [*_named(name), Listing(tuple(_done(system, writing)))]
        read += len({each.body.name for each in system.facts.settled if each.body.origin != "derived"})
        lines = _found(system, verdicts, causes, writing)
        found += [*_named(name), Listing(tuple(lines[:most]))]
        hidden += max(len(lines) - most, 0)
        means += [(name, text) for text in _means(verdicts, causes, writing)]
        todo += [(urgency, (name, text)) for urgency, text in _next(system, verdicts, causes, writing)]
    remarks = [body for _, body in visit.of(e.Noted) if body.by and body.by != "station"]
    besides = [("", say(w.MEASURED).format(count=read))] if read else []
    besides += [(say(w.REMARKED), sentence(body.text)) for body in remarks[:MOST_REMARKS]]
    if besides:
        done.append(Listing(tuple(besides)))
    blocks += [Heading(2, say(w.DONE)), *done]
    blocks += [Heading(2, say(w.FOUND)), *found]
    if hidden:
        blocks.append(Text(say(w.MORE).format(count=hidden), "small"))
    if means:
        blocks += [Heading(2, say(w.MEANS)), *_cut(_once(means), writing)]
    blocks += [Heading(2, say(w.NEXT)), *_todo(todo, writing)]
    blocks += _effect(told, writing)
    blocks += [Text(say(w.CAUTION_HOME), "caution"), Text(say(w.DEFER), "small")]
    blocks += shown(photographs(told, writing)[:MOST_PHOTOS])
    for system in told.systems[:1]:
        drawn = picture(told, system, HOME, writing, say(w.AIR_PICTURE), windows=False)
        if drawn is not None:
            blocks.append(drawn)
    return blocks


def _name(system: SystemTold, writing: Writing) -> str:
    record = system.facts.record
    return writing.say(w.SYSTEM_NAMED).format(title=record.title or record.id) + ":"


def _described(system: SystemTold, writing: Writing) -> str:
    record, say = system.facts.record, writing.say
    kind = say(w.KINDS_OF_SYSTEM.get(record.kind, w.KINDS_OF_SYSTEM[""]))
    title = say(w.SYSTEM_NAMED).format(title=record.title or record.id)
    return say(w.FOR_SYSTEM).format(title=title, kind=kind, refrigerant=record.refrigerant)


def _named(name: str) -> list[Block]:
    return [Heading(3, name.rstrip(":"))] if name else []


def _done(system: SystemTold, writing: Writing) -> list[Line]:
    say, facts = writing.say, system.facts
    titles = catalogue().tasks
    done = [mark.body.task for mark in facts.tasks if mark.body.state == "done"]
    # what was only looked at is counted, so that what was done stands out
    looked = [task for task in done if task in titles and titles[task].phase == "before"]
    worked = [
        say(titles[task].title) if task in titles else task.replace("_", " ") for task in done if task not in looked
    ]
    lines: list[Line] = []
    if worked:
        lines.append(("", say(w.TASKS).format(tasks="; ".join(worked))))
    if looked:
        lines.append(("", say(w.LOOKED).format(count=len(looked))))
    if not done:
        lines.append(("", say(w.NOTHING_MARKED)))
    for mark in facts.tasks:
        if mark.body.state == "skipped":
            title = say(titles[mark.body.task].title) if mark.body.task in titles else mark.body.task.replace("_", " ")
            template = w.SKIPPED if mark.body.note else w.SKIPPED_BARE
            lines.append(("", say(template).format(task=title, reason=mark.body.note)))
    return lines


def _found(system: SystemTold, verdicts: list[Judged], causes: list[Explained], writing: Writing) -> list[Line]:
    say = writing.say
    lines: list[Line] = []
    bad = [each for each in verdicts if each.sort in ("bad", "watch")]
    fine = [each for each in verdicts if each.sort in ("fine", "usual")]
    undecided = [each for each in verdicts if each.sort == "open"]
    if verdicts:
        count = len(bad) + len(fine) + len(undecided)
        text = say(w.MEASURED_ONE).format(count=count, fine=len(fine), bad=len(bad), open=len(undecided))
        lines.append(("", text))
    for each in bad:
        apart = say(w.TO_SEE_TO if each.sort == "bad" else w.WATCH)
        words = [_side(each, writing), *_off_by(each, writing)]
        if each.before_only:
            words.append(say(w.NOT_AGAIN))
        lines.append((apart, " ".join(words)))
    for cause in causes:
        instrument = cause.finding.category == "instrument"
        sure = cause.finding.confidence == "clear"
        words = [say(cause.words.says), *([] if instrument or sure else [say(w.MAY_BE)])]
        lines.append((say(w.NOT_DECIDED if instrument else w.TO_SEE_TO), " ".join(words)))
    for line in _seen(system, writing):
        lines.append((line[1][0], sentence(line[1][1])))
    for apart, sort in ((w.IN_ORDER, "fine"), (w.USUAL, "usual")):
        those = [each for each in verdicts if each.sort == sort]
        if len(those) > MOST_SENTENCES:
            lines.append((say(apart), sentence("; ".join(say(each.words.subject) for each in those))))
        elif those:
            told = [say(each.words.fine) for each in those]
            lines.append((say(apart), " ".join(told)))
    if undecided:
        subjects = "; ".join(say(each.words.subject) for each in undecided)
        lines.append((say(w.NOT_DECIDED), say(w.UNDECIDED).format(subject=subjects)))
    if not verdicts:
        lines.append(("", say(w.NOTHING_JUDGED)))
    elif not bad and not causes and not _seen(system, writing):
        lines.append(("", say(w.ALL_FINE)))
    return lines


def _side(each: Judged, writing: Writing) -> str:
    words = each.words
    return writing.say(words.low if each.check.finding == "low" else words.high)


def _off_by(each: Judged, writing: Writing) -> list[str]:
    part = each.off_by
    if part is None:
        return []
    template = w.LOSS if part < 0.0 else w.EXCESS
    return [writing.say(template).format(percent=f"{abs(100.0 * part):.0f}")]


def _seen(system: SystemTold, writing: Writing) -> list[tuple[str, tuple[str, str]]]:
    """(urgency, line) of what a person saw, without notes for the record."""
    found: list[tuple[str, tuple[str, str]]] = []
    for observed in system.facts.observations:
        body = observed.body
        if body.withdraws:
            continue  # takes something back; what was seen is told where it was
        words = seen_bare(body, writing)
        urgency = body.urgency or (signs()[body.sign].urgency if body.sign in signs() else "note")
        if words and urgency in URGENCIES and urgency != "note":
            found.append((urgency, (writing.say(w.SEEN), words)))
    return sorted(found, key=lambda each: URGENCY_ORDER.index(each[0]))


def _means(verdicts: list[Judged], causes: list[Explained], writing: Writing) -> list[Words]:
    texts = [each.words.means for each in verdicts if each.sort == "bad"]
    texts += [cause.words.means for cause in causes]
    return [writing.say(text) for text in dict.fromkeys(texts)]


def _next(
    system: SystemTold, verdicts: list[Judged], causes: list[Explained], writing: Writing
) -> list[tuple[str, str]]:
    say = writing.say
    found = [(each.words.urgency, say(each.words.next)) for each in verdicts if each.sort == "bad"]
    found += [(cause.words.urgency, say(cause.words.next)) for cause in causes if cause.words.urgency != "note"]
    for urgency, (_, words) in _seen(system, writing):
        found.append((urgency, sentence(say(w.SEE_TO).format(what=words))))
    return list(dict.fromkeys(found))


def _todo(todo: list[tuple[str, Line]], writing: Writing) -> list[Block]:
    say = writing.say
    if not todo:
        return [Text(say(w.NOTHING_NEXT))]
    ordered = sorted(todo, key=lambda each: URGENCY_ORDER.index(each[0]))
    lines: list[Line] = []
    for urgency, (name, words) in ordered:
        when = say(URGENCIES[urgency])
        apart = f"{when[0].upper()}{when[1:]}"
        lines.append((f"{apart}: {name}".rstrip() if name else f"{apart}:", words))
    return _cut(lines, writing)


def _effect(told: ReportFacts, writing: Writing) -> list[Block]:
    say = writing.say
    lines: list[Line] = []
    compared = False
    for system in told.systems:
        name = _name(system, writing) if len(told.systems) > 1 else ""
        compared = compared or bool(system.changes)
        homely = [c for c in system.changes if c.verdict == "changed" and c.name in w.HOMELY]
        for change in sorted(homely, key=lambda c: list(w.HOMELY).index(c.name))[:2]:
            title = say(w.HOMELY[change.name])
            lines.append((name, say(w.EFFECT_SHOWN).format(
                title=title, before=writing.value(change.name, change.unit, change.before.value),
                after=writing.value(change.name, change.unit, change.after.value))))  # fmt: skip
        for trend in system.trends:
            if trend.crossing is None or trend.name not in w.FADES:
                continue
            template = w.FADING if trend.crossing.late is not None else w.FADING_OPEN
            met = {
                "when": writing.month(trend.crossing.at),
                "early": writing.month(trend.crossing.early),
                "late": writing.month(trend.crossing.late or 0.0),
            }
            lines.append((name, say(template).format(title=say(w.FADES[trend.name]), **met)))
    if not lines:
        if not any(phase == "after" for phase, _ in told.visit.phases()):
            return []
        any_changed = any(change.verdict == "changed" for system in told.systems for change in system.changes)
        lines.append(("", say(w.EFFECT_OTHER if any_changed else w.EFFECT_NONE if compared else w.EFFECT_NOT_BOTH)))
    return [Heading(2, say(w.EFFECT)), Listing(tuple(lines))]


def _once(lines: list[Line]) -> list[Line]:
    return list(dict.fromkeys(lines))


def _cut(lines: list[Line], writing: Writing) -> list[Block]:
    """What is left of a long list for page one; the other pages hold all of it."""
    if len(lines) <= MOST_LINES:
        return [Listing(tuple(lines))]
    more = writing.say(w.MORE).format(count=len(lines) - MOST_LINES)
    return [Listing(tuple(lines[:MOST_LINES])), Text(more, "small")]
