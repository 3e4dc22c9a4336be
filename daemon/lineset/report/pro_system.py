"""The professional's pages of one system: checks, findings, before and after, across visits, settled, placements."""

from __future__ import annotations

from collections.abc import Sequence

from lineset.contract import entry as e
from lineset.equipment.nameplate import NUMBERS
from lineset.report import words_report as w
from lineset.report import words_wanted
from lineset.report.change import Change
from lineset.report.document import Block, Heading, Recorded, Table, Text, Words, joined, plain
from lineset.report.facts import SystemFacts, Told
from lineset.report.told import SystemTold
from lineset.report.trend import Trend
from lineset.report.written import Writing, signs
from lineset.visit.observations import URGENCIES, WANTS
from lineset.visit.observations import signs as quick_signs


def system_pages(system: SystemTold, writing: Writing) -> list[Block]:
    """All tables of one system, in the order in which a colleague asks for them."""
    facts = system.facts
    return [
        _described(facts, writing),
        Heading(3, writing.say(w.CHECKS_HEAD)),
        *_checks(facts, writing),
        Heading(3, writing.say(w.FINDINGS_HEAD)),
        *_findings(facts, writing),
        *_corrections(facts, writing),
        Heading(3, writing.say(w.CHANGE_HEAD)),
        *_changes(system, writing),
        Heading(3, writing.say(w.TREND_HEAD)),
        *_trends(system, writing),
        Heading(3, writing.say(w.SETTLED_HEAD)),
        *_settled(facts, writing),
        *_unsteady(facts, writing),
    ]


def check_title(check: e.Checked, writing: Writing) -> Words:
    """A check's title in the report's language; as recorded where we have no words for it."""
    base, _, number = check.name.partition(".")
    if base == "strip_amps":
        return writing.say(w.STRIP_AMPS).format(number=number).replace("  ", " ")
    known = w.CHECK_TITLES.get(base)
    return writing.say(known) if known else Recorded(check.title or base)


def _described(facts: SystemFacts, writing: Writing) -> Block:
    say, record = writing.say, facts.record
    shown = {
        "id": record.id,
        "kind": say(w.KINDS_OF_SYSTEM.get(record.kind, record.kind)),
        "refrigerant": record.refrigerant,
        "metering_device": say(w.DEVICES.get(record.metering_device, record.metering_device)),
        "capacity_control": say(w.CONTROLS.get(record.capacity_control, record.capacity_control)),
        "altitude_m": f"{record.altitude_m:g} m",
        "line_frequency_hz": f"{record.line_frequency_hz:g} Hz",
    }
    rows: list[tuple[Words, ...]] = [(say(w.SYSTEM_FIELDS[key]), text) for key, text in shown.items() if text]
    for key, (field, factor, _, _) in NUMBERS.items():
        value = getattr(record.nameplate, field)
        if value is not None:
            rows.append((say(w.NAMEPLATE).format(name=key), f"{value / factor:.4g}"))
    if record.nameplate.heat_strip_w:
        text = ", ".join(f"{watts / 1000:.4g}" for watts in record.nameplate.heat_strip_w)
        rows.append((say(w.NAMEPLATE).format(name="heat_strip_kw"), text))
    return Table(say(w.SYSTEM_TABLE), (say("What"), say("As recorded")), tuple(rows), widths=(2, 5))


def _recorded(text: str, writing: Writing) -> str | Recorded:
    """Words of the engine, which are on record in English."""
    text = signs(text)
    translated = writing.say(text)
    return Recorded(text) if writing.language != "en" and translated == text else translated


def _each(texts: Sequence[str], writing: Writing) -> Words:
    return joined([_recorded(text, writing) for text in texts])


def _filled(template: str, field: str, text: str, writing: Writing) -> Words:
    """A sentence of ours around words of the record."""
    before, _, after = writing.say(template).partition("{" + field + "}")
    return joined((before, _recorded(text, writing), after), "")


def _verdict(check: e.Checked, writing: Writing) -> str:
    state = writing.say(w.STATE.get(check.state, check.state))
    if check.state in ("undecided", "advisory") and check.finding:
        return f"{state} ({writing.say(w.SIDE.get(check.finding, check.finding))})"
    return f"{state} ({writing.say(w.SIDE[check.finding])})" if check.finding in ("low", "high") else state


