"""Verdicts as lines of the sheet and as sentences: what each check says, on what, and what would get further."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lineset.cli.watch_rows import PLAIN, WEAK, Line, wrapped
from lineset.contract.live import CheckMessage

WORDS = {
    "pass": "PASS",
    "fail": "FAIL",
    "undecided": "undecided",
    "not_applicable": "does not apply",
    "advisory": "advice only",
}
_ORDER = ("fail", "pass", "advisory", "undecided", "not_applicable")


def word(state: str) -> str:
    """A verdict's state in words; of one that this version does not know, the state itself."""
    return WORDS.get(state, state.replace("_", " "))


def chance(message: CheckMessage) -> str:
    """How surely the true value lies within the limits, in words; empty where there are none."""
    if message.probability is None or not message.rule:
        return ""
    percent = 100.0 * message.probability
    shown = "over 99" if percent > 99.0 else "under 1" if percent < 1.0 else f"{percent:.0f}"
    return f"within limits with {shown} % probability"


def verdict_sentence(message: CheckMessage) -> str:
    """One verdict as a sentence."""
    return f"{message.title}: {word(message.state)}. {message.reason}"


def verdict_rows(checks: Mapping[str, CheckMessage], width: int, *, brief: bool = False) -> Iterator[Line]:
    """The verdicts of one phase, those that found something first. `brief` leaves out what was assumed."""
    if not checks:
        return
    yield Line("  Checks")
    rank = {state: number for number, state in enumerate(_ORDER)}
    for message in sorted(checks.values(), key=lambda each: (rank.get(each.state, len(rank)), each.name)):
        style = WEAK if message.state in ("undecided", "not_applicable") else PLAIN
        odds = chance(message)
        said = f"{word(message.state):14}  {message.title}: {message.reason}" + (f"; {odds}" if odds else "")
        yield from wrapped(said, width, "    ", style)
        further = message.would_decide
        if further and further not in message.reason:
            yield from wrapped(f"next: {further}", width, " " * 20, style)
        if message.proved:
            yield from wrapped(f"proved: {'; '.join(message.proved)}", width, " " * 20, style)
        if message.caution and message.state in ("fail", "undecided") and not brief:
            yield from wrapped(message.caution, width, " " * 20, style)
        if message.assumed and not brief:
            yield from wrapped(f"taken as so: {'; '.join(message.assumed)}", width, " " * 20, WEAK)
