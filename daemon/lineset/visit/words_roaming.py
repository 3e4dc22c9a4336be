"""What is asked of a clamp that goes from wire to wire: sentences and answers, whole, with named fields."""

from __future__ import annotations

WHICH = "{instrument} reads {value}: which conductor is it on?"
NOTHING = "{instrument} reads nothing at {point} while the system runs: what is so?"
OTHER = "another one: place it by hand"
RELEASED = "it is off the wire"
OFF = "the motor there is off"
BOTH = "its jaw may be around both conductors"

FITS = "{value} fits {point} alone of what is still wanted"
SEVERAL = "{value} fits several conductors"
NONE = "{value} fits no conductor that is expected here"
LITTLE = "{value} is so little that the jaw may be around both conductors"
LET_GO = "it let go"
AGAIN = "it took hold anew"
PLACED_BY_HAND = "somebody placed it"


def sentences() -> tuple[str, ...]:
    """Every template of this module, for a catalogue of translations."""
    return tuple(value for name, value in sorted(globals().items()) if name.isupper() and isinstance(value, str))