def _checks(facts: SystemFacts, writing: Writing) -> list[Block]:
    say = writing.say
    if not facts.checks:
        return [Text(say(w.NO_CHECKS))]
    rows, reasons = [], []
    for told in facts.checks:
        check = told.body
        title, phase = check_title(check, writing), say(w.PHASES.get(check.phase, check.phase))
        value = "" if check.value is None else writing.value(check.name, check.unit, check.value, check.u)
        bounds = []
        if check.target is not None:
            bounds.append(
                say(w.TARGET).format(value=writing.value(check.name, check.unit, check.target, check.target_u or None))
            )
        interval = writing.interval(check.name, check.unit, check.low, check.high)
        if interval:
            bounds.append(say(w.LIMITS).format(interval=interval))
        rule = say(w.RULE.get(check.rule, check.rule)) if check.rule else ""
        basis = _filled(w.BASIS, "basis", check.basis, writing) if check.basis else ""
        source = joined((rule, _recorded(check.source, writing), basis))
        likely = "" if check.probability is None else _probability(check.probability)
        rows.append((title, phase, _verdict(check, writing), value, "; ".join(bounds), likely, source))
        # what is not met would decide it too: told once
        decides = (check.would_decide,) if check.would_decide not in ("", *check.unmet) else ()
        groups = ((w.UNMET, check.unmet), (w.ASSUMED, check.assumed), (w.DECIDES, decides), (w.PROVED, check.proved))
        beside = joined([_filled(template, "text", text, writing) for template, texts in groups for text in texts])
        reasons.append((
            title, phase, _recorded(check.reason, writing), beside,
            _recorded(check.caution, writing),
        ))  # fmt: skip
    blocks: list[Block] = [
        Table(say(w.CHECKS_TABLE), _say_all(w.CHECK_COLUMNS, writing), tuple(rows), frozenset({3, 5}),
              (3, 1.5, 2.2, 2.6, 3.6, 2, 4.4)),
        Table(say(w.REASONS), _say_all(w.REASON_COLUMNS, writing), tuple(reasons), widths=(2.4, 1.3, 5, 5, 3.2)),
    ]  # fmt: skip
    if facts.changed_verdicts:
        blocks.append(Table(say(w.CHANGED_TABLE), _say_all(w.CHANGED_COLUMNS, writing), tuple(
            (writing.clock(told.wall), check_title(told.body, writing),
             say(w.PHASES.get(told.body.phase, told.body.phase)), _verdict(told.body, writing),
             _recorded(told.body.reason, writing))
            for told in facts.changed_verdicts)))  # fmt: skip
    return blocks


def _probability(value: float) -> str:
    if value > 0.999:
        return "> 99.9 %"
    if value < 0.001:
        return "< 0.1 %"
    return f"{100.0 * value:.1f} %"


def _say_all(words: tuple[str, ...], writing: Writing) -> tuple[str, ...]:
    return tuple(writing.say(word) for word in words)


def _findings(facts: SystemFacts, writing: Writing) -> list[Block]:
    say = writing.say
    blocks: list[Block] = []
    rows = []
    for told in facts.findings:
        body = told.body
        state = say(w.FINDING_STATE.get(body.state, body.state))
        if body.confidence:
            state = f"{state}, {say(w.CONFIDENCE.get(body.confidence, body.confidence))}"
        step = joined([_recorded(each, writing) for each in (body.next_step, body.caution)])
        rows.append((
            _recorded(body.title, writing), state, _each(body.evidence, writing),
            _each(body.against, writing), _recorded(body.meaning, writing), step,
            _recorded(body.basis, writing),
        ))  # fmt: skip
    if rows:
        blocks.append(Table(say(w.FINDINGS_TABLE), _say_all(w.FINDING_COLUMNS, writing), tuple(rows),
                            widths=(2.2, 1.5, 3.5, 2.4, 2.6, 3.4, 2.2)))  # fmt: skip
    else:
        blocks.append(Text(say(w.NO_FINDINGS)))
    if facts.observations:
        blocks.append(Table(say(w.OBSERVED_TABLE), _say_all(w.OBSERVED_COLUMNS, writing), tuple(
            _observed(told, facts.observations, writing) for told in facts.observations)))  # fmt: skip
    return blocks


