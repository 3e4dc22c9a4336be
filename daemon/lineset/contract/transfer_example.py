"""Examples of blocks and receipts. All of it is invented: no journal has these bytes."""

from __future__ import annotations

import msgspec

from lineset.contract.transfer import BlockMessage, ReceiptMessage, SealRecord

_SEAL = SealRecord(
    blocks=42, rows=20_480, gaps=0, first=1, last=20_480, t=2_460_000_000_000,
    head=b"\x42" * 32, public_key=b"\x5e" * 32, signature=b"\x51" * 64,
)  # fmt: skip

TRANSFER: tuple[msgspec.Struct, ...] = (
    BlockMessage(
        journal="00112233445566778899aabbccddeeff",
        n=42,
        first=20_001,
        last=20_480,
        rows=480,
        gaps=0,
        t=2_460_000_000_000,
        previous=b"\x41" * 32,
        hash=b"\x42" * 32,
        data=b"\x78\x9c\x03\x00\x00\x00\x00\x01",
        seal=_SEAL,
    ),
    ReceiptMessage(
        t=1_796_000_000.0,
        journal="00112233445566778899aabbccddeeff",
        blocks=41,
        through=20_000,
        head="41" * 32,
        wanted=(42,),
    ),
)
