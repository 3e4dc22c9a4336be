"""What is asked and told of instruments compared at rest: sentences without a full stop, whole, with named fields."""

from __future__ import annotations

ASKED = {
    "gauges_open": "zero the gauges ({which}): hoses off the system and open to the air, then: {command}",
    "manometer_open": "zero the manometer ({which}): both ports open to the room, then: {command}",
    "thermometers_together": "compare the thermometers ({which}): lay them together in the shade, then: {command}",
}

UNSTEADY = "it did not stand still: nothing is taken off. Let it rest, then say it again"
CLAMP_READS = "a clamp around nothing reads this much: is its jaw shut, is it off every conductor, is it damaged?"
CLAMP_ZERO = "told only: what a clamp shows at zero adds to a current by squares and cannot be taken off"
BEYOND = (
    "more than a zero error can be: it is still connected, damaged, or was taken beyond its range; nothing is taken "
    "off. Look whether its hose is open, else leave this gauge away"
)
DISAGREE = "they disagree by more than their makers allow: are they together? One of them may be damaged"
ONE_DISAGREES = "it disagrees with the others by more than its maker allows: is it with them? It may be damaged"

TOLD_ONLY = "told only: {since}"
NOT_AT_FIRST = "it was not compared at the beginning"
MOVED = "it has moved by {size} since it was compared at the beginning: more than the comparisons can be off"
NOT_MOVED = "it has moved by {size} since it was compared at the beginning: no more than the comparisons can be off"


def sentences() -> tuple[str, ...]:
    """Every template of this module, for a catalogue of translations."""
    found: list[str] = []
    for name, value in sorted(globals().items()):
        if name.isupper():
            found += value.values() if isinstance(value, dict) else [value]
    return tuple(found)
