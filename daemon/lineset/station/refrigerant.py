"""`refrigerant`: what a certified person says to have added or removed, put on record; the run stabilises anew."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.equipment.charge_mass import MassError, mass_kg, mass_shown
from lineset.physics.refrigerant import caution
from lineset.station.asked import Done, named_system, need_visit
from lineset.stream.command import CommandRefused

if TYPE_CHECKING:
    from lineset.station.daemon import Station

ACTIONS = ("added", "removed")


def handled(station: Station, args: c.Refrigerant, actor: str) -> Done:
    """Put it on record. Raises CommandRefused without a certified person, or for an amount that cannot be read."""
    need_visit(station)
    if args.action not in ACTIONS:
        raise CommandRefused(f"refrigerant is {' or '.join(ACTIONS)}, not {args.action!r}")
    who = " ".join(args.certified.split())
    if not who:
        raise CommandRefused(
            "say who did it: only a person with the certificate that the law asks for opens a refrigerant circuit "
            '(--certified "NAME OR NUMBER")'
        )
    system = named_system(station, args.system)
    mass: float | None = None
    if args.amount.strip():
        try:
            mass = mass_kg(args.amount)
        except MassError as error:
            raise CommandRefused(str(error)) from error
    seq = station.take(
        e.RefrigerantHandled(
            system=system, action=args.action, certified=who, mass_kg=mass, text=args.amount.strip(),
            note=args.note.strip(), by=actor,
        )
    )  # fmt: skip
    record = station.record.engine.state.systems[system].record
    amount = "an amount that was not weighed" if mass is None else mass_shown(mass, station.config.units)
    text = (
        f"on record: {amount} {args.action} on {system} by {who}; what had settled starts over, and so do the minutes "
        f"to stabilise. {caution(record.refrigerant)} The maker's charging procedure, local code and the law decide."
    )
    return text, {"system": system, "action": args.action, "mass_kg": mass, "certified": who, "seq": seq}
