"""Comparisons while the system rests: begun by a declared fact, made from the readings, taken off what follows.

The first comparison of a channel in a visit corrects it, unless the visit is in its last phase. A later one only
tells how far it has moved since; where that is more than both comparisons can be off, a finding names the verdicts
that were made with the channel.
"""

from __future__ import annotations

from msgspec.structs import replace

from lineset.assess.checks import CATALOGUE
from lineset.assess.decision import State
from lineset.contract import entry as e
from lineset.engine import derivation, settling
from lineset.engine.rounding import sig9
from lineset.engine.state import ChannelState, Comparing, EngineState, SystemState
from lineset.engine.uncertain import Budgets
from lineset.equipment.display import spread_shown
from lineset.equipment.language import sayer
from lineset.measure.quality import USABLE
from lineset.physics.air import STANDARD_PA, standard_pressure
from lineset.visit import words_comparing as words
from lineset.visit.comparison import PATIENCE_S, Outcome, Stood, Window, drifted, side_by_side, zeroed
from lineset_drivers.quantity import SI_UNIT, Quantity

Q = Quantity
NS = 1_000_000_000
ATMOSPHERE = "atmosphere"
HOW: dict[str, tuple[str, Quantity]] = {
    "gauges_open": ("zero", Q.PRESSURE_GAUGE),
    "manometer_open": ("zero", Q.PRESSURE_DIFFERENCE),
    "clamps_released": ("zero", Q.CURRENT),
    "thermometers_together": ("side_by_side", Q.TEMPERATURE),
}
"""Fact that begins a comparison -> how it is made, and of which quantity"""


def look(state: EngineState, body: e.InputBody, budgets: Budgets) -> list[e.OutputBody]:
    """What an entry means for the comparisons that are asked for. Where one corrects a channel, compile anew."""
    if isinstance(body, e.Framed):
        if not state.comparing:
            return []
        _gather(state, body)
    elif isinstance(body, e.Declared):
        if body.fact not in HOW:
            return []
        if not body.value:
            state.comparing.pop(body.fact, None)
            return []
        state.comparing[body.fact] = Comparing(system=body.system, since=state.t)
        return []
    elif isinstance(body, e.Phased | e.Resumed):
        # what lay together may lie elsewhere by now
        state.comparing.clear()
        return []
    elif not isinstance(body, e.Tick):
        return []
    out: list[e.OutputBody] = []
    for fact in [name for name in HOW if name in state.comparing]:
        out += _conclude(state, fact, budgets)
    return out


def told(state: EngineState, out: list[e.OutputBody]) -> None:
    """Remember which channels something settled with, and which verdicts were given."""
    for body in out:
        if isinstance(body, e.Settled) and body.channel:
            instrument = state.instruments.get(body.instrument)
            channel = instrument.channels.get(body.channel) if instrument is not None else None
            where = f"{body.system}/{body.name}"
            if channel is not None and where not in channel.settled_at:
                channel.settled_at.append(where)
        elif isinstance(body, e.Checked) and body.state in (State.PASS, State.FAIL, State.ADVISORY):
            verdicts = state.systems[body.system].verdicts
            if body.name not in verdicts:
                verdicts.append(body.name)


def uncompared(state: EngineState, system: SystemState) -> tuple[str, ...]:
    """The instruments that sit at a system and were not compared yet in this visit, as sentences."""
    found = []
    say = sayer(state.language)
    for fact, sentence in words.ASKED.items():
        how, quantity = HOW[fact]
        sitting = [
            f"{instrument}/{channel.record.name}"
            for instrument, channel in _channels(state, quantity)
            if channel.compared_t < 0 and channel.system == system.record.id
        ]
        if sitting and not (how == "side_by_side" and len(_channels(state, quantity)) < 2):
            found.append(say(sentence).format(which=", ".join(sitting), command=f"lineset declare {fact}"))
    return tuple(found)


