"""Ways to cut a byte stream, as transports do: a decoder must give the same events for all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from hypothesis import strategies as st

from lineset_drivers.protocols.event import Failure


def bytewise(data: bytes) -> list[bytes]:
    return [bytes((byte,)) for byte in data]


def feed(receive: Callable[[bytes], Iterable[Any]], pieces: Iterable[bytes]) -> list[Any]:
    """All events, in order."""
    return [event for piece in pieces for event in receive(piece)]


def told(events: Iterable[Any]) -> list[Any]:
    """Events in a form that compares: two errors are alike when class and text are."""
    return [
        (e.request, type(e.error), str(e.error), e.raw) if isinstance(e, Failure) else e
        for e in events
        if e is not None
    ]


@st.composite
def cuts(draw: st.DrawFn, data: bytes) -> list[bytes]:
    """`data` in pieces, empty ones among them."""
    places = sorted(draw(st.lists(st.integers(0, len(data)), max_size=6)))
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]
