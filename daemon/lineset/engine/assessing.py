"""From the engine's state to evidence, and from changed verdicts to entries.

Judging is not done per sample: only when something settles, a minute after something stopped being steady, when the
run, the phase or what was declared changes, and when the time that a precondition waits for has passed. Only a
verdict that changed goes on record. What was judged of a run stands when the run ends; a phase begins with nothing
judged.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

from lineset.assess.check import Check
from lineset.assess.checks import CATALOGUE, CHARGE, judge_all
from lineset.assess.decision import State
from lineset.assess.evidence import Accuracy, Evidence, Known
from lineset.assess.rules import SHIPPED, Rules, RulesError, read_rules
from lineset.assess.verdict import Verdict
from lineset.contract import entry as e
from lineset.engine import diagnosing
from lineset.engine.derivation import ENTERED_NS, same_run
from lineset.engine.settling import sig9
from lineset.engine.state import ChannelState, EngineState, PointState, SystemState
from lineset.equipment.facts import ended_by
from lineset.measure.quality import USABLE, Quality
from lineset.measure.source import coverage95
from lineset.visit.run import Mode, RunState
from lineset_drivers.quantity import Quantity, unit_of

_CAUSES = (e.Settled, e.RunChanged)
_OF_SYSTEM = (e.Declared, e.Marked, e.RefrigerantHandled)
_ALONE = (e.Tick, *_OF_SYSTEM, e.Amended)  # what is looked at where nothing came out of it
# What stops being steady is judged again after this time only: when a system stops, its pressures move for seconds
# before the run state is known to have changed, and what was judged of the run is to stand.
_DOUBT_NS = 60_000_000_000
_DECIDED = frozenset({State.PASS, State.FAIL, State.ADVISORY})
_DIGITS = re.compile(r"[\d.]+")
# A verdict's value is told again when it moved by more than so many of its standard uncertainties.
_MOVED = 2.0


@lru_cache(maxsize=8)
def rules_of(text: str) -> tuple[Rules, str]:
    """The rules of a record, and what is wrong with them (then the shipped ones hold, and each verdict says so)."""
    try:
        return read_rules(text, "the rules of this record"), ""
    except RulesError as error:
        return (
            SHIPPED,
            f"the shop's rules of this record cannot be read, so the shipped ones hold ({error.problems[0]})",
        )


def declare(state: EngineState, body: e.Declared) -> None:
    """Keep what was declared of a system."""
    system = state.systems.get(body.system)
    if system is None:
        return
    system.declared.pop(body.fact, None)
    system.declared_t.pop(body.fact, None)
    if body.value is not None:
        system.declared[body.fact], system.declared_t[body.fact] = body.value, state.t


def begin_phase(state: EngineState) -> None:
    """A phase begins: what was declared for the one before holds no longer, and nothing is judged in it yet."""
    for system in state.systems.values():
        for fact in ended_by(state.phase, system.declared):
            del system.declared[fact]
            system.declared_t.pop(fact, None)
        system.judged.clear()
        diagnosing.begin_phase(system, state.phase)


def assess(state: EngineState, body: e.InputBody, out: Sequence[e.OutputBody]) -> list[e.OutputBody]:
    """The verdicts that changed by one input entry and its outputs."""
    if not out and not isinstance(body, _ALONE):
        return []
    everyone = isinstance(body, e.Phased)
    touched = {each.system for each in out if isinstance(each, _CAUSES)}
    for each in out:
        if isinstance(each, e.Settled):
            _remember(state.systems[each.system], each)
            diagnosing.remember_rest(state.systems[each.system], each)
        elif isinstance(each, e.Unsettled):
            _wait(state.systems[each.system], state.t + _DOUBT_NS)
    found: list[e.OutputBody] = []
    for id_, system in state.systems.items():
        due = 0 <= system.judge_at <= state.t
        named = (isinstance(body, _OF_SYSTEM) and body.system == id_) or (
            isinstance(body, e.Amended) and body.record.id == id_
        )
        if everyone or due or named or id_ in touched:
            found += _judge(state, system, due)
    return found


def _remember(system: SystemState, settled: e.Settled) -> None:
    place = system.points.get(settled.name)
    if place is not None:
        place.held_instrument, place.held_channel = settled.instrument, settled.channel


def _wait(system: SystemState, until: int) -> None:
    system.judge_at = until if system.judge_at < 0 else min(system.judge_at, until)


def _judge(state: EngineState, system: SystemState, due: bool) -> list[e.OutputBody]:
    rules, problem = rules_of(state.rules)
    run = system.run
    ready = max(run.since, system.touched) + round(rules.settings.run_minutes * 60e9)
    if 0 <= system.judge_at <= state.t:
        system.judge_at = -1
    if run.state in (RunState.RUNNING, RunState.STARTING) and state.t < ready:
        _wait(system, ready)
    told: list[e.OutputBody] = []
    evidence = evidence_of(state, system)
    verdicts = judge_all(evidence, rules)
    once = {each.reason for each in verdicts if each.name == CHARGE and each.state is State.NOT_APPLICABLE}
    for verdict in verdicts:
        key = (_key(verdict), verdict.value)
        before = system.judged.get(verdict.name)
        if not _news(system, verdict, before, key):
            continue
        if before is None and verdict.reason in once and verdict.name != CHARGE:
            continue  # why charge cannot be judged is said once, unless a verdict has to be taken back
        if not due and before is not None and _unsteady(verdict):
            _wait(system, state.t + _DOUBT_NS)
            continue
        system.judged[verdict.name] = key
        if problem:
            verdict = replace(verdict, assumed=(*verdict.assumed, problem))
        told.append(_checked(state, system, verdict))
    return told + diagnosing.diagnosed(state, system, evidence, rules.settings.run_minutes)


def _key(verdict: Verdict) -> str:
    words = verdict.reason if verdict.value is None else ""
    parts = (verdict.state, verdict.finding, verdict.rule, *verdict.unmet, *verdict.assumed, *verdict.proved, words)
    return _DIGITS.sub("#", "|".join(parts))


def _unsteady(verdict: Verdict) -> bool:
    return verdict.state is State.UNDECIDED and verdict.value is None and verdict.reason.startswith("wait until")


def _news(
    system: SystemState, verdict: Verdict, before: tuple[str, float | None] | None, key: tuple[str, float | None]
) -> bool:
    if verdict.state not in _DECIDED:
        check: Check | None = CATALOGUE.get(verdict.name.partition(".")[0])
        of_run = check is None or check.of_run
        elsewhere = system.run.state is not RunState.RUNNING or system.run.mode is Mode.HEAT
        if of_run and elsewhere and (before or system.run.state is RunState.STOPPED):
            return False  # what was judged of a run stands; and nothing of a run is missing while it is stopped
        if before is None and _unsteady(verdict):
            return False  # it is on its way
    if before is None or before[0] != key[0]:
        return True
    old, new = before[1], key[1]
    return old is not None and new is not None and abs(new - old) > _MOVED * max(verdict.u or 0.0, 1e-12)


def _checked(state: EngineState, system: SystemState, verdict: Verdict) -> e.Checked:
    def rounded(value: float | None) -> float | None:
        return None if value is None else sig9(value)

    return e.Checked(
        system=system.record.id,
        phase=state.phase,
        name=verdict.name,
        title=verdict.title,
        state=verdict.state,
        reason=verdict.reason,
        finding=verdict.finding,
        value=rounded(verdict.value),
        unit=verdict.unit,
        u=rounded(verdict.u),
        target=rounded(verdict.target),
        target_u=rounded(verdict.target_u),
        low=rounded(verdict.low),
        high=rounded(verdict.high),
        probability=None if verdict.probability is None else round(verdict.probability, 4),
        rule=verdict.rule,
        source=verdict.source,
        basis=verdict.basis,
        unmet=verdict.unmet,
        assumed=verdict.assumed,
        would_decide=verdict.would_decide,
        proved=verdict.proved,
        caution=verdict.caution,
        run=system.run.state,
        run_s=sig9((state.t - system.run.since) * 1e-9),
    )


# ---------------------------------------------------------------------------------------------------------- evidence


def evidence_of(state: EngineState, system: SystemState) -> Evidence:
    """What is known of a system now."""
    values: dict[str, Known] = {}
    for name, place in (*system.points.items(), *system.derived.items()):
        found = _known(state, system, place)
        if found is not None:
            values[name] = found
    run = system.run
    return Evidence(
        system=system.record,
        t=state.t,
        phase=state.phase,
        run=run.state,
        mode=run.mode,
        run_s=(state.t - run.since) * 1e-9,
        values=values,
        declared=dict(system.declared),
        stage=run.stage,
        since_touched_s=None if system.touched < 0 else (state.t - system.touched) * 1e-9,
    )


def _known(state: EngineState, system: SystemState, place: PointState) -> Known | None:
    accuracy = _accuracy(state, place)
    coverage = coverage95(place.held_parts)
    live = place.value is not None and place.quality in USABLE
    in_this_run = place.held is not None and place.held_epoch == system.run.epoch
    if live and place.quality is Quality.ENTERED:
        assert place.value is not None
        fresh = state.t - place.t <= ENTERED_NS and same_run(system, place) and not place.disturbed
        return Known(
            place.value, place.u, place.t, settled=fresh, phase=state.phase, origin="entered", quality=place.quality
        )
    origin = "derived" if place.origin.startswith("derived") else "instrument"
    watch = place.detector
    if live and watch is not None and watch.settled and in_this_run:
        # the mean of the window as it stands now; its uncertainty is the one of the moment when it settled
        return Known(
            watch.fit().mean, place.held_u, place.t, phase=state.phase, origin=origin, accuracy=accuracy,
            quality=place.quality, coverage=coverage,
        )  # fmt: skip
    if in_this_run and (watch is None or not live):
        assert place.held is not None
        return Known(
            place.held, place.held_u, place.held_t, settled=False, held=True, phase=state.phase, origin=origin,
            accuracy=accuracy, quality=place.quality, coverage=coverage,
        )  # fmt: skip
    if place.value is None:
        return None
    # not settled, or no longer live: it may not be judged, but it says that a probe sits there, and which
    return Known(
        place.value, place.u, place.t, settled=False, phase=state.phase, origin=origin, accuracy=accuracy,
        quality=place.quality,
    )  # fmt: skip


def _accuracy(state: EngineState, place: PointState) -> Accuracy | None:
    instrument = state.instruments.get(place.instrument or place.held_instrument)
    channel = instrument.channels.get(place.channel or place.held_channel) if instrument is not None else None
    if instrument is None or channel is None:
        return None
    value = place.value if place.value is not None else place.held
    return None if value is None else _stated(channel, value, instrument.id)


def _stated(channel: ChannelState, value: float, instrument: str) -> Accuracy | None:
    record = channel.record
    if not (record.reading_pct or record.absolute or record.counts):
        return None
    unit = unit_of(record.unit, Quantity(record.quantity))
    size = abs(unit.factor)
    sent = (value - unit.offset) / unit.factor
    limit = (abs(sent) * record.reading_pct / 100.0 + record.absolute + record.counts * record.resolution) * size
    return Accuracy(
        limit,
        record.resolution * size,
        record.response_s,
        channel.quality is Quality.OUT_OF_CALIBRATION,
        instrument,
    )