def _observed(told: Told[e.Observed], every: Sequence[Told[e.Observed]], writing: Writing) -> tuple[Words, ...]:
    body, known = told.body, quick_signs()
    sign = writing.say(known[body.sign].words) if body.sign in known else body.sign
    photo = writing.say(w.PHOTO_HASH).format(sha256=body.photo[:16]) if body.photo else ""
    urgency = body.urgency or (known[body.sign].urgency if body.sign in known else "")
    about = writing.title(body.about) if body.about else ""
    wanted = (writing.say(WANTS[want]) for want in body.wants if want in WANTS)
    back = [
        writing.say(words_wanted.TAKES_BACK).format(time=writing.clock(each.wall))
        for each in every
        if each.seq == body.withdraws
    ]
    since = [
        writing.say(words_wanted.TAKEN_BACK).format(time=writing.clock(each.wall))
        for each in every
        if each.body.withdraws == told.seq
    ]
    seen = "; ".join(each for each in (*back, sign, body.text, photo, *wanted, *since[:1]) if each)
    return (writing.clock(told.wall), about, seen, writing.say(URGENCIES.get(urgency, urgency)) if urgency else "")


def _place(body: e.Placed, writing: Writing) -> str:
    return writing.title(body.point) if body.point else writing.say(w.TAKEN_AWAY)


def _corrections(facts: SystemFacts, writing: Writing) -> list[Block]:
    say = writing.say
    blocks: list[Block] = []
    if facts.corrected:
        rows = []
        for each in facts.corrected:
            verdicts = "; ".join(
                f"{plain(check_title(told.body, writing))}: {_verdict(told.body, writing)}" for told in each.verdicts
            )
            rows.append((
                f"{each.now.seq}, {writing.clock(each.now.wall)}",
                f"{each.was.instrument}/{each.was.channel}: {_place(each.was, writing)} ({each.was_seq})",
                _place(each.now.body, writing), each.now.body.by, verdicts or "–",
            ))  # fmt: skip
        blocks.append(Table(say(w.PLACES_WRONG), _say_all(w.PLACES_WRONG_COLUMNS, writing), tuple(rows)))
    if facts.placements:
        blocks.append(Table(say(w.PLACES_TABLE), _say_all(w.PLACES_COLUMNS, writing), tuple(
            (writing.clock(told.wall), f"{told.body.instrument}/{told.body.channel}", _place(told.body, writing),
             told.body.by, str(told.body.supersedes or "")) for told in facts.placements),
            widths=(1.2, 2.4, 4, 3, 1.4)))  # fmt: skip
    return blocks


def _changes(system: SystemTold, writing: Writing) -> list[Block]:
    say = writing.say
    if not system.changes:
        return [Text(say(w.EFFECT_NOT_BOTH))]
    blocks: list[Block] = [Text(say(w.CHANGE_LEAD), "small")]
    if system.conditions:
        both = tuple(
            (writing.title(name), *(writing.value(name, body.unit, body.value, body.u) for body in pair))
            for name, pair in system.conditions.items()
        )
        blocks.append(Table(say(w.CONDITIONS_TABLE), _say_all(w.CONDITIONS_COLUMNS, writing), both))
    blocks.append(Table(
        say(w.CHANGE_TABLE), _say_all(w.CHANGE_COLUMNS, writing),
        tuple(_change(each, writing) for each in system.changes), frozenset({1, 2, 3}), (3.4, 2.6, 2.6, 2.8, 3, 4),
    ))  # fmt: skip
    return blocks


def _change(change: Change, writing: Writing) -> tuple[Words, ...]:
    say = writing.say

    def shown(body: e.Settled, target: float | None) -> str:
        value = writing.value(change.name, body.unit, body.value, body.u)
        if target is None:
            return value
        over = writing.spread(change.name, body.unit, body.value - target)
        return say(w.OVER_TARGET).format(value=value, over=over)

    # the half width is that of the difference itself, not of 1.96 standard uncertainties
    moved = writing.moved(change.name, change.unit, change.difference.value, change.difference.half)
    return (
        writing.title(change.name),
        shown(change.before, change.before_target),
        shown(change.after, change.after_target),
        moved,
        say(w.SAID[change.verdict]),
        _filled(w.CHANGE_BASIS[change.basis], "source", change.source, writing),
    )


