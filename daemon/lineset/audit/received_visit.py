"""What a shop received of a visit, as whoever asks the shop's database hands it to the audit."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from datetime import UTC, date, datetime

import msgspec

from lineset.audit.shop_record import KeptAside
from lineset.contract.transfer import SealRecord
from lineset.journal.block import Block, FramingError, hash_of
from lineset.journal.seal import Seal

MAX_BLOCK = 256 * 1024 * 1024  # bytes of a block's rows, more than any shop takes; what unpacks to more is damaged


class ReceivedVisit(msgspec.Struct, frozen=True, kw_only=True):
    """A visit as the shop's database names it. `blocks`, `through` and `head` are what it says it has."""

    shop: str
    id: int
    month: date
    station: str
    visit: str
    journal: str
    meta: Mapping[str, str]
    blocks: int
    through: int
    head: bytes
    seal: SealRecord | None
    opened: datetime | None
    sealed_received: datetime | None
    first_received: datetime
    last_received: datetime
    key: bytes  # the station's public key as pinned; empty: none is
    revoked: datetime | None
    removed: datetime | None = None  # when the shop's policy removed the record; its blocks are gone
    readings_removed: datetime | None = None  # when it removed the rows of readings and derived values; blocks stay
    asked: datetime  # when this was asked, by the database's clock
    kept_aside: tuple[KeptAside, ...] = ()
    waiting: int = 0


class ReceivedBlock(msgspec.Struct, frozen=True, kw_only=True):
    """A block as the shop's database has it: the stored head, zlib of the framed bytes, when it came, to whom."""

    block: Block
    packed: bytes
    received: datetime
    collector: str

    def data(self) -> bytes | None:
        """The framed bytes; None when they cannot be unpacked."""
        unpacking = zlib.decompressobj()
        try:
            data = unpacking.decompress(self.packed, MAX_BLOCK)
        except zlib.error:
            return None
        return data if unpacking.eof and not unpacking.unused_data else None

    def hashes(self, data: bytes) -> bool:
        """Whether these are the framed bytes whose hash the head names."""
        try:
            return hash_of(self.block, data) == self.block.hash
        except FramingError:
            return False


def seal_of(record: SealRecord) -> Seal:
    """The seal as the journal has it."""
    return Seal(**msgspec.structs.asdict(record))


def iso(when: datetime | None) -> str:
    """UTC, to the millisecond; empty for None."""
    return "" if when is None else when.astimezone(UTC).isoformat(timespec="milliseconds")