def _channels(state: EngineState, quantity: Quantity) -> list[tuple[str, ChannelState]]:
    return [
        (known.id, channel)
        for known in state.instruments.values()
        if known.origin != "entered" and known.state == "linked"
        for channel in known.channels.values()
        if channel.record.quantity == quantity
    ]


def _gather(state: EngineState, body: e.Framed) -> None:
    known = state.instruments.get(body.instrument)
    if known is None:
        return
    for fact, asked in state.comparing.items():
        quantity = HOW[fact][1]
        for sample in body.samples:
            channel = known.channels.get(sample.channel)
            if channel is None or channel.record.quantity != quantity or channel.value is None:
                continue
            if channel.quality not in USABLE:
                continue
            window = asked.windows.setdefault(f"{known.id}/{sample.channel}", Window())
            window.push(state.t, channel.value)


def _conclude(state: EngineState, fact: str, budgets: Budgets) -> list[e.OutputBody]:
    asked = state.comparing[fact]
    how, quantity = HOW[fact]
    waited_s = (state.t - asked.since) * 1e-9
    roster = {f"{instrument}/{c.record.name}": (instrument, c) for instrument, c in _channels(state, quantity)}
    windows = {name: asked.windows[name] for name in roster if name in asked.windows}
    late = waited_s > PATIENCE_S
    if not late and len(windows) < len(roster) and waited_s < 30.0:
        return []  # an instrument that is slow to answer may still come
    if not windows or not all(window.full for window in windows.values()):
        if late:
            del state.comparing[fact]
        return []
    still: dict[str, Window] = {}
    for name, window in windows.items():
        instrument, channel = roster[name]
        if window.still(quantity, budgets.scale(instrument, channel.record.name).resolution):
            still[name] = window
    if len(still) < len(windows) and not late:
        if how == "side_by_side":
            asked.windows.clear()  # they go together: they need one time at which all stand still
        else:
            for name in windows.keys() - still.keys():
                asked.windows[name] = Window()
        return []
    del state.comparing[fact]
    out: list[e.OutputBody] = []
    for name in windows:
        if name not in still:
            out.append(_unsteady(state, how, quantity, *roster[name], windows[name]))
    stood = {name: _stood(budgets, *roster[name], window) for name, window in still.items()}
    if how == "zero":
        allowance = _altitude(state) if quantity is Q.PRESSURE_GAUGE else 0.0
        outcomes = {name: zeroed(each, quantity, allowance) for name, each in stood.items()}
        against = dict.fromkeys(outcomes, ATMOSPHERE if quantity is not Q.CURRENT else "no conductor")
    elif len(stood) < 2:
        return out
    else:
        reference = f"side by side at {state.seq}"
        outcomes = dict(zip(stood, side_by_side(list(stood.values()), quantity, reference), strict=True))
        against = {name: ", ".join(other for other in stood if other != name) for name in stood}
    for name, outcome in outcomes.items():
        instrument, channel = roster[name]
        out += _compared(state, how, quantity, instrument, channel, outcome, against[name])
    return out


def _altitude(state: EngineState) -> float:
    """What a sealed transducer may read too low by at the height of this house [Pa]."""
    return max((STANDARD_PA - standard_pressure(s.record.altitude_m) for s in state.systems.values()), default=0.0)


def _stood(budgets: Budgets, instrument: str, channel: ChannelState, window: Window) -> Stood:
    scale = budgets.scale(instrument, channel.record.name)
    sent = (window.mean - scale.offset) / scale.factor
    return Stood(window.mean, window.u_mean, scale.fixed, scale.u(sent), scale.resolution)


def _unsteady(
    state: EngineState, how: str, quantity: Quantity, instrument: str, channel: ChannelState, window: Window
) -> e.Compared:
    return e.Compared(
        how=how, phase=state.phase, instrument=instrument, channel=channel.record.name, quantity=quantity,
        unit=SI_UNIT[quantity], offset=0.0, u=sig9(window.u_mean), applied=False,
        reason=sayer(state.language)(words.UNSTEADY),
    )  # fmt: skip


