"""How a visit stands at the shop, what waits for a block before it, and which blocks that shows to be missing."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from lineset.contract.transfer import SealRecord
from lineset.shop.block_message import MAX_FRAMED
from lineset.shop.carrying import Carrier

MAX_WANTED = 64  # numbers in one receipt


@dataclass(frozen=True, slots=True)
class Waiting:
    """What is known, without its bytes, of a part that waits."""

    n: int
    part: int
    parts: int
    hash: bytes
    sha256: bytes
    size: int


@dataclass(frozen=True, slots=True)
class Known:
    """What the shop has of a visit. `journal` is empty while it has nothing; `key` is the station's, None: not known.

    `hashes` are those of earlier blocks that came again. `problem` and `words` say why the next block was put aside.
    """

    id: int
    month: date
    station: str
    visit: str
    journal: str = ""
    meta: Mapping[str, str] = field(default_factory=dict)
    blocks: int = 0
    through: int = 0
    head: bytes = b""
    rows: int = 0
    gaps: int = 0
    sealed: bool = False
    seal: SealRecord | None = None
    key: bytes | None = None
    revoked: bool = False
    removed: bool = False
    carrier: Carrier | None = None
    waiting: tuple[Waiting, ...] = ()
    hashes: Mapping[int, bytes] = field(default_factory=dict)
    problem: str = ""
    words: str = ""


def wanted(known: Known, came: int = 0) -> tuple[int, ...]:
    """The blocks whose absence shows: a later one is there, or `came` and was not kept. One whose parts still come is
    none of them."""
    latest = max((each.n for each in known.waiting), default=0)
    whole, latest = _whole(known), max(latest, came)
    missing = (n for n in range(known.blocks + 1, latest) if n not in whole)  # `came` may be any number
    return tuple(itertools.islice(missing, MAX_WANTED))


def runs_on(known: Known, fresh: Sequence[int]) -> list[Waiting]:
    """What of that which waits may be taken once blocks of the numbers `fresh` are there: its bytes are needed.

    A block whose parts still come is not among them, nor what comes after it; nothing comes after a seal.
    """
    if not known.waiting or known.sealed:
        return []
    waiting: dict[int, list[Waiting]] = {}
    for each in known.waiting:
        waiting.setdefault(each.n, []).append(each)
    found: list[Waiting] = []
    size, n, new, whole = 0, known.blocks + 1, set(fresh), _whole(known)
    while n in whole or n in new:
        found += waiting.get(n, ())
        size += sum(each.size for each in waiting.get(n, ()))
        if size > MAX_FRAMED * 2:
            break
        n += 1
    return found


def _whole(known: Known) -> set[int]:
    """Numbers of the blocks of which all parts wait."""
    parts: dict[tuple[int, bytes], set[int]] = {}
    counts: dict[tuple[int, bytes], int] = {}
    for each in known.waiting:
        parts.setdefault((each.n, each.hash), set()).add(each.part)
        counts[each.n, each.hash] = each.parts
    return {n for (n, hash_), found in parts.items() if len(found) >= counts[n, hash_]}
