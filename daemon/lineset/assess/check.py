"""How a check is judged: applicability, preconditions, inputs, target, limits and decision rule, in this order."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from lineset.assess.decision import Decision, Finding, Rule, State, decide
from lineset.assess.demands import Demand, Met, meet
from lineset.assess.errors import AssessError, NoValidTest, OutsideTable
from lineset.assess.evidence import Evidence, Known
from lineset.assess.limits import Limit, limit
from lineset.assess.preconditions import Held, Precondition
from lineset.assess.rules import Rules
from lineset.assess.targets import Target
from lineset.assess.verdict import Verdict
from lineset.equipment.display import shown
from lineset.measure.uncertainty import Z95
from lineset.physics.errors import PhysicsError
from lineset_drivers.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Reading:
    """What a check holds against its limits.

    `value` [SI] with its standard uncertainty; `target` where there is one; `deviation_u` the standard uncertainty of
    value minus target, sources that both share counted once. `rating` is what parts are counted of, where that is no
    target. `advice` replaces the verdict's state by advice: something was assumed. `coarse` says why the meter is too
    coarse to pass, and what would do.
    """

    value: float
    u: float
    quantity: Quantity
    target: Target | None = None
    deviation_u: float = 0.0
    rating: float | None = None
    words: str = ""
    assumed: tuple[str, ...] = ()
    advice: bool = False
    coarse: str = ""
    caution: str = ""
    low: float | None = None  # own limits, instead of the table's
    high: float | None = None
    demands: tuple[Demand, ...] | None = None  # what is asked of the instruments, where it hangs on the way measured


class Wanting(Exception):
    """A check's inputs are not there or not settled yet: what is wanted, as a sentence."""


Read = Callable[[Evidence, Rules], Reading]


@dataclass(frozen=True)
class Check:
    """One check of the catalogue.

    `needs` are the names without which there is nothing to judge; `applies` says why it does not apply, or "".
    `of_run` marks what is true of a running system only: its verdict stands when the run ends. `limit` names the row
    of the table of limits.
    """

    name: str
    title: str
    needs: tuple[str, ...]
    limit: str
    read: Read
    preconditions: tuple[Precondition, ...] = ()
    demands: tuple[Demand, ...] = ()
    applies: Callable[[Evidence], str] = lambda _evidence: ""
    of_run: bool = True
    caution: str = ""


def want(evidence: Evidence, name: str, words: str = "") -> Known:
    """What is settled under a name. Raises Wanting that tells missing from not settled yet."""
    found = evidence.settled(name)
    if found is not None:
        return found
    called = words or name.replace("_", " ")
    raise Wanting(f"measure {called}" if evidence.known(name) is None else f"wait until {called} has settled")


def judge(check: Check, evidence: Evidence, rules: Rules) -> Verdict:
    """The verdict of a check by this evidence. Pure: the same evidence and rules give the same verdict."""
    why_not = check.applies(evidence)
    if why_not:
        return _plain(check, State.NOT_APPLICABLE, why_not)
    standings = [each.stands(evidence, rules.settings) for each in check.preconditions]
    unmet = tuple(words for held, words in standings if held is Held.NOT_MET)
    assumed = tuple(words for held, words in standings if held is Held.ASSUMED)
    if unmet:
        return _plain(check, State.NOT_APPLICABLE, unmet[0], unmet=unmet, assumed=assumed)
    try:
        reading = check.read(evidence, rules)
    except Wanting as wanting:
        return _plain(check, State.UNDECIDED, str(wanting), assumed=assumed, would_decide=str(wanting))
    except (OutsideTable, NoValidTest) as error:
        return _plain(check, State.NOT_APPLICABLE, error.problem, assumed=assumed, would_decide=error.remedy)
    except AssessError as error:
        return _plain(check, State.UNDECIDED, error.problem, assumed=assumed, would_decide=error.remedy)
    except PhysicsError as error:
        return _plain(check, State.UNDECIDED, str(error), assumed=assumed, would_decide="look at the inputs named")
    not_yet = tuple(words for held, words in standings if held is Held.NOT_YET)
    return _decided(check, evidence, rules, reading, not_yet, assumed)