def _compared(
    state: EngineState, how: str, quantity: Quantity, instrument: str, channel: ChannelState, outcome: Outcome,
    against: str,
) -> list[e.OutputBody]:  # fmt: skip
    first = channel.compared_t < 0
    channel.compared_t = state.t
    say = sayer(state.language)
    reason, applied = say(outcome.reason), False
    moved, in_english = False, ""
    if outcome.found is not None:
        if state.phase == "at_rest" and channel.correction is not None:  # done over: nothing was judged with it yet
            applied = True
            before = channel.correction
            channel.correction = replace(outcome.found, offset=before.offset + outcome.offset, kept=before.kept)
        elif first and state.phase != "after":
            applied = True
            channel.correction = outcome.found
        else:
            template, size = words.NOT_AT_FIRST, ""
            if channel.correction is not None:
                moved = drifted(outcome, channel.correction.u)
                size = spread_shown(outcome.offset, quantity, state.units)
                template = words.MOVED if moved else words.NOT_MOVED
            in_english = template.format(size=size)  # findings are on record in English
            reason = say(words.TOLD_ONLY).format(since=say(template).format(size=size))
    unit = "K" if quantity is Q.TEMPERATURE else SI_UNIT[quantity]
    out: list[e.OutputBody] = _begin_anew(state, channel) if applied else []
    out.append(
        e.Compared(
            how=how, phase=state.phase, instrument=instrument, channel=channel.record.name, quantity=quantity,
            unit=unit, offset=sig9(outcome.offset), u=sig9(outcome.u), against=against, applied=applied,
            reason=reason,
        )
    )  # fmt: skip
    if moved:
        out += _affected(state, instrument, channel, in_english)
    return out


def _begin_anew(state: EngineState, channel: ChannelState) -> list[e.OutputBody]:
    """What a corrected channel had settled at where it sits was read without the correction."""
    system = state.systems.get(channel.system)
    place = system.points.get(channel.point) if system is not None else None
    if system is None or place is None or place.detector is None:
        return []
    out: list[e.OutputBody] = []
    if place.detector.settled:
        out.append(settling.lost(state, system, place, "it was compared, and reads otherwise from now on"))
    place.detector.reset()
    if place.staying is not None:
        place.staying.reset()
    return out


def _affected(state: EngineState, instrument: str, channel: ChannelState, moved: str) -> list[e.OutputBody]:
    """A finding for each system whose verdicts rest on a channel that has moved."""
    found: list[e.OutputBody] = []
    name = channel.record.name
    for id_, system in state.systems.items():
        points = [where.partition("/")[2] for where in channel.settled_at if where.partition("/")[0] == id_]
        if not points:
            continue
        reach = set(points)
        for point in points:
            reach.update(each.name for each in derivation.fed_by(system, point))
        verdicts = [
            verdict
            for verdict in system.verdicts
            if (row := CATALOGUE.get(verdict.partition(".")[0])) is not None and reach.intersection(row.needs)
        ]
        titles = ", ".join(CATALOGUE[each.partition(".")[0]].title for each in verdicts)
        found.append(
            e.Finding(
                system=id_, phase=state.phase, id=f"drift-{instrument}-{name}"[:64],
                title=f"{instrument}/{name} has moved during the visit", state="open", category="instrument", rank=1,
                confidence="clear", share=1.0,
                evidence=(moved, f"it was read at {', '.join(each.replace('_', ' ') for each in points)}"),
                meaning=f"verdicts that rest on it: {titles}" if titles else "no verdict rests on it",
                caution="Advice only: it never replaces the maker's procedure, local code or a licensed person.",
                next_step="measure again what matters with another instrument, and have this one looked at",
                basis="comparisons at rest at the beginning and at the end of this visit",
                run=system.run.state,
            )
        )  # fmt: skip
    return found
