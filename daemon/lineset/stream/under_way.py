"""One visit's journal on its way to the shop, or waiting for its turn: what the uplink keeps of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lineset.contract.transfer import ReceiptMessage
from lineset.stream.sending import Sending


@dataclass(slots=True, eq=False)
class UnderWay:
    """`again`: the shop had it and lost it, so what a broker kept of earlier receipts proves nothing."""

    visit: str
    path: Path
    made: int
    waiting: int = 0  # blocks, as long as nobody looked closer
    open: bool = False
    again: bool = False
    sending: Sending | None = None
    held: bool = False
    is_sealed: bool = False
    error: str = ""
    not_before: float = 0.0
    receipt: ReceiptMessage | None = None  # came before its turn
    told: str = ""

    @property
    def turn(self) -> tuple[bool, bool, int]:
        """Closed visits by age, then the open one; what the shop had before must not hold up what it never had."""
        return self.again, self.open, self.made
