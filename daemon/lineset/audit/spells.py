"""When which part of a record was in the shop's hands: block after block, gathered into spells that came alike."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from lineset.audit.received_visit import ReceivedBlock, ReceivedVisit, iso
from lineset.audit.said import Said
from lineset.audit.shop_record import Receipt, Spell
from lineset.audit.visit_record import wall_time

LATE_S = 30.0  # a block that came later than this after its closing was not sent at once: the station was offline
EARLY_S = -1.0  # before its closing by more than this: no network is that fast, the station's clock is ahead


class Spells:
    """Takes blocks in order with the station's clock; `spells` and `receipts` are what the audit record holds."""

    def __init__(self) -> None:
        self.receipts: list[Receipt] = []
        self.spells: list[Spell] = []
        self.overtaken: list[int] = []  # blocks that came before the one before them
        self.collectors: dict[str, None] = {}
        self._walls: list[tuple[int, int]] = []
        self._newest: datetime | None = None

    def clock(self, seq: int, offset_ns: int) -> None:
        """From entry `seq` on the station's clock is visit time plus so many ns."""
        self._walls.append((seq, offset_ns))

    def closed(self, block: ReceivedBlock) -> datetime | None:
        """When a block was closed by the station's own clock; None where that is no time, or not known."""
        if not self._walls:
            return None
        try:
            return wall_time(self._walls, block.block.last, block.block.t)
        except (OverflowError, ValueError, OSError):
            return None

    def take(self, block: ReceivedBlock) -> None:
        """The next block; what it holds of the clock was told before."""
        n, last = block.block.n, block.block.last
        self.receipts.append(Receipt(n, last, iso(block.received), block.collector))
        self.collectors[block.collector] = None
        if self._newest is not None and block.received < self._newest:
            self.overtaken.append(n)
        self._newest = block.received if self._newest is None else max(self._newest, block.received)
        closed = self.closed(block)
        after_s = (block.received - closed) / timedelta(seconds=1) if closed is not None else 0.0
        how = "late" if after_s > LATE_S else ("early" if after_s < EARLY_S else "at_once")
        before = self.spells[-1] if self.spells else None
        if before is not None and before.how == how and before.last_block == n - 1:
            self.spells[-1] = Spell(
                how=how,
                first_block=before.first_block,
                last_block=n,
                first=before.first,
                last=last,
                closed_from=before.closed_from,
                closed_to=iso(closed),
                received_from=min(before.received_from, iso(block.received)),
                received_to=max(before.received_to, iso(block.received)),
                least_s=min(before.least_s, round(after_s, 3)),
                most_s=max(before.most_s, round(after_s, 3)),
            )
            return
        self.spells.append(
            Spell(
                how=how,
                first_block=n,
                last_block=n,
                first=block.block.first,
                last=last,
                closed_from=iso(closed),
                closed_to=iso(closed),
                received_from=iso(block.received),
                received_to=iso(block.received),
                least_s=round(after_s, 3),
                most_s=round(after_s, 3),
            )
        )

    def tell(self, visit: ReceivedVisit, said: Said) -> None:
        """Say what is to be known of how the blocks came."""
        first, last = iso(visit.first_received), iso(visit.last_received)
        if self.overtaken:
            text = f"{blocks_named(self.overtaken)} came before an earlier block: sent again, or on two ways at once"
            said.note(text, about="received", block=self.overtaken[0])
        outside = [each.n for each in self.receipts if not first <= each.received <= last]
        if outside:
            text = f"{blocks_named(outside)} came outside of the time that the shop's row of the visit names"
            means = "The shop's clock was set back meanwhile, or the database was changed."
            said.note(text, about="received", block=outside[0], means=means)
        early = [spell for spell in self.spells if spell.how == "early"]
        if early:
            most = max(-spell.least_s for spell in early)
            text = f"the station's clock was ahead of the shop's by up to {most:.0f} s: blocks came before their time"
            said.note(text, about="clock", block=early[0].first_block)
        for kept in visit.kept_aside:
            which = f"block {kept.n}" if kept.n else "a message"
            taken = f"; put away on {kept.taken}" if kept.taken else ""
            why = f"{kept.reason}, {kept.times} times" if kept.times > 1 else kept.reason
            text = f"the shop kept {which} aside on {kept.received} ({why}): {kept.words}{taken}"
            said.note(text, block=kept.n)
        if visit.waiting:
            text = f"{visit.waiting} messages wait at the shop for a block before them"
            said.note(text)


def when_received(block: ReceivedBlock, closed: datetime | None) -> str:
    """In words: "at 10:42:07 UTC, 4 s after it was closed by the station's own clock"."""
    text = f"on {block.received:%Y-%m-%d} at {block.received:%H:%M:%S} UTC"
    if closed is None:
        return text
    after_s = (block.received - closed) / timedelta(seconds=1)
    which = "after" if after_s >= 0 else "before"
    return f"{text}, {span(abs(after_s))} {which} it was closed by the station's own clock"


def span(seconds: float) -> str:
    """A length of time for people: "4 s", "12 min", "3.5 h"."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 2 * 3600:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.0f} days"


def blocks_named(numbers: Sequence[int]) -> str:
    """Numbers of blocks, in order, in words."""
    if len(numbers) == 1:
        return f"block {numbers[0]}"
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"blocks {numbers[0]} to {numbers[-1]}"
    return f"{len(numbers)} blocks ({numbers[0]} to {numbers[-1]})"
