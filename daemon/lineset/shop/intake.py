"""What becomes of a block that came: taken, waiting for one before it, had already, or put aside with the reason.

Pure: bytes, their topic and what is known of the visit go in; what is to be stored and said comes out. Whatever bytes
come, nothing is raised and nothing is lost: what cannot be taken is told with a reason of the contract
(`ReceiptMessage.problem`) and its words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from lineset.contract import entry as e
from lineset.contract.transfer import BlockMessage, SealRecord
from lineset.journal import schema
from lineset.journal.block import Block, FramingError, genesis
from lineset.journal.rebuild import Chain, ChainError
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal
from lineset.shop.block_message import (
    FORGED,
    KEY,
    MAX_FRAMED,
    NEWER,
    OTHER_RECORD,
    OVERSIZED,
    UNKNOWN,
    UNREADABLE,
    Arrived,
    RefusedError,
    SetAside,
    inflated,
    read_message,
)
from lineset.shop.standing import Known, Waiting, wanted

MAX_AHEAD = 256  # blocks that may wait for one before them
MAX_VARIANTS = 4  # different blocks that claim one number: of an honest station there is one, and each costs time
MAX_WAITING = 2 * MAX_FRAMED  # bytes that may wait for one visit


@dataclass(frozen=True, slots=True)
class Taken:
    """A block that follows: as it is stored, with its rows and gaps."""

    block: Block
    data: bytes  # zlib of the framed rows
    items: list[Row | Gap]
    at: datetime


@dataclass(slots=True)
class Outcome:
    """All that came of some messages of one visit. `known` is how the visit stands if all of this is stored."""

    known: Known
    taken: list[Taken] = field(default_factory=list)
    waits: list[tuple[Arrived, Waiting]] = field(default_factory=list)
    aside: list[SetAside] = field(default_factory=list)
    again: int = 0
    refused: list[Arrived] = field(default_factory=list)  # too far ahead, or too much waits: not kept, asked for again
    done_waiting: bool = False  # some of what waited waits no more
    unwaited: list[bytes] = field(default_factory=list)  # SHA-256 of what waited and was put aside
    seal: SealRecord | None = None
    key: bytes | None = None  # the station's key, seen for the first time
    wanted: tuple[int, ...] = ()
    journal: str = ""  # that a receipt names
    problem: str = ""
    words: str = ""


@dataclass(slots=True)
class _Part:
    message: BlockMessage
    arrived: Arrived


_Key = tuple[str, int, bytes, bytes, int, int, int, int, int, int]


def take_in(known: Known, arrived: Sequence[Arrived]) -> Outcome:
    """What becomes of messages of one visit, in whatever order they came, with those that waited for them."""
    return _Intake(known).run(arrived)


class _Intake:
    def __init__(self, known: Known) -> None:
        self.known = known
        self.out = Outcome(known, journal=known.journal)
        self.candidates: dict[int, dict[_Key, dict[int, _Part]]] = {}
        self.heads: list[_Part] = []  # messages of the last block, for their seal

    def run(self, arrived: Sequence[Arrived]) -> Outcome:
        for each in sorted(arrived, key=lambda each: not each.waited):  # the same that came again then replaces nothing
            self._sort_in(each)
        while not self.known.sealed and self._take_next():
            pass
        for part in self.heads:
            if part.message.n == self.known.blocks and part.message.seal is not None:
                self._take_seal(part, part.message.seal)
        self._leave_waiting()
        self._say()
        self.out.known = self.known
        return self.out

    # -------------------------------------------------------------------------------------------------- sorting in

    def _sort_in(self, arrived: Arrived) -> None:
        message = read_message(arrived)
        if isinstance(message, SetAside):
            self._put_aside(message.arrived, message.reason, message.words)
            return
        known, n = self.known, message.n
        self.out.journal = self.out.journal or message.journal
        if known.revoked:
            self._put_aside(arrived, UNKNOWN, f"{known.station} is no station of this shop any more")
        elif n < 1:
            self._put_aside(arrived, UNREADABLE, "blocks are numbered from 1")
        elif known.journal and message.journal != known.journal:
            self._put_aside(
                arrived,
                OTHER_RECORD,
                f"the shop holds journal {known.journal} as {known.station}/{known.visit}, this is {message.journal}",
            )
        elif n <= known.blocks:
            self._had(_Part(message, arrived))
        elif known.sealed or known.removed:
            state = "was removed by the shop's policy" if known.removed else "is sealed"
            self._put_aside(arrived, OTHER_RECORD, f"the record {state}, and block {n} came after it")
        else:
            self._add(_Part(message, arrived))

    def _had(self, part: _Part) -> None:
        message, known = part.message, self.known
        had = known.head if message.n == known.blocks else known.hashes.get(message.n)
        if had is not None and had != message.hash:
            self._put_aside(part.arrived, OTHER_RECORD, f"the shop holds another block {message.n} of this record")
            return
        if part.arrived.waited:
            self.out.done_waiting = True
        else:
            self.out.again += 1
        if message.n == known.blocks and message.seal is not None:
            self.heads.append(part)

    def _add(self, part: _Part) -> None:
        message = part.message
        key = (message.journal, message.n, message.previous, message.hash, message.first, message.last, message.rows,
               message.gaps, message.t, message.parts)  # fmt: skip
        variants = self.candidates.setdefault(message.n, {})
        if key not in variants and len(variants) >= MAX_VARIANTS:
            self._put_aside(
                part.arrived, FORGED, f"{MAX_VARIANTS} other blocks claim to be block {message.n}: they are tried first"
            )
            return
        parts = variants.setdefault(key, {})
        there = parts.get(message.part)
        if there is None:
            parts[message.part] = part
        elif _contradict(there.message, message):
            # which of them is right only the hash of all parts can tell: the later one is tried
            self._put_aside(there.arrived, FORGED, f"another part {message.part} of block {message.n} came after it")
            parts[message.part] = part
        elif message.seal is not None and there.message.seal is None:
            parts[message.part] = part
            self._replaced(there)
        else:
            self._replaced(part)

    def _replaced(self, part: _Part) -> None:
        """The same is there a second time."""
        if part.arrived.waited:
            self.out.unwaited.append(part.arrived.sha256)
        else:
            self.out.again += 1

    # ------------------------------------------------------------------------------------------------------- taking

    def _take_next(self) -> bool:
        n = self.known.blocks + 1
        variants = self.candidates.get(n, {})
        for key, parts in list(variants.items()):
            if len(parts) < key[-1]:
                continue
            del variants[key]
            ordered = [parts[number] for number in sorted(parts)]
            try:
                taken = self._follow(ordered)
            except RefusedError as error:
                for part in ordered:
                    self._put_aside(part.arrived, error.reason, error.words)
                continue
            self.out.taken.append(taken)
            self.heads = [part for part in ordered if part.message.seal is not None]
            self.out.done_waiting |= any(part.arrived.waited for part in ordered)
            for others in self.candidates.pop(n).values():
                for part in others.values():
                    self._put_aside(part.arrived, OTHER_RECORD, f"the shop took another block {n} of this record")
            return True
        return False

    def _follow(self, parts: Sequence[_Part]) -> Taken:
        """The block of these parts, if it is the one that follows; `self.known` goes on. Raises RefusedError."""
        known, message = self.known, parts[0].message
        n = message.n
        if known.journal and message.journal != known.journal:
            raise RefusedError(OTHER_RECORD, f"block {n} is of journal {message.journal}, not {known.journal}")
        meta = known.meta
        if n == 1:
            meta = next((part.message.meta for part in parts if part.message.meta), {})
            self._check_meta(meta, message)
        data = b"".join(part.message.data for part in parts)
        if message.previous != known.head and n > 1:  # first, for it costs nothing
            raise RefusedError(OTHER_RECORD, f"block {n} does not follow from block {n - 1} as the shop holds it")
        framed = inflated(data, n)
        block = Block(
            n, message.first, message.last, message.rows, message.gaps, message.t, message.previous, message.hash
        )
        try:
            chain = self._chain(meta)
            items = chain.take(block, framed)
        except ChainError as error:
            unreadable = isinstance(error.__cause__, FramingError)
            raise RefusedError(UNREADABLE if unreadable else FORGED, str(error)) from error
        if n == 1:
            self._check_opened(items)
        self.known = replace(
            known, journal=message.journal, meta=meta, blocks=n, through=message.last, head=message.hash,
            rows=chain.rows, gaps=chain.gaps, problem="", words="",
        )  # fmt: skip
        return Taken(block, data, items, max(part.arrived.at for part in parts))

    def _chain(self, meta: Mapping[str, str]) -> Chain:
        known = self.known
        chain = Chain(meta)
        if known.blocks:
            chain.head, chain.last, chain.blocks = known.head, known.through, known.blocks
            chain.rows, chain.gaps = known.rows, known.gaps
        return chain

    def _check_meta(self, meta: Mapping[str, str], message: BlockMessage) -> None:
        known = self.known
        if not meta:
            raise RefusedError(UNREADABLE, "block 1 came without the record that the chain begins with")
        form = meta.get("format", "")
        if form.isascii() and form.isdigit() and len(form) < 10 and int(form) > schema.FORMAT:
            raise RefusedError(
                NEWER, f"the journal has format {form}, this program knows {schema.FORMAT}: update the shop"
            )
        if any("\0" in text for pair in meta.items() for text in pair):
            raise RefusedError(UNREADABLE, "the record that the chain begins with holds a NUL character")
        if (meta.get("station"), meta.get("visit")) != (known.station, known.visit):
            named = f"{meta.get('station')}/{meta.get('visit')}"
            raise RefusedError(FORGED, f"the record of {named} came under the name {known.station}/{known.visit}")
        if meta.get("id") != message.journal:
            raise RefusedError(FORGED, "the journal's own name is another one than its block says")
        if len(meta) > 64 or sum(len(key) + len(text) for key, text in meta.items()) > 65_536:
            raise RefusedError(OVERSIZED, "the record that the chain begins with is larger than the shop takes")
        try:
            begins = genesis(meta)
        except UnicodeEncodeError as error:
            raise RefusedError(UNREADABLE, "the record that the chain begins with is no text") from error
        if begins != message.previous:
            raise RefusedError(FORGED, "block 1 does not begin at the journal's own record")

    def _check_opened(self, items: Sequence[Row | Gap]) -> None:
        first = items[0]
        if not isinstance(first, Row) or first.kind != "opened":
            return
        try:
            opened = e.decode(first.body)
        except e.EntryError:
            return  # of a newer version; the bytes are kept all the same
        if isinstance(opened, e.Opened) and (opened.station, opened.visit) != (self.known.station, self.known.visit):
            raise RefusedError(
                FORGED,
                f"visit {opened.station}/{opened.visit} came under the name {self.known.station}/{self.known.visit}",
            )

    # --------------------------------------------------------------------------------------------------------- seal

    def _take_seal(self, part: _Part, record: SealRecord) -> None:
        known = self.known
        if known.sealed:
            if known.seal is not None and record != known.seal:
                self._put_aside(part.arrived, OTHER_RECORD, "the shop holds another seal of this record")
            return
        seal = Seal(record.blocks, record.rows, record.gaps, record.first, record.last, record.t, record.head,
                    record.public_key, record.signature)  # fmt: skip
        try:
            self._chain(known.meta).check_seal(seal)
        except ChainError as error:
            self._put_aside(part.arrived, FORGED, str(error))
            return
        except (ValueError, OverflowError, ArithmeticError, TypeError) as error:
            self._put_aside(part.arrived, FORGED, f"the seal cannot be read: {error}")
            return
        if known.key is not None and known.key != record.public_key:
            self._put_aside(
                part.arrived, KEY, f"the record is sealed with another key than that of station {known.station}"
            )
            return
        if known.key is None:
            self.out.key = record.public_key
        self.out.seal = record
        self.known = replace(known, sealed=True, seal=record, key=record.public_key)

    # ------------------------------------------------------------------------------------------------- what remains

    def _put_aside(self, arrived: Arrived, reason: str, words: str) -> None:
        self.out.aside.append(SetAside(arrived, reason, words))
        if arrived.waited:
            self.out.unwaited.append(arrived.sha256)

    def _leave_waiting(self) -> None:
        known, gone = self.known, set(self.out.unwaited)
        kept = [each for each in known.waiting if each.n > known.blocks and each.sha256 not in gone]
        self.out.done_waiting |= len(kept) < len(known.waiting)
        size, there = sum(each.size for each in kept), {each.sha256 for each in kept}
        for n in sorted(self.candidates):
            for parts in self.candidates[n].values():
                for part in parts.values():
                    arrived, message = part.arrived, part.message
                    if arrived.sha256 in there:
                        self.out.again += not arrived.waited
                        continue
                    if known.sealed:
                        self._put_aside(arrived, OTHER_RECORD, f"the record is sealed, and block {n} came after it")
                        continue
                    size += len(arrived.payload)
                    if n > known.blocks + MAX_AHEAD or size > MAX_WAITING:
                        size -= len(arrived.payload)
                        self.out.refused.append(arrived)
                        continue
                    waiting = Waiting(
                        n, message.part, message.parts, message.hash, arrived.sha256, len(arrived.payload)
                    )
                    there.add(arrived.sha256)
                    kept.append(waiting)
                    self.out.waits.append((arrived, waiting))
        self.known = replace(known, waiting=tuple(kept))

    def _say(self) -> None:
        known, out = self.known, self.out
        out.journal = known.journal or out.journal
        for each in out.aside:
            out.problem, out.words = each.reason, each.words
            if each.arrived.n == known.blocks + 1:  # until another block takes its place
                self.known = known = replace(known, problem=each.reason, words=each.words)
        if known.problem:
            out.problem, out.words = known.problem, known.words
        if not known.sealed:
            # a station may take the shop to be further than it is: it is asked for all that is missing
            out.wanted = wanted(known, max((each.n for each in out.refused), default=0))


def _contradict(one: BlockMessage, other: BlockMessage) -> bool:
    """Whether two messages of one part of one block say different things, not only more or less."""
    return (
        one.data != other.data
        or (one.seal is not None and other.seal is not None and one.seal != other.seal)
        or (bool(one.meta) and bool(other.meta) and one.meta != other.meta)
    )
