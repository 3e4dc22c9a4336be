"""A record held against what the shop received of it, block by block: what differs, at which entry, since when.

Pure: whoever asks the shop's database hands in its blocks in order, and the file's entries beside them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lineset.audit.audit import printable
from lineset.audit.audit_record import Audit, Remark
from lineset.audit.differing import Sides, aligned, differences, unnumbered
from lineset.audit.file_items import FileItems, framed_or_none, items_of, last_of, seq_of
from lineset.audit.received_visit import ReceivedBlock, ReceivedVisit, iso, seal_of
from lineset.audit.said import Said
from lineset.audit.shop_record import ShopRecord, TableRecord
from lineset.audit.spells import Spells, blocks_named, span, when_received
from lineset.audit.visit_record import wall_offset
from lineset.contract import entry as e
from lineset.journal.rebuild import Chain, ChainError
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal
from lineset.journal.verify import Verification

_CLOCKS = frozenset({"opened", "wall", "resumed"})
_MOST_NAMED = 20  # entries that are named one by one, the rest is counted
_MOST_MOVED = 16  # entries put in at one place that are still told from all that follows
_EVERY = 2**63 - 1
_FILE = Sides("the shop received", "the file says")
_STORED = Sides("the file, whose hash is the one that the shop noted, says", "the shop's stored bytes say")


class Holding:
    """Takes the shop's blocks in order; `finish` gives what the audit says of it.

    `items` and `meta` are the file's; without `items` the shop's own record is looked at. `proved`: the hashes of the
    file's blocks in order, where all were found to be what was hashed; what has the same one is the same.
    """

    def __init__(
        self,
        visit: ReceivedVisit,
        items: FileItems | None = None,
        meta: Mapping[str, str] | None = None,
        proved: Sequence[bytes] = (),
    ) -> None:
        self._visit, self._items, self._proved = visit, items, proved
        self._said = Said()
        if meta is not None:
            self._same_beginning(meta)
        self._spells = Spells()
        self._chain: Chain | None = None
        self._broken_at: int | None = None
        try:
            self._chain = Chain(visit.meta)
        except ChainError as error:
            self._said.wrong(f"the shop's record of the visit's beginning is damaged: {error}", rests=0)
            self._broken_at = 0
        self._same_names()
        self._due, self._last, self._head = 1, 0, b""
        self.readable: list[Row | Gap] = []  # of the block that was taken last, whether or not it hashes
        self._gaps: list[Gap] = []
        self._same = self._named = self._unnamed = 0
        self._first = True  # no difference was named yet
        self._shift = 0  # by how much the file's numbers have moved on from those that the shop received
        self._differing: list[int] = []
        self._lacking: list[int] = []

    def _same_beginning(self, meta: Mapping[str, str]) -> None:
        """The meta record of the file, which the hash chain begins with, and that of the shop."""
        visit = self._visit
        if dict(meta) == dict(visit.meta):
            return
        changed = sorted(key for key in {**meta, **visit.meta} if meta.get(key) != visit.meta.get(key))
        if "id" in changed:
            text = (
                f"another journal than the shop received under the name {visit.visit} of {visit.station}: the file is "
                f"{printable(meta.get('id', '?'))}, the shop's is {visit.journal}"
            )
        else:
            words = [f"{key}: {meta.get(key)!r}, the shop received {visit.meta.get(key)!r}" for key in changed]
            text = f"the file's own description differs: {'; '.join(words)}"
        self._said.wrong(text, rests=0)

    def _same_names(self) -> None:
        """The names in the shop's row of the visit, and those that the hash chain begins with."""
        visit = self._visit
        for name, there in (("station", visit.station), ("visit", visit.visit), ("id", visit.journal)):
            if visit.meta.get(name) != there:
                what = "journal" if name == "id" else name
                said = printable(visit.meta.get(name, "none"))
                self._database(f"the shop's row of the visit names {what} {there}, the record itself {said}", 0)

    def take(self, stored: ReceivedBlock) -> list[Row | Gap] | None:
        """The next of the shop's blocks. Its rows and gaps when it follows from those before and hashes, else None."""
        block = stored.block
        if block.n != self._due:
            missing = f"block {self._due}" if block.n == self._due + 1 else f"blocks {self._due} to {block.n - 1}"
            self._database(f"{missing} not in the shop's database, which says that it received them", self._last + 1)
        data = stored.data()
        taken = self._follow(stored, data)
        here = None
        if self._items is not None:
            if taken is not None and not self._shift and self._proved[block.n - 1 : block.n] == (block.hash,):
                self._items.pass_over(block.last)
                self._same += 1
            else:
                here = self._items.upto(block.last + self._shift)
        items = self.readable = taken if taken is not None else items_of(data)
        for item in here if here is not None and taken is None else items:
            if isinstance(item, Row) and item.kind in _CLOCKS:
                self._clock(item)
        if taken is not None and block.gaps:
            self._gaps += [item for item in taken if isinstance(item, Gap)]
        if here is not None:
            self._compare(stored, items if data is not None else None, here, sound=taken is not None)
        self._spells.take(stored)
        self._due, self._last, self._head = block.n + 1, block.last, block.hash
        return taken

    def _follow(self, stored: ReceivedBlock, data: bytes | None) -> list[Row | Gap] | None:
        block = stored.block
        if self._chain is not None and self._broken_at is None and data is not None:
            try:
                return self._chain.take(block, data)
            except ChainError as error:
                self._broken_at = block.n
                self._database(f"{error} (entries {block.first} to {block.last})", block.first, block.n)
                return None
        # behind a fault: each block by itself, so that one fault is not told again for every later block
        if data is None:
            self._database(f"the bytes of block {block.n} cannot be unpacked", block.first, block.n)
        elif not stored.hashes(data):
            self._database(f"the bytes of block {block.n} are not what was hashed", block.first, block.n)
        elif self._broken_at is not None and self._head and block.previous != self._head:
            self._database(f"block {block.n} does not follow from the one before it", block.first, block.n)
        if self._broken_at is None:
            self._broken_at = block.n
        return None

    def _clock(self, row: Row) -> None:
        try:
            offset = wall_offset(e.Entry(row.seq, row.t, e.decode(row.body)))
        except (e.EntryError, TypeError):
            return
        if offset is not None:
            self._spells.clock(row.seq, offset)

    def _compare(
        self, stored: ReceivedBlock, received: Sequence[Row | Gap] | None, here: list[Row | Gap], *, sound: bool
    ) -> None:
        block = stored.block
        if received is not None and list(received) == here:
            self._same += 1
            return
        if not here:
            self._lacking.append(block.n)
            return
        if not sound and (kept := framed_or_none(here)) is not None and stored.hashes(kept):
            # the file is as it was: what the shop has stored of it was changed
            means = "The file stands; the shop's database was changed."
            for seq, _, words in differences(here, received or (), _STORED):
                self._name(words, seq, block.n, means, None)
                means = ""
            return
        assert self._items is not None
        self._differing.append(block.n)
        if self._shift and received is not None and [*map(unnumbered, received)] == [*map(unnumbered, here)]:
            return  # the same under other numbers, since an entry before was taken out or put in
        when = when_received(stored, self._spells.closed(stored))
        if received is not None and here == received[: len(here)] and not self._items.more:
            end = last_of(here[-1])
            text = (
                f"the file ends at entry {end}, within block {block.n}: the shop received it up to entry {block.last}"
            )
            self._name(text, end + 1, block.n, f"It was cut off there. The block reached the shop {when}.", end + 1)
            return
        # an entry that was taken out lets those of the next block move up into this one, and the other way about
        more = self._items.upto(block.last + self._shift + _MOST_MOVED)
        found, rest = aligned(received or (), [*here, *more], _FILE)
        self._items.give_back(rest)
        self._shift += len(here) + len(more) - len(rest) - len(received or ())
        means = f"Block {block.n} reached the shop {when}."
        for seq, _, words in found:
            self._name(words, seq, block.n, means, seq if self._first else None)
            means, self._first = "", False

    def _name(self, text: str, seq: int, block: int, means: str, rests: int | None) -> None:
        if self._named < _MOST_NAMED:
            self._named += 1
            self._said.wrong(text, means=means, seq=seq, block=block, rests=rests)
        else:
            self._unnamed += 1

    def finish(
        self,
        file: Audit,
        seal: Seal | None = None,
        tables: Sequence[TableRecord] = (),
    ) -> tuple[ShopRecord, tuple[Remark, ...]]:
        """What came of it, and what is to be said. `file` is the audit of the file (or of the shop's copy as a file).

        `seal` is the file's, `tables` are the shop's tables held against its blocks.
        """
        visit = self._visit
        if self._unnamed:
            self._said.wrong(f"{self._unnamed} more entries differ from what the shop received")
        never: tuple[int, ...] = ()
        if self._items is not None:
            self._lacks()
            never = tuple(range(self._due, file.blocks + 1))
            self._never(file, never)
            self._hashes()
        self._row_of_visit()
        self._seals(seal)
        self._spells.tell(visit, self._said)
        for table in tables:
            if not table.same:
                means = (
                    "The blocks stand; what was asked of this table about the visit cannot be relied on."
                    if self.sound
                    else "Both came of the same bytes; those of a block are not what was hashed: see which was changed."
                )
                self._said.wrong(table.words(), about="table", seq=table.first, means=means)
        record = ShopRecord(
            shop=visit.shop,
            held=True,
            from_shop=self._items is None,
            journal=visit.journal,
            blocks=visit.blocks,
            through=visit.through,
            head=visit.head.hex(),
            first_received=iso(visit.first_received),
            last_received=iso(visit.last_received),
            sealed_received=iso(visit.sealed_received),
            key=visit.key.hex(),
            revoked=iso(visit.revoked),
            collectors=tuple(self._spells.collectors),
            spells=tuple(self._spells.spells),
            receipts=tuple(self._spells.receipts),
            kept_aside=visit.kept_aside,
            waiting=visit.waiting,
            same=self._same,
            differing=tuple(self._differing),
            lacking=tuple(self._lacking),
            never=never,
            tables=tuple(tables),
        )
        return record, self._said.told(file.verdicts, 0 if self._items is not None or self.sound else self._read() + 1)

    def _read(self) -> int:
        """The last entry of the shop's own copy that could be read."""
        return self._chain.last if self._chain is not None else 0

    def verification(self) -> Verification:
        """How the bytes are that `take` gave, as `verify` says it of a file; what is wrong, `finish` tells."""
        chain = self._chain
        if chain is None:
            return Verification(())
        seal = self._seal(chain)
        return Verification(
            (),
            rows=chain.rows,
            blocks=chain.blocks,
            gaps=tuple(self._gaps),
            first=chain.first,
            last=chain.last,
            head=chain.head,
            sealed=seal is not None,
            public_key=seal.public_key if seal is not None else b"",
        )

    def _seal(self, chain: Chain) -> Seal | None:
        """The seal that the shop has, if it has one and it is of these blocks."""
        if self._visit.seal is None or self._broken_at is not None:
            return None
        found = seal_of(self._visit.seal)
        try:
            chain.check_seal(found)
        except ChainError:
            return None
        return found

    @property
    def sound(self) -> bool:
        """Whether the shop's blocks so far are what was hashed, one after another."""
        return self._broken_at is None

    def _lacks(self) -> None:
        if not self._lacking:
            return
        came = next((each.received for each in self._spells.receipts if each.n == self._lacking[0]), "")
        since = f", the first of them on {came}" if came else ""
        text = (
            f"the file lacks {blocks_named(self._lacking)}, which the shop received{since}: it was cut off, or it is "
            "an older copy"
        )
        self._said.wrong(text, block=self._lacking[0], means="What the shop holds goes further: audit that.")

    def _never(self, file: Audit, never: tuple[int, ...]) -> None:
        """Blocks of the file that the shop does not know."""
        if not never:
            if self._items is not None and not self._lacking and file.sealed and (left := self._items.upto(_EVERY)):
                self._goes_on(seq_of(left[0]), last_of(left[-1]))
            return
        text = f"{blocks_named(never)} of the file never reached the shop: for them it vouches for nothing"
        if file.sealed:
            means = (
                "The visit is sealed and not wholly at the shop: it was not sent yet, or kept back. Let the station "
                "send it and audit again."
            )
            self._said.wrong(text, seq=self._last + 1, block=never[0], means=means, rests=self._last + 1)
        else:
            means = "The visit is still open; the station sends them when it can."
            self._said.note(text, means=means, seq=self._last + 1, block=never[0])

    def _hashes(self) -> None:
        """The file's blocks as they were verified: the same entries in the same blocks have the same hash."""
        n, hashes = self._due - 1, self._proved
        if not (n and self._head and hashes) or self._differing or self._lacking or not self.sound:
            return
        if n > len(hashes) or hashes[n - 1] != self._head:
            text = f"the file has no block {n} with the hash of the one received, though it has the same entries"
            means = "The file was changed while it was audited, or its blocks were made anew."
            self._said.wrong(text, block=n, means=means, rests=0)

    def _goes_on(self, first: int, last: int) -> None:
        """Entries are left of the file after the shop's last block."""
        if first > self._last:
            self._said.wrong("the file goes on behind the last block that the shop received", seq=first)
            return
        text = f"the file ends at entry {last}, and its end is another than the shop received, up to {self._last}"
        self._said.wrong(text, seq=first, means="It was cut off and given an end of its own.", rests=first)

    def _row_of_visit(self) -> None:
        visit = self._visit
        head = self._head or (self._chain.genesis if self._chain is not None else b"")
        if (visit.blocks, visit.through, visit.head) != (self._due - 1, self._through(), head):
            self._database(
                f"the shop's row of the visit says {visit.blocks} blocks up to entry {visit.through}, its blocks are "
                f"{self._due - 1} up to {self._through()}"
                + ("" if visit.head == head else "; the hash it names is another one"),
                0,
            )

    def _through(self) -> int:
        if self._last or self._chain is None:
            return self._last
        return self._visit.through if self._visit.through < self._chain.first else self._chain.last

    def _seals(self, seal: Seal | None) -> None:
        visit = self._visit
        received = seal_of(visit.seal) if visit.seal is not None else None
        if (received is None) != (visit.sealed_received is None):
            noted, has = (iso(visit.sealed_received) or "never", "none" if received is None else "one")
            self._database(f"the shop's row of the visit says when its seal came: {noted}; and it has {has}", 0)
        if received is not None and self._chain is not None and self._broken_at is None:
            try:
                self._chain.check_seal(received)
            except ChainError as error:
                self._said.wrong(
                    f"the seal that the shop has does not belong to its blocks: {error}", about="seal", rests=0
                )
        if received is not None and visit.key and received.public_key != visit.key:
            text = (
                f"the seal that the shop has names key {received.public_key.hex()}, the station's is {visit.key.hex()}"
            )
            self._said.wrong(text, about="seal", rests=0)
        if received is not None and not visit.key:
            text = "the shop knows no key of this station, though its first seal made one known: it was taken out"
            means = "Done on purpose after a laptop was replaced, or by somebody who writes to the database."
            self._said.note(text, about="seal", means=means)
        if visit.revoked is not None and visit.last_received > visit.revoked:
            text = f"the station was revoked on {iso(visit.revoked)}, and blocks came until {iso(visit.last_received)}"
            self._said.note(text)
        if self._items is None:
            if received is None:
                ago = span(max(0.0, (visit.asked - visit.last_received).total_seconds()))
                text = (
                    f"the seal has not reached the shop; the last block came {ago} ago, on {iso(visit.last_received)}"
                )
                means = (
                    "The visit goes on, the station is offline, or its end was kept back: that cannot be told apart."
                )
                self._said.note(text, about="seal", means=means)
            return
        when = f"that reached the shop on {iso(visit.sealed_received)}"
        if received is not None and seal is None:
            self._said.wrong(f"the file has no seal, the shop has one {when}", about="seal", rests=0)
        elif received is not None and seal is not None and seal != received:
            fields = ("head", "public_key", "signature", "t")
            what = ", ".join(f for f in fields if getattr(seal, f) != getattr(received, f)) or "counts"
            text = f"the file's seal is not the one {when}: it has another {what}"
            self._said.wrong(text, about="seal", means="The record was sealed anew after that.", rests=0)
        elif received is None and seal is not None:
            self._said.note("the file is sealed; its seal has not reached the shop", about="seal")

    def _database(self, text: str, seq: int, block: int = 0) -> None:
        means = "The shop's database was changed or damaged."
        self._said.wrong(text, seq=seq, block=block, means=means, rests=seq)
