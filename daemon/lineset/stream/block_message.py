"""From a journal's block to the messages that carry it: the very bytes that were hashed, compressed, in parts."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import msgspec

from lineset.contract.transfer import MAX_PART, BlockMessage, SealRecord
from lineset.journal.block import Block, FramingError, framed, hash_of
from lineset.journal.errors import DamagedFileError
from lineset.journal.reader import JournalReader
from lineset.journal.seal import Seal

PART = 128 * 1024
"""Bytes of `data` in one message. Less than a message may hold, so that on a slow way (50 kB/s, common for a weak
mobile signal; no source) each still arrives within seconds and what is live passes between two parts."""
MANY = 64
"""More parts than this are made larger instead."""

_encode = msgspec.json.Encoder().encode


class Standing(NamedTuple):
    """What a journal holds at one moment: its id, its blocks from a number on, and the seal if it has one."""

    identity: str
    blocks: list[Block]
    seal: Seal | None


def look(path: Path, from_n: int) -> Standing:
    """Blocks of a journal from number `from_n` on, and its seal. Raises JournalError, also where one is missing."""
    with JournalReader(path) as reader:
        # the seal first: a journal that has one has all of its blocks
        seal = reader.seal()
        blocks = reader.blocks(from_n)
        for n, block in enumerate(blocks, start=from_n):
            if block.n != n:
                raise DamagedFileError(path, f"block {n} is gone", "Keep the file for the audit")
        return Standing(reader.identity, blocks, seal)


def payloads(path: Path, n: int, hash_: bytes) -> list[bytes]:
    """The messages of block `n`, in the order of their parts; each of them carries the meta record or the seal.

    Raises JournalError, also for a block that does not give its hash, or whose hash is not `hash_`, as it was before.
    """
    with JournalReader(path) as reader:
        block = reader.block(n)
        if block is None:
            raise DamagedFileError(path, f"block {n} is gone", "Keep the file for the audit")
        if block.hash != hash_:
            raise DamagedFileError(
                path, f"block {n} is another than it was: the file was replaced", "Put the right file back"
            )
        data = framed(reader.items_of(block))
        try:
            whole = hash_of(block, data) == block.hash
        except FramingError:
            whole = False
        if not whole:
            raise DamagedFileError(
                path, f"block {n} is not as it was written", "Run the audit to see what else is wrong"
            )
        seal = reader.seal()
        meta = reader.meta if n == 1 else {}
        return list(_messages(reader.identity, block, data, meta, seal if seal and seal.blocks == n else None))


def _messages(journal: str, block: Block, data: bytes, meta: dict[str, str], seal: Seal | None) -> Iterator[bytes]:
    packed = zlib.compress(data)
    size = min(max(PART, -(-len(packed) // MANY)), MAX_PART)
    parts = max(1, -(-len(packed) // size))
    for part in range(parts):
        yield _encode(
            BlockMessage(
                journal=journal, n=block.n, first=block.first, last=block.last, rows=block.rows, gaps=block.gaps,
                t=block.t, previous=block.previous, hash=block.hash, data=packed[part * size : (part + 1) * size],
                part=part, parts=parts, meta=meta,
                seal=SealRecord(**msgspec.structs.asdict(seal)) if seal else None,
            )
        )  # fmt: skip
