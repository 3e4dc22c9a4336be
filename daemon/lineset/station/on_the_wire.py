"""What of an entry is told beyond the record: nowhere the configuration, and beyond this station no words of people.

The record itself travels to the shop in blocks, for who may read it. These are the courtesy copies, which anybody hears
who may listen to the broker.
"""

from __future__ import annotations

from typing import Any

import msgspec

from lineset.contract.entry import AnyBody, kind_of

# It names files, links and serial numbers of this machine; who audits finds it in the record.
_NOWHERE = {"opened": frozenset({"config"})}
# Who did it, and what a person wrote: names, remarks, reasons, numbers of certificates, arguments as they were typed.
_AT_HOME = {
    "opened": frozenset({"by", "technician"}),
    "closed": frozenset({"by", "reason"}),
    "phase": frozenset({"by", "reason"}),
    "declared": frozenset({"by"}),
    "refrigerant": frozenset({"by", "certified", "note"}),
    "placed": frozenset({"by"}),
    "entered": frozenset({"by"}),
    "task": frozenset({"by", "note"}),
    "amended": frozenset({"by"}),
    "answer": frozenset({"by"}),
    "command": frozenset({"actor", "args", "answer", "data"}),
}


def told(body: AnyBody, *, abroad: bool = False) -> dict[str, Any]:
    """An entry as the body of a plain event; `abroad`: on another broker than the station's own."""
    kind = kind_of(body)
    left_out = _NOWHERE.get(kind, frozenset())
    if abroad:
        left_out |= _AT_HOME.get(kind, frozenset())
    found: dict[str, Any] = msgspec.to_builtins(body)
    return {key: value for key, value in found.items() if key not in left_out}
