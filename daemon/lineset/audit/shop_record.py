"""What an audit says of the shop's side: when which part of a record was in the shop's hands, and whether it agrees."""

from __future__ import annotations

import msgspec

PROVES = (
    "the order and the content of every entry of a block that the shop received, since it was received: who changes it "
    "later, and be it with the station's own key, has another hash than the one that the shop holds",
    "that what the shop received in a block existed at that time by the shop's clock",
)
CANNOT = (
    "anything about an entry before its block reached the shop: what was recorded offline could have been written anew "
    "until then by one who holds the station's key",
    "that no visit was kept back of which no block ever reached the shop",
    "when a block came, and by which key a station is known, to one who can write to the shop's database: keep signed "
    "audits, or the hashes that they name, somewhere else",
)


class Receipt(msgspec.Struct, frozen=True, array_like=True):
    """When a block reached the shop: its number, its last entry, the shop's time (UTC, ISO 8601), which collector."""

    n: int
    last: int
    received: str
    collector: str


class Spell(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """Blocks one after another that came alike: `how` is at_once, late (the station was offline) or early.

    Early is: before it was closed by the station's own clock, which is ahead then. `closed_from` and `closed_to` are by
    the station's clock, `received_from` and `received_to` by the shop's; `least_s` and `most_s` are received minus
    closed. UTC, ISO 8601; seconds.
    """

    how: str
    first_block: int
    last_block: int
    first: int  # entries
    last: int
    closed_from: str
    closed_to: str
    received_from: str
    received_to: str
    least_s: float
    most_s: float


class KeptAside(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """Something that the shop was sent under this visit's name and did not take: why, when, how often."""

    n: int = 0  # block, as far as it told
    reason: str
    words: str
    received: str
    times: int = 1
    taken: str = ""  # when it was taken after all, or put away by a person


class TableRecord(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A table of the shop's, held against what the blocks' bytes give: rows there and rows due.

    `differing` counts entries whose rows are not those of the blocks' bytes, `first` is the first of them.
    """

    table: str
    rows: int
    due: int
    differing: int = 0
    first: int = 0

    @property
    def same(self) -> bool:
        """Whether the table holds what the blocks give, and nothing else."""
        return self.rows == self.due and not self.differing

    def words(self) -> str:
        """How it differs, in a sentence."""
        if self.table == "visit":
            return "the row of the visit says another technician, phase, system or time than its blocks"
        first = f"; entry {self.first} is the first that differs" if self.differing else ""
        more = f" of {self.differing}" if self.differing > 1 else ""
        return f"table {self.table} has {self.rows} rows, the blocks give {self.due}{first}{more}"


class ShopRecord(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """What the shop received of a visit, and how the file compares with it. `held` false: the shop has nothing of it.

    `blocks`, `through` (entry) and `head` (hash, hex) are what it received without a hole; `key` is the station's
    public key as the shop pinned it, hex. `same`, `differing`, `lacking` (the shop has it, the file does not) and
    `never` (the file has it, the shop never received it) count or name blocks; they are empty where the record itself
    came from the shop.
    """

    shop: str
    held: bool
    from_shop: bool = False  # audited as the shop holds it, no other file
    journal: str = ""
    blocks: int = 0
    through: int = 0
    head: str = ""
    first_received: str = ""
    last_received: str = ""
    sealed_received: str = ""
    key: str = ""
    revoked: str = ""
    collectors: tuple[str, ...] = ()
    spells: tuple[Spell, ...] = ()
    receipts: tuple[Receipt, ...] = ()
    kept_aside: tuple[KeptAside, ...] = ()
    waiting: int = 0  # messages of blocks that wait for one before them
    same: int = 0
    differing: tuple[int, ...] = ()
    lacking: tuple[int, ...] = ()
    never: tuple[int, ...] = ()
    tables: tuple[TableRecord, ...] = ()
    proves: tuple[str, ...] = PROVES
    cannot: tuple[str, ...] = CANNOT
