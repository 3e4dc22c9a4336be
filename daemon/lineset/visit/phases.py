"""The phases of a visit as a state machine: what has to be so before it goes on, said as sentences.

`at_rest` (power proved off, instruments compared), `before`, `work`, `drying`, `after`. Going back is always allowed:
something was forgotten, or the end's comparison is made at rest. Going on over a phase asks for everything that lies
between. Pure: what is so is told by `SystemNow`. Whoever forces a step takes the list on record with a reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from lineset.equipment.language import Say
from lineset.visit import words_refusals as words

PHASES = ("at_rest", "before", "work", "drying", "after")
ZERO_V = 2.0
"""Volts below which a conductor that was proved with a meter counts as dead (common practice, no source)"""

_SAY = "lineset declare {fact}"
_RUNS = ("running", "starting")


@dataclass(frozen=True, slots=True)
class SystemNow:
    """One system as far as phases ask. Volts in V, times visit time in ns.

    `line_volts` is what the settled meter at the line voltage reads, None where none sits there. `uncompared` are
    channels that were not compared at rest yet, in words, with what to do. `work_since` is when work last began, -1:
    it never did. `run_since` is when the present run began.
    """

    id: str
    declared: Mapping[str, bool] = field(default_factory=dict)
    line_volts: float | None = None
    run: str = "unknown"
    run_since: int = 0
    work_since: int = -1
    uncompared: tuple[str, ...] = ()

    @property
    def power_is_off(self) -> bool:
        """Whether the power was verified off: declared, or zero volts at a placed meter."""
        if self.declared.get("power_off_verified") is not None:
            return self.declared["power_off_verified"]
        return self.line_volts is not None and abs(self.line_volts) < ZERO_V

    @property
    def runs_anew(self) -> bool:
        """Whether it runs, and began to after the work did. A run that nobody can see may be declared."""
        if self.declared.get("restarted") is not None and self.run == "unknown":
            return self.declared["restarted"]
        return self.run in _RUNS and self.run_since > self.work_since


def missing_for(here: str, there: str, systems: Sequence[SystemNow], say: Say = str) -> tuple[str, ...]:
    """The sentences that stand between two phases; empty when the visit may go on. Raises ValueError for no phase."""
    at, to = PHASES.index(here), PHASES.index(there)
    found: list[str] = []
    if at >= to:
        return ()
    for system in systems:
        told = list(_of_system(at, to, system, say))
        found += [f"{system.id}: {each}" if len(systems) > 1 else each for each in told]
    return tuple(dict.fromkeys(found))


def _of_system(at: int, to: int, system: SystemNow, say: Say) -> Iterator[str]:
    if at == PHASES.index("at_rest"):
        if not system.power_is_off:
            yield say(words.POWER_OFF).format(command=_SAY.format(fact="power_off_verified"))
        yield from system.uncompared
    if to == PHASES.index("after"):
        yield from _unrestored(system, say)


def _unrestored(system: SystemNow, say: Say) -> Iterator[str]:
    for fact, sentence in words.RESTORED.items():
        if not system.declared.get(fact):
            yield say(words.SAY_SO).format(what=say(sentence), command=_SAY.format(fact=fact))
    if not system.runs_anew:
        if system.run == "unknown":
            yield say(words.START_AND_SAY).format(command=_SAY.format(fact="restarted"))
        elif system.run in _RUNS:
            yield say(words.START_ANEW)
        else:
            yield say(words.START)
