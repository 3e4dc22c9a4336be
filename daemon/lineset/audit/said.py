"""Remarks gathered while a record is looked at, whose meaning for verdicts is known only at the end."""

from __future__ import annotations

from collections.abc import Collection

import msgspec

from lineset.audit.audit import printable, what_it_means
from lineset.audit.audit_record import Remark, VerdictRecord


class Said:
    """Remarks as they come; what each means for verdicts is known only when the file was audited."""

    def __init__(self) -> None:
        self._remarks: list[tuple[Remark, int | None]] = []

    def wrong(
        self, text: str, *, about: str = "shop", seq: int = 0, block: int = 0, means: str = "", rests: int | None = None
    ) -> None:
        """What makes it fail. Verdicts from entry `rests` on rest on it; None: nothing is said of them."""
        self._remarks.append((Remark(about, True, printable(text), means, seq, block), rests))

    def note(self, text: str, *, about: str = "shop", seq: int = 0, block: int = 0, means: str = "") -> None:
        """What is to be known."""
        self._remarks.append((Remark(about, False, printable(text), means, seq, block), None))

    def told(self, verdicts: Collection[VerdictRecord], unread: int = 0) -> tuple[Remark, ...]:
        """All of them, with what they mean for the verdicts on record. From entry `unread` on nothing was read."""
        lost = f"Nothing is read from entry {unread} on: verdicts given there are not shown, and none can be relied on."
        found = []
        for remark, rests in self._remarks:
            means = remark.means
            if rests is not None:
                means = f"{means} {lost if 0 < unread <= rests else what_it_means(rests, verdicts)}".strip()
            found.append(msgspec.structs.replace(remark, means=means))
        return tuple(found)
