"""Text of strangers on a terminal: stations, instruments and damaged files may hold any character."""

from __future__ import annotations


def printed(text: str) -> str:
    """`text` in one line, with ? for each character that is none to see: none of theirs moves the cursor, or begins a
    line that looks like one of ours."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)
