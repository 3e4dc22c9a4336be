"""Why the API gives no answer, where a dispatcher's page may meet it: words that the page says in its language."""

from __future__ import annotations

UNKNOWN_TOKEN = "this token is unknown, revoked or expired"
NO_TOKEN = "no token came with the request"
TOO_LONG = "the question took too long"
ASK_LESS = "ask for less, or again in a moment"
NO_DATABASE = "the database cannot be asked now"
NO_VISIT = "the shop holds no such visit"


def sentences() -> tuple[str, ...]:
    """Every word of this module, for a catalogue of translations."""
    return (UNKNOWN_TOKEN, NO_TOKEN, TOO_LONG, ASK_LESS, NO_DATABASE, NO_VISIT)
