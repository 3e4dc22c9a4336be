"""Faults of communication that a simulated instrument shows when told to."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

KINDS = {
    "silence": "no reply",
    "damaged": "a reply with one bit flipped, so that its checksum is wrong (on Modbus TCP: a wrong protocol number)",
    "short": "a well-formed reply with one register fewer than asked for (a text reply cut in half)",
    "truncated": "the first half of a reply and nothing more",
    "late": "the right reply, `delay_s` real seconds late",
    "exception": "a refusal: Modbus exception `code`, an SCPI error",
    "foreign": "a well-formed reply of another unit (on Modbus TCP: of another transaction)",
    "noise": "bytes that mean nothing, before the reply",
}
"""kind -> what it does"""


class Fault(NamedTuple):
    """One fault: `kind` is one of KINDS; `delay_s` is in real seconds, `code` a Modbus exception code."""

    kind: str
    delay_s: float = 0.5
    code: int = 4


class Faults:
    """What is wrong with one instrument's replies: taken one a reply, in the order they were injected."""

    def __init__(self) -> None:
        self._next: deque[Fault] = deque()
        self._lasting: Fault | None = None

    def inject(self, kind: str, *, times: int | None = 1, delay_s: float = 0.5, code: int = 4) -> None:
        """Spoil the next `times` replies, or all until `clear()` when `times` is None.

        Raises ValueError for a kind that is not in KINDS.
        """
        if kind not in KINDS:
            raise ValueError(f"no fault {kind!r}; use one of {', '.join(KINDS)}")
        fault = Fault(kind, delay_s, code)
        if times is None:
            self._lasting = fault
        else:
            self._next.extend([fault] * times)

    def clear(self) -> None:
        self._next.clear()
        self._lasting = None

    def take(self) -> Fault | None:
        """The fault of the reply about to be sent; None for a good one."""
        return self._next.popleft() if self._next else self._lasting
