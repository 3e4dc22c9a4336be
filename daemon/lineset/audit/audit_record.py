"""What an audit says: the documented model behind `lineset audit --json` and the signed audit file."""

from __future__ import annotations

import msgspec

from lineset.audit.shop_record import ShopRecord

FORMAT = 1

_REPLAYED = "the verdicts are what this engine makes of the recorded readings, where the replay says so"
PROVES = (
    "the order and the content of every entry are as they were when the visit was sealed, if the seal's key is the "
    "station's own",
    _REPLAYED,
)
PROVES_OPEN = (
    "that its entries hold together, as somebody put them in: without a seal that can have been anybody who can "
    "write to the file, at any time",
    _REPLAYED,
)
CANNOT = (
    "which wire or pipe a clamp or probe was on: only where it was said to be",
    "that an instrument told the truth: only what it sent, and what calibration was on record",
    "that nobody cut off the end of a visit that is not sealed, or kept a whole visit back",
    "that readings and verdicts recorded by another version of the engine, or after a gap, were not changed before the "
    "seal: there the replay decides nothing",
    "that two records are of two visits: who holds the station's key can seal the same readings under another name",
    "anything about the time before the seal to one who holds the station's key: whoever has it can write and seal "
    "another record, unless a block of it had reached somebody else before",
)


class Remark(msgspec.Struct, frozen=True, omit_defaults=True):
    """One thing that was found. `wrong` ones make the audit fail, the others are to be known.

    `about` is file, schema, chain, rows, seal, gap, clock, profile, calibration, photo, entry or replay; where it was
    held against what the shop received also shop (content), received (times) or table. `seq` and `block` are 0 when it
    is not about one. `means` says what follows from it for which verdicts.
    """

    about: str
    wrong: bool
    text: str
    means: str = ""
    seq: int = 0
    block: int = 0


class VerdictRecord(msgspec.Struct, frozen=True, omit_defaults=True):
    """The last verdict of a check in a phase: as recorded, and as computed today ("" where there is none).

    Figures are SI. `expired` names the channels that it rests on whose calibration had run out when they were read.
    """

    system: str
    phase: str
    name: str
    title: str
    seq: int  # of the entry that holds it; 0 when it is not on record
    recorded: str = ""
    computed: str = ""
    recorded_value: float | None = None
    computed_value: float | None = None
    unit: str = ""
    expired: tuple[str, ...] = ()

    @property
    def differs(self) -> bool:
        """Whether the state is another one when computed today."""
        return self.recorded != self.computed


class ReplayRecord(msgspec.Struct, frozen=True, omit_defaults=True):
    """The inputs through the engine again. `done` false: it could not be, and `why`.

    With the same `fingerprint` every output has to be the same, byte for byte; another engine may differ. `resumed_by`
    is another version that went on with the visit after a restart: then it is not one engine's work, and only the
    `own_differences`, those before that, have to be none.
    """

    recorded_fingerprint: str
    fingerprint: str
    done: bool = False
    why: str = ""
    inputs: int = 0
    outputs: int = 0
    differences: int = 0
    own_differences: int = 0
    resumed_by: str = ""
    failed_at: tuple[int, ...] = ()  # entries at which the engine failed; the outputs of those are empty

    @property
    def same_engine(self) -> bool:
        """Whether all of it was recorded by this very engine."""
        return self.begun_here and not self.resumed_by

    @property
    def begun_here(self) -> bool:
        """Whether it was begun by this very engine."""
        return self.recorded_fingerprint == self.fingerprint


class Audit(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """The outcome of auditing one file. `outcome` is pass, fail, or not_looked (then `remarks` say why).

    `key` is the public key that the seal names, hex; `key_known` is right (it is the key that was given or the
    station's here), wrong, unknown (no other key to hold it against) or none (not sealed). Times are UTC, ISO 8601;
    `head` is the hash that all of the record hangs on.
    """

    format: int = FORMAT
    target: str
    outcome: str
    by_version: str
    remarks: tuple[Remark, ...] = ()
    journal: str = ""
    station: str = ""
    visit: str = ""
    version: str = ""
    opened: str = ""
    ended: str = ""
    sealed: bool = False
    closed: bool = False
    key: str = ""
    key_known: str = "none"
    head: str = ""
    first: int = 0
    last: int = 0
    rows: int = 0
    blocks: int = 0
    tail: int = 0
    gaps: int = 0
    photos: int = 0
    profiles: dict[str, str] = {}  # instrument -> profile and the SHA-256 of its text
    replay: ReplayRecord | None = None
    verdicts: tuple[VerdictRecord, ...] = ()
    shop: ShopRecord | None = None  # where it was held against what the shop received
    proves: tuple[str, ...] = PROVES
    cannot: tuple[str, ...] = CANNOT

    @property
    def wrong(self) -> tuple[Remark, ...]:
        """What makes it fail."""
        return tuple(remark for remark in self.remarks if remark.wrong)
