"""Whether a visit can be opened, before anything is made."""

from __future__ import annotations

import secrets
import time
from collections.abc import Sequence
from pathlib import Path

from lineset.contract.topic import RESERVED_SYSTEMS
from lineset.equipment.system import SystemRecord
from lineset.journal.visit_files import visit_path
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import curve
from lineset.stream.command import CommandRefused

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is read as another


def reference(wall_s: float) -> str:
    """A new reference for a visit: the day by this computer's calendar, and four letters or digits by chance."""
    return time.strftime("%Y%m%d-", time.localtime(wall_s)) + "".join(secrets.choice(_LETTERS) for _ in range(4))


def check_open(folder: Path, open_visit: str, visit: str, systems: Sequence[SystemRecord]) -> Path:
    """Where the journal of a new visit would be. Raises CommandRefused with what stands in the way."""
    if open_visit:
        raise CommandRefused(f"visit {open_visit} is open; close it first: lineset visit close")
    try:
        path = visit_path(folder, visit)
    except ValueError as error:
        raise CommandRefused(str(error)) from error
    if path.exists():
        raise CommandRefused(f"there is a visit {visit} already; give this one another name")
    if not systems:
        raise CommandRefused("name at least one system: lineset visit open NAME --refrigerant R-410A")
    if len({system.id for system in systems}) < len(systems):
        raise CommandRefused("two systems have one id; give each its own")
    for system in systems:
        if system.id in RESERVED_SYSTEMS:
            raise CommandRefused(f"a system cannot be called {system.id!r}; give it another id")
        try:
            curve(system.refrigerant)
        except PhysicsError as error:
            raise CommandRefused(f"system {system.id}: {error}") from error
    return path
