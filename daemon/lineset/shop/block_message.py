"""A block's message as it came, checked by itself: sizes before anything is decoded, form, numbers, compression."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from datetime import datetime

import msgspec

from lineset.contract.transfer import FORMAT, MAX_PART, BlockMessage

OTHER_RECORD, FORGED, UNREADABLE, OVERSIZED = "other_record", "forged", "unreadable", "oversized"
NEWER, KEY, UNKNOWN = "newer", "key", "unknown"

MAX_PAYLOAD = 1024 * 1024  # bytes of a message: base64 of a part and the rest
MAX_FRAMED = 64 * 1024 * 1024  # bytes of a block, as hashed: a block of some seconds with all the photos taken in them
MAX_PARTS = MAX_FRAMED // MAX_PART
MAX_ROWS = 100_000  # rows and gaps of a block; a station closes one at some hundred
_I64 = 2**63
_JOURNAL = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message as it came: on whose topic, under which number, when. `waited` and `aside` say that it was kept."""

    station: str
    visit: str
    n: int
    payload: bytes
    at: datetime
    sha256: bytes
    waited: bool = False
    aside: int = 0  # its id among what was put aside


@dataclass(frozen=True, slots=True)
class SetAside:
    """A message that is not taken, and why."""

    arrived: Arrived
    reason: str
    words: str


class RefusedError(Exception):
    """A message or block that is not taken: `reason` of the contract, `words` for people."""

    def __init__(self, reason: str, words: str) -> None:
        self.reason, self.words = reason, words
        super().__init__(words)


class _Format(msgspec.Struct):
    format: int = FORMAT


_decoder = msgspec.json.Decoder(BlockMessage)
_format_decoder = msgspec.json.Decoder(_Format)


def read_message(arrived: Arrived) -> BlockMessage | SetAside:
    """The message, checked by itself and against the number of its topic."""
    try:
        return _read(arrived)
    except RefusedError as error:
        return SetAside(arrived, error.reason, error.words)


def _read(arrived: Arrived) -> BlockMessage:
    n, payload = arrived.n, arrived.payload
    if len(payload) > MAX_PAYLOAD:
        raise RefusedError(OVERSIZED, f"a message of {len(payload)} bytes, at most {MAX_PAYLOAD} are taken")
    try:
        form = _format_decoder.decode(payload).format
        if form > FORMAT:
            raise RefusedError(NEWER, f"block {n} has format {form}, this program knows {FORMAT}: update the shop")
        if form < 1:
            raise RefusedError(UNREADABLE, f"block {n} has format {form}, and there is none of that number")
        message = _decoder.decode(payload)
    except (msgspec.ValidationError, msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RefusedError(UNREADABLE, f"the message of block {n} cannot be read: {error}") from error
    if message.n != n:
        raise RefusedError(FORGED, f"block {message.n} came under the number {n}")
    if not _JOURNAL.fullmatch(message.journal) or len(message.hash) != 32 or len(message.previous) != 32:
        raise RefusedError(UNREADABLE, f"block {n} does not name its journal and hashes as it should")
    whole = (message.first, message.last, message.rows, message.gaps, n)
    if not all(0 <= number < _I64 for number in whole) or not -_I64 <= message.t < _I64:
        raise RefusedError(UNREADABLE, f"a number of block {n} is out of all bounds")
    if message.parts > MAX_PARTS or len(message.data) > MAX_PART or message.rows + message.gaps > MAX_ROWS:
        raise RefusedError(
            OVERSIZED, f"block {n} is over {MAX_FRAMED >> 20} MiB or {MAX_ROWS} rows, the shop takes no more"
        )
    if not 0 <= message.part < message.parts:
        raise RefusedError(UNREADABLE, f"block {n} has part {message.part} of {message.parts}")
    return message


def inflated(data: bytes, n: int) -> bytes:
    """The framed rows of a block from its compressed bytes, never more than MAX_FRAMED. Raises RefusedError."""
    inflater = zlib.decompressobj()
    try:
        framed = inflater.decompress(data, MAX_FRAMED + 1)
    except zlib.error as error:
        raise RefusedError(UNREADABLE, f"the bytes of block {n} cannot be decompressed: {error}") from error
    if len(framed) > MAX_FRAMED:
        raise RefusedError(OVERSIZED, f"block {n} is over {MAX_FRAMED >> 20} MiB, the shop takes no more")
    if not inflater.eof or inflater.unused_data:
        raise RefusedError(UNREADABLE, f"the bytes of block {n} end too early or go on too long")
    return framed
