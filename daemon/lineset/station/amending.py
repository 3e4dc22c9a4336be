"""More is known of a system than when the visit was opened, by command."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.equipment.description import amended
from lineset.equipment.system import SystemDescriptionError
from lineset.physics.errors import PhysicsError
from lineset.physics.refrigerant import canonical_name, curve
from lineset.station.asked import Done, named_system, need_visit
from lineset.stream.command import CommandRefused

if TYPE_CHECKING:
    from lineset.station.daemon import Station


def amend(station: Station, args: c.Amend, actor: str) -> Done:
    """The system's record is another one from now on; what was put on record before stays as it was."""
    need_visit(station)
    id_ = named_system(station, args.system)
    before = station.record.engine.state.systems[id_].record
    try:
        record, keys = amended(before, args.given)
        canonical = canonical_name(record.refrigerant) or record.refrigerant
        record = msgspec.structs.replace(record, refrigerant=canonical)
        curves = {} if canonical == before.refrigerant else {canonical: curve(canonical).sha256}
    except (SystemDescriptionError, PhysicsError) as error:
        raise CommandRefused(str(error)) from error
    seq = station.take(e.Amended(record=record, keys=keys, curves=curves, by=actor))
    station.announcer.visit(station.record.engine, "open")
    return f"{id_}: {', '.join(keys)} noted", {"system": id_, "keys": list(keys), "seq": seq}
