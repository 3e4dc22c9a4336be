"""What the checks and findings of a visit come to, for somebody who lives in the house: by subject, each told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lineset.contract import entry as e
from lineset.report import words_plain as plain
from lineset.report.facts import SystemFacts, Told

_WEIGHT = {"fail": 4, "pass": 3, "advisory": 2, "undecided": 1, "not_applicable": 0}
_BENCH_FIRST = "_bench"
URGENCY_ORDER = ("now", "soon", "next_visit", "note")


@dataclass(frozen=True, slots=True)
class Judged:
    """One subject: its plain words, the verdict that counts, and whether it was judged before the work only."""

    subject: str
    words: plain.Plain
    check: e.Checked
    before_only: bool

    @property
    def sort(self) -> str:
        """bad, watch, fine, usual, open or out."""
        check = self.check
        if check.state == "fail":
            return "bad"
        if check.state == "pass":
            return "fine"
        if check.state == "advisory":
            return "usual" if check.finding in ("within", "") else "watch"
        return "open" if check.state == "undecided" else "out"

    @property
    def off_by(self) -> float | None:
        """By which part of its marking a capacitor is off; None for everything else."""
        check = self.check
        if not self.subject.endswith("capacitor") or not check.target or check.value is None:
            return None
        return check.value / check.target - 1.0


@dataclass(frozen=True, slots=True)
class Explained:
    """An open finding in plain words."""

    words: plain.PlainCause
    finding: e.Finding


def judged(facts: SystemFacts) -> list[Judged]:
    """The subjects of a system, what is bad first. A bench test outweighs one under load."""
    after_work = any(phase == "after" for phase, _ in facts.standing)
    by_subject: dict[str, list[Told[e.Checked]]] = {}
    for told in facts.checks:
        name = told.body.name.partition(".")[0]
        by_subject.setdefault(plain.SUBJECT.get(name, name), []).append(told)
    found = []
    for subject, checks in by_subject.items():
        words = plain.CHECKS.get(subject)
        if words is None:
            continue
        last = _counts(checks)
        before_only = last.body.phase in ("at_rest", "before") and after_work and last.body.state in ("pass", "fail")
        found.append(Judged(subject, words, last.body, before_only))
    order = ("bad", "watch", "open", "fine", "usual", "out")
    return sorted(found, key=lambda each: order.index(each.sort))


def _counts(checks: Sequence[Told[e.Checked]]) -> Told[e.Checked]:
    """The verdict that counts: decided over undecided, then the bench, then the later; of instances the worse one."""
    newest: dict[str, Told[e.Checked]] = {}
    for told in sorted(checks, key=lambda told: told.seq):
        known = newest.get(told.body.name)
        # what was decided stands until it is decided otherwise
        if known is None or _decided(told) or not _decided(known):
            newest[told.body.name] = told
    bench = [told for told in newest.values() if told.body.name.endswith(_BENCH_FIRST) and _decided(told)]
    return max(bench or newest.values(), key=lambda told: (_WEIGHT.get(told.body.state, 0), _off(told), told.seq))


def _decided(told: Told[e.Checked]) -> bool:
    return told.body.state in ("pass", "fail", "advisory")


def _off(told: Told[e.Checked]) -> bool:
    return told.body.finding in ("low", "high")


def explained(facts: SystemFacts, already: Sequence[Judged]) -> list[Explained]:
    """Open findings, the likeliest of each kind, without what a bad verdict says already."""
    bad = {each.subject for each in already if each.sort == "bad"}
    found: list[Explained] = []
    kinds: set[str] = set()
    for told in facts.findings:
        body = told.body
        words = plain.cause(body.id, body.category)
        if body.state != "open" or words is None or plain.SAME.get(body.id) in bad:
            continue
        if body.category in kinds and body.category != "electrical":
            continue  # rivals of the first one: the professional's pages tell them
        kinds.add(body.category)
        found.append(Explained(words, body))
    return found
