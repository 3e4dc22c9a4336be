"""What is carried from a visit's block to its next: counts, the clock, instruments, placements, systems.

It lies in the visit's row as JSON, so that any collector can take the next block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import msgspec


class ChannelFacts(msgspec.Struct, frozen=True, array_like=True):
    """What of a channel's introduction its rows need."""

    quantity: str
    unit: str
    calibrated: str = ""
    due: str = ""
    certificate: str = ""


class InstrumentFacts(msgspec.Struct, frozen=True, array_like=True):
    """An instrument as the visit introduced it, and who it says it is."""

    profile: str
    profile_sha256: str
    identity: str
    channels: dict[str, ChannelFacts]


class Carried(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a block's rows need of the blocks before it. `offset` is wall time minus visit time in ns, None: unknown."""

    rows: int = 0
    gaps: int = 0
    offset: int | None = None
    instruments: dict[str, InstrumentFacts] = {}
    places: dict[str, dict[str, tuple[str, str]]] = {}
    identities: dict[str, str] = {}
    systems: dict[str, Any] = {}


_carried_decoder = msgspec.json.Decoder(Carried)
_encoder = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class Template:
    """What the readings of one channel have in common: how to bring a value to SI, and the constant columns."""

    tail: bytes
    factor: float
    offset: float
    convertible: bool


class Carrier:
    """`Carried`, with what was made of it. Belongs to one visit; `next()` gives one that may change."""

    __slots__ = ("carried", "templates")

    def __init__(self, carried: Carried | None = None) -> None:
        self.carried = carried or Carried()
        self.templates: dict[str, dict[tuple[str, str, str], Template]] = {}

    @classmethod
    def load(cls, stored: bytes | None) -> Carrier:
        """From what `dump` gave. Raises msgspec.MsgspecError."""
        return cls(_carried_decoder.decode(stored) if stored else None)

    def dump(self) -> bytes:
        """JSON for the next collector that takes a block of this visit."""
        return _encoder.encode(self.carried)

    def changed(self, instrument: str = "", **changes: Any) -> Carrier:
        """Another one with these changes; what was made for `instrument` is made anew."""
        other = Carrier(msgspec.structs.replace(self.carried, **changes))
        other.templates = {name: made for name, made in self.templates.items() if name != instrument}
        return other