def _plain(check: Check, state: State, reason: str, **more: object) -> Verdict:
    return Verdict(
        name=check.name, title=check.title, state=state, reason=reason, caution=check.caution,
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def bounds(row: Limit, reading: Reading) -> tuple[float | None, float | None]:
    """What the value itself may be, SI: the limit's own sides, or around target or rating. None is open."""
    if reading.low is not None or reading.high is not None:
        return reading.low, reading.high
    if row.side == "value":
        return row.low, row.high
    around = reading.target.value if reading.target is not None else reading.rating
    assert around is not None
    size = 1.0 if row.side == "deviation" else abs(around)
    return (
        None if row.low is None else around + row.low * size,
        None if row.high is None else around + row.high * size,
    )


def _decided(
    check: Check, evidence: Evidence, rules: Rules, reading: Reading, not_yet: tuple[str, ...], assumed: tuple[str, ...]
) -> Verdict:
    row = limit(check.limit, rules.role, rules.limits)
    low, high = bounds(row, reading)
    demands = check.demands if reading.demands is None else reading.demands
    met = meet(demands, evidence) if row.rule is Rule.SIMPLE else Met(True, (), ())
    rule = row.rule if met.met else Rule.GUARDED
    u = reading.deviation_u if reading.target is not None else reading.u
    decision = decide(reading.value, u, low, high, rule, _coverage(check, evidence, reading))
    state, why, would = _state(row, reading, decision)
    if rule is not row.rule and state is not State.ADVISORY:
        why += f"; the whole 95 % interval counts, since {'; '.join(met.why_not)}"
    if state is State.UNDECIDED and not would:
        would = f"a better instrument ({'; '.join(met.why_not)})" if met.why_not else "a meter with a smaller error"
    if not_yet:
        state, would = State.UNDECIDED, not_yet[0]
        why = f"{not_yet[0]}; as it stands it would be {decision.finding}"
    target = reading.target
    basis = " and ".join(sorted({row.low_basis, row.high_basis} | ({target.basis} if target else set())))
    return Verdict(
        name=check.name,
        title=check.title,
        state=state,
        reason=". ".join(part for part in (why, reading.words) if part),
        finding=decision.finding,
        quantity=reading.quantity,
        value=reading.value,
        u=reading.u,
        target=None if target is None else target.value,
        target_u=None if target is None else target.u,
        low=low,
        high=high,
        probability=decision.probability,
        rule=rule,
        source="; ".join(part for part in (row.named, target.source if target else "") if part),
        basis=basis,
        assumed=(*assumed, *met.assumed, *reading.assumed),
        unmet=not_yet,
        would_decide=would,
        caution=" ".join(part for part in (check.caution, reading.caution) if part),
    )


def _coverage(check: Check, evidence: Evidence, reading: Reading) -> float:
    """The factor of the interval: that of the value itself where nothing but its own uncertainty is held."""
    if reading.target is None or reading.target.u == 0.0:
        for name in check.needs:
            known = evidence.known(name)
            if known is not None and (known.value, known.u) == (reading.value, reading.u):
                return known.coverage
    return Z95


def _state(row: Limit, reading: Reading, decision: Decision) -> tuple[State, str, str]:
    """State, why, and what would decide."""
    finding = decision.finding
    side = {Finding.LOW: (row.low_basis,), Finding.HIGH: (row.high_basis,)}.get(
        finding, (row.low_basis, row.high_basis)
    )
    words = {Finding.LOW: row.if_low or "below its limit", Finding.HIGH: row.if_high or "above its limit"}.get(
        finding, "within its limits"
    )
    target = reading.target
    if reading.advice or (target is not None and not target.basis.carries_verdict):
        return State.ADVISORY, words, ""
    if not any(basis.carries_verdict for basis in side):
        return State.ADVISORY, words, ""
    state = decision.state
    if state is State.PASS and reading.coarse:
        return State.UNDECIDED, reading.coarse, reading.coarse
    if state is State.UNDECIDED:
        if reading.coarse:
            return state, reading.coarse, reading.coarse
        return state, f"{words}, but the limit lies inside the 95 % interval", ""
    if state is State.FAIL and finding is Finding.LOW and row.low_passes:
        state = State.PASS
    return state, words, ""


def words_of(value: float, quantity: Quantity, u: float | None = None) -> str:
    """A value for a sentence, in customary units."""
    return shown(value, quantity, "customary", u)


def joined_u(value_u: float, target_u: float, shared: float = 0.0) -> float:
    """Standard uncertainty of value minus target, `shared` being their covariance (JCGM 100:2008, 5.2.2)."""
    return math.sqrt(max(value_u**2 + target_u**2 - 2.0 * shared, 0.0))
