"""The record on its way from a station to its shop: blocks, and the receipts that alone move the station's outbox.

A block travels as the very bytes that its hash was taken over (journal/block.py), compressed, in parts of less than a
megabyte; photos are rows of blocks like everything else. A broker's acknowledgement proves nothing: what the shop has
stored is what a receipt says.
"""

from __future__ import annotations

import msgspec

from lineset.contract.live import Message

FORMAT = 1
MAX_PART = 512 * 1024  # bytes of `data` in one message: base64 and the rest stay below the megabyte a broker takes


class SealRecord(msgspec.Struct, frozen=True, kw_only=True):
    """The seal of a closed visit as the journal holds it: what was signed, by which key, and the signature."""

    blocks: int
    rows: int
    gaps: int
    first: int
    last: int
    t: int  # visit time of closing, ns
    head: bytes
    public_key: bytes
    signature: bytes


class BlockMessage(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Topic `block/{n}`: one part of one block of a visit's journal; bytes are base64.

    `data` of all parts together is zlib (RFC 1950) of the framed rows and gaps that lie between the block's head
    ("lineset block 1", previous hash, n) and its end; with those it gives `hash`. `meta` goes with block 1: the record
    that the chain begins with. `seal` goes with the last block; a block that was sent before may come again with it.
    """

    format: int = FORMAT
    journal: str  # 32 hex digits, given when the journal was made
    n: int  # from 1
    first: int  # seqs, gaps included
    last: int
    rows: int
    gaps: int
    t: int  # visit time of the last row, ns
    previous: bytes
    hash: bytes
    data: bytes
    part: int = 0
    parts: int = 1
    meta: dict[str, str] = {}
    seal: SealRecord | None = None


class ReceiptMessage(Message, frozen=True, kw_only=True):
    """Topic `receipt/{visit}`: retained, what the shop has stored of a visit, written after its commit.

    Everything up to block `blocks` and entry `through`, which ends in hash `head` (hex). `sealed`: the seal is stored
    too, nothing more will come. `wanted` are blocks that a gap shows to be missing: send them again.

    `problem` is empty, or why blocks behind `blocks` are kept aside and not taken: other_record (the shop holds another
    journal or block under this name), forged, unreadable, oversized, newer (the shop's program is older than the
    station's), key (sealed with another key than the station's), unknown (no such station); `words` say it for people.
    """

    journal: str
    blocks: int
    through: int
    head: str
    sealed: bool = False
    wanted: tuple[int, ...] = ()
    problem: str = ""
    words: str = ""
