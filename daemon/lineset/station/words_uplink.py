"""How the way to the shop stands, in sentences for the technician; braces are named fields."""

from __future__ import annotations

CONNECTED = "The shop receives the record."
CONNECTING = "The shop is being called."
UNUSABLE = "Nothing goes to the shop: {problem}"
STUCK = "Visit {visit} does not get through to the shop: {words}. Everything is kept here and tried again."
AWAY = "The shop cannot be reached; the record waits here and goes by itself."
# by the state of the connection
STATES = {
    "connected": CONNECTED,
    "connecting": CONNECTING,
    "refused": "The shop's broker refuses this station; the record waits here and goes by itself.",
    "tls": "No encrypted connection to the shop can be made; the record waits here and goes by itself.",
    "settings": "The shop's join file cannot be used; the record waits here and goes by itself.",
    "stalled": "The shop's broker does not keep up; the record waits here and goes by itself.",
}


def sentences() -> tuple[str, ...]:
    """Every sentence of this module, for a catalogue of translations."""
    return (UNUSABLE, STUCK, AWAY, *STATES.values())
