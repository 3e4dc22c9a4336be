"""What a visit wants before it is closed, as sentences. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

_LEAVING = {
    "thermostat_restored": "set the thermostat back to what it was",
    "caps_on": "put all service port caps and valve caps on",
    "disconnect_in": "put the disconnect in",
}


def missing_for_closing(declared: Mapping[str, Mapping[str, bool]], wanted: Sequence[str] = ()) -> tuple[str, ...]:
    """What stands between now and closing: `declared` are the facts of each system, `wanted` what the worklist asks."""
    found: list[str] = []
    for system, facts in declared.items():
        for fact, words in _LEAVING.items():
            if not facts.get(fact):
                told = f"{words}, and say so: lineset declare {fact}"
                found.append(f"{system}: {told} --system {system}" if len(declared) > 1 else told)
    return (*found, *wanted)


def soft_wants(*, technician: str) -> tuple[str, ...]:
    """What ought to be on record and does not keep a visit open."""
    if technician:
        return ()
    return ('no technician is named on this record: give one when opening, or [station] technician = "..."',)