def _trends(system: SystemTold, writing: Writing) -> list[Block]:
    say = writing.say
    recalled = [_recalled(each, writing) for each in system.facts.recalled]
    if not system.trends:
        return [Text(say(w.NO_TREND)), *recalled]
    rows = tuple(_trend(each, writing) for each in system.trends)
    return [
        Text(say(w.TREND_LEAD), "small"),
        Table(say(w.TREND_TABLE), _say_all(w.TREND_COLUMNS, writing), rows, frozenset({2, 4}), (2.6, 4, 2.6, 5, 2)),
        *recalled,
    ]


def _recalled(body: e.Recalled, writing: Writing) -> Block:
    template = writing.say(w.RECALLED_USED if body.sound else w.RECALLED_NOT)
    text = template.replace("{visit}", body.visit).replace("{date}", body.date)
    return Text(_filled(text, "reason", body.reason, writing), "small")


def _trend(trend: Trend, writing: Writing) -> tuple[Words, ...]:
    say, name, unit = writing.say, trend.name, trend.unit
    over = name in w.TRENDS_OVER_TARGET

    def shown(value: float, u: float) -> str:
        if over:
            return writing.moved(name, unit, value, 1.96 * u)
        return writing.value(name, unit, value, u)

    visits = "; ".join(f"{point.visit}: {shown(point.value, point.u)}" for point in trend.points)
    slope = ""
    if trend.line is not None and trend.says != "few":
        slope = writing.moved(name, unit, trend.line.slope, 1.96 * trend.line.slope_u)
    said = [say(w.TREND_SAYS[trend.says])]
    if trend.renewed:
        said.append(say(w.TREND_RENEWED).format(visit=trend.renewed))
    if trend.crossing is not None:
        late = trend.crossing.late
        said.append(say(w.TREND_MEETS_OPEN if late is None else w.TREND_MEETS).format(
            when=writing.month(trend.crossing.at), early=writing.month(trend.crossing.early),
            late=writing.month(late or 0.0)))  # fmt: skip
    if over:
        said.append(say(w.TREND_TARGET))
    elif not trend.comparable:
        outdoors = ", ".join(
            "?" if t is None else writing.value("outdoor_air_temperature", "Cel", t) for t in trend.outdoors
        )
        said.append(say(w.TREND_WEATHER).format(outdoors=outdoors))
    limit = "" if trend.limit is None else writing.value(name, unit, trend.limit)
    return (writing.title(name), visits, slope, "; ".join(said), limit)


def _unsteady(facts: SystemFacts, writing: Writing) -> list[Block]:
    say, rows = writing.say, []
    for told in facts.unsteady:
        body = told.body
        when, title = writing.clock(told.wall), writing.title(body.name)
        if isinstance(body, e.TooCoarse):
            rows.append((when, title, f"{body.instrument}/{body.channel}", _recorded(body.reason, writing)))
        elif body.state == "started":
            swing = writing.spread(body.name, body.unit, body.amplitude)
            text = say(w.HUNTS).format(swing=swing, period=f"{body.period_s:.0f}")
            rows.append((when, title, f"{body.instrument}/{body.channel}".strip("/"), text))
    if not rows:
        return []
    return [Table(say(w.UNSTEADY_TABLE), _say_all(w.UNSTEADY_COLUMNS, writing), tuple(rows), widths=(1.2, 3, 2, 6))]


def _settled(facts: SystemFacts, writing: Writing) -> list[Block]:
    say = writing.say
    rows = []
    for told in facts.settled:
        body = told.body
        by = f"{body.instrument}/{body.channel}" if body.instrument else ""
        origin = say(w.ORIGIN.get(body.origin, body.origin))
        run = f"{say(w.RUN.get(body.run, body.run))}, {body.run_s / 60.0:.0f} min"
        rows.append((
            writing.clock(told.wall), writing.title(body.name), say(w.PHASES.get(body.phase, body.phase)),
            writing.value(body.name, body.unit, body.value, body.u), f"{body.window_s:.0f} s, n={body.samples}", run,
            by if body.origin == "instrument" else f"{origin} {by}".strip(),
        ))  # fmt: skip
    return [
        Table(say(w.SETTLED_TABLE), _say_all(w.SETTLED_COLUMNS, writing), tuple(rows), frozenset({3}),
              (1.3, 4, 1.2, 2.6, 1.8, 1.9, 2.2)),
    ] if rows else []  # fmt: skip
