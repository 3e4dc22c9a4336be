"""Sending one journal's blocks: what to send now, what a receipt proves, what to say. Pure: no I/O, no clock.

The broker's acknowledgement means nothing here. A block has arrived when a receipt says so that names this journal and
carries the hash that the journal itself has for that block; only then the marker moves. What is not receipted for some
seconds is sent again from the last receipt on, one block at a time until something is heard.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import dataclass

from lineset.contract.transfer import ReceiptMessage
from lineset.journal.block import Block

_HASH = 32


@dataclass(frozen=True, slots=True)
class Pace:
    """How much may be on its way without a receipt, and when it is sent again. Seconds of real time."""

    blocks: int = 128
    bytes: int = 4 * 1024 * 1024
    batch: int = 8  # blocks proposed at once
    quiet_s: float = 5.0  # nothing heard for so long: send again; doubled each time ...
    quiet_most_s: float = 30.0  # ... up to this
    wanted_s: float = 1.0  # a block that is asked for goes again when it left this long ago
    slow_s: float = 60.0  # how often something that the shop does not take is tried again


class Sending:
    """One journal on its way. All times are seconds of any clock that does not step; `through` is the marker.

    Ask `due` what to send, say `sent` for each when the broker has it, hand in each receipt, and ask again at
    `deadline`. After a loss of the connection call `connected` first. `one_first`: the shop may have more than the
    marker says, so one block goes, and the others when its receipt has told.
    """

    def __init__(self, journal: str, through: int = 0, *, pace: Pace | None = None, one_first: bool = False) -> None:
        self.journal = journal
        self.through = through  # seq up to which the shop has it, by a receipt
        self.final = False  # the seal is stored too
        self.problem = ""  # a word of the contract's, or: other_journal, unfitting, unreadable_here
        self.words = ""  # the same for people
        self.foreign = 0  # receipts that named another journal
        self.unfitting = 0  # receipts that named this one and contradict it
        self.sent_again = 0
        self._pace = pace or Pace()
        self._hashes = bytearray()
        self._lasts = array("q")
        self._sealed_at: int | None = None  # how many blocks the seal covers
        self._seal_left = False  # whether the last block left with it since the last start over
        self._done = 0  # blocks receipted
        self._cursor = 1  # the next block that was not sent since the last start over
        self._tried = 0  # the highest block that ever left
        self._flying: dict[int, tuple[float | None, int]] = {}  # when the broker had it, and its bytes
        self._flying_bytes = 0
        self._wanted: dict[int, None] = {}
        self._since: float | None = None  # since when a receipt is waited for
        self._quiet_s = self._pace.quiet_s
        self._one_first = one_first
        self._probing = False  # nothing was heard: one block at a time
        self._slow = False  # something is wrong: one block now and then
        self._not_before = float("-inf")

    # ------------------------------------------------------------------------------------------- what the journal has

    @property
    def blocks(self) -> int:
        """How many closed blocks are known."""
        return len(self._lasts)

    @property
    def receipted(self) -> int:
        """How many blocks, from the first, the shop has said to hold."""
        return self._done

    @property
    def waiting(self) -> int:
        """Blocks without a receipt; at least one while the seal has none."""
        return max(self.blocks - self._done, int(self._sealed_at is not None and not self.final and self.blocks > 0))

    @property
    def on_their_way(self) -> int:
        """Blocks that left and have no receipt."""
        return len(self._flying)

    def learn(self, blocks: Iterable[Block]) -> None:
        """More closed blocks of the journal, in order from `blocks` + 1 on."""
        for block in blocks:
            if block.n != self.blocks + 1:
                raise ValueError(f"block {block.n} does not follow block {self.blocks}")
            self._hashes += block.hash
            self._lasts.append(block.last)
            if self._done == block.n - 1 and block.last <= self.through:
                self._done, self._cursor = block.n, max(self._cursor, block.n + 1)

    def sealed(self, blocks: int) -> None:
        """The journal is sealed with so many blocks; the last one carries the seal. All blocks must be known."""
        self._sealed_at = blocks
        if not blocks:
            self.final = True  # nothing was ever recorded, and nothing travels

    def hash_of(self, n: int) -> bytes:
        """The hash of block `n` (from 1) as the journal has it."""
        return bytes(self._hashes[(n - 1) * _HASH : n * _HASH])

    # ------------------------------------------------------------------------------------------------------- sending

    def connected(self, now: float) -> None:
        """A new connection: whatever was on its way may be lost, and one that refused may have changed its mind."""
        self._start_over()
        self._quiet_s = self._pace.quiet_s
        self._probing = False
        self._not_before = now

    def due(self, now: float) -> list[int]:
        """Numbers of the blocks to send now, in this order, a few at a time; they count as leaving from here on."""
        if self.final or now < self._not_before:
            return []
        # compared as `deadline` adds them: by a difference, rounding could put off for ever what is due just then
        if self._since is not None and now >= self._since + self._quiet_s:
            self._quiet_s = min(self._quiet_s * 2, self._pace.quiet_most_s)
            self._probing = True
            self._start_over()
        found: list[int] = []
        while len(found) < self._pace.batch:
            n = self._asked_for(now) or self._next()
            if n is None:
                break
            self._leave(n)
            found.append(n)
        if found and self._slow:
            self._not_before = now + self._pace.slow_s
        return found

    def _asked_for(self, now: float) -> int | None:
        """A block that the shop misses: it goes even when the window is full, for the others wait for it there."""
        for n in self._wanted:
            left = self._flying.get(n)
            if left is None or (left[0] is not None and now >= left[0] + self._pace.wanted_s):
                del self._wanted[n]
                return n
        return None

    def _next(self) -> int | None:
        most = 1 if self._probing or self._slow or self._one_first else self._pace.blocks
        if len(self._flying) >= most or self._flying_bytes >= self._pace.bytes:
            return None
        self._cursor = max(self._cursor, self._done + 1)
        while self._cursor in self._flying:
            self._cursor += 1
        if self._cursor <= self.blocks:
            self._cursor += 1
            return self._cursor - 1
        if self._seal_waits() and not self._seal_flies():
            return self.blocks
        return None

    def _seal_waits(self) -> bool:
        """Whether the last block has to go (again), now with the seal."""
        return self._sealed_at == self.blocks > 0 and self._done == self.blocks and not self.final

    def _seal_flies(self) -> bool:
        return self._seal_left and self.blocks in self._flying

    def _leave(self, n: int) -> None:
        self._flying_bytes -= self._flying.pop(n, (None, 0))[1]
        self._flying[n] = (None, 0)
        if n == self._sealed_at:
            self._seal_left = True
        if n <= self._tried:
            self.sent_again += 1
        self._tried = max(self._tried, n)

    def sent(self, n: int, size: int, now: float) -> None:
        """The broker has taken block `n`, of so many bytes. It is waited for from now on."""
        if n not in self._flying:
            return  # its receipt was quicker, or the connection is another one
        self._flying_bytes += size - self._flying[n][1]
        self._flying[n] = (now, size)
        if self._since is None:
            self._since = now

    def put_back(self, n: int) -> None:
        """Block `n` did not leave after all: it is due again."""
        self._flying_bytes -= self._flying.pop(n, (None, 0))[1]
        self._cursor = min(self._cursor, n)

    def failed(self, words: str, now: float) -> None:
        """A block cannot be read here. It is tried again slowly; the others of this journal wait behind it."""
        self._start_over()
        self._trouble("unreadable_here", words, now)

    def deadline(self, now: float) -> float | None:
        """When `due` may have something that it has not now; None while only a block or a receipt can bring it."""
        if self.final or not (self.waiting or self._wanted):
            return None
        times = [self._not_before]
        if self._since is not None:
            times.append(max(self._since + self._quiet_s, self._not_before))
        for n in self._wanted:
            if (at := self._flying.get(n, (None, 0))[0]) is not None:
                times.append(at + self._pace.wanted_s)
        return min((time for time in times if time > now), default=None)

    def _start_over(self) -> None:
        self._flying.clear()
        self._flying_bytes = 0
        self._wanted.clear()
        self._cursor = self._done + 1
        self._since = None
        self._seal_left = False

    # ------------------------------------------------------------------------------------------------------ receipts

    def receipt(self, said: ReceiptMessage, now: float) -> bool:
        """Take in a receipt. True when it moved the marker or ended the sending; nothing else ever does."""
        if said.journal != self.journal:
            self.foreign += 1
            if not self.problem or said.problem:
                words = said.words or "the shop holds another record under this visit's name"
                self._trouble(said.problem or "other_journal", words, now, slow=bool(said.problem))
            return False
        if not self._fits(said):
            self.unfitting += 1
            self._start_over()
            self._trouble("unfitting", "the shop's receipt does not fit this record", now)
            return False
        moved = self._take(said, now)
        if said.problem:
            self._start_over()
            self._trouble(said.problem, said.words or said.problem, now)
            return moved
        if self._slow:
            self._not_before = now
        self.problem = self.words = ""
        self._slow = self._probing = self._one_first = False
        if moved:
            self._quiet_s = self._pace.quiet_s
        for n in said.wanted:
            if 0 < n <= self.blocks:
                self._wanted[n] = None
        return moved

    def answered(self) -> None:
        """The shop has answered for another journal, so somebody is there again: no more patience than at first."""
        self._quiet_s = self._pace.quiet_s

    def _fits(self, said: ReceiptMessage) -> bool:
        n = said.blocks
        if n == 0:
            return not said.sealed and said.through == 0
        if not 0 < n <= self.blocks:
            return False
        if said.sealed and self._sealed_at != n:
            return False
        return said.head == self.hash_of(n).hex() and said.through == self._lasts[n - 1]

    def _take(self, said: ReceiptMessage, now: float) -> bool:
        moved = said.blocks > self._done or (said.sealed and not self.final)
        self.final = self.final or said.sealed
        if said.blocks > self._done:
            self._done = said.blocks
            self.through = self._lasts[said.blocks - 1]
        waits = self._seal_waits() and self._seal_flies()
        for n in [n for n in self._flying if n <= said.blocks and not (n == self.blocks and waits)]:
            self._flying_bytes -= self._flying.pop(n)[1]
        for n in [n for n in self._wanted if n <= said.blocks]:
            del self._wanted[n]
        if moved:
            self._since = now if any(at is not None for at, _ in self._flying.values()) else None
        return moved

    def _trouble(self, problem: str, words: str, now: float, *, slow: bool = True) -> None:
        self.problem, self.words = problem, words
        if slow:
            self._slow = True
            self._not_before = now + self._pace.slow_s
