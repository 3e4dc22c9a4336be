"""What a visit wants before it is closed, as sentences. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lineset.equipment.language import Say
from lineset.visit import words_refusals as words


def missing_for_closing(
    declared: Mapping[str, Mapping[str, bool]], wanted: Sequence[str] = (), say: Say = str
) -> tuple[str, ...]:
    """What stands between now and closing: `declared` are the facts of each system, `wanted` what the worklist asks."""
    found: list[str] = []
    for system, facts in declared.items():
        for fact, sentence in words.LEAVING.items():
            if not facts.get(fact):
                told = say(words.SAY_SO).format(what=say(sentence), command=f"lineset declare {fact}")
                found.append(f"{system}: {told} --system {system}" if len(declared) > 1 else told)
    return (*found, *wanted)


def soft_wants(*, technician: str, say: Say = str) -> tuple[str, ...]:
    """What ought to be on record and does not keep a visit open."""
    if technician:
        return ()
    return (say(words.NO_TECHNICIAN),)
