"""Modbus TCP: every reply carries the transaction number of its question, so a late one is known and dropped.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3 (MBAP header), from memory.
"""

from __future__ import annotations

import struct

from ...errors import Damaged, Foreign, Garbled, InstrumentError, Silence
from ..event import Failure
from .pdu import Answer, Request, encode_tcp, judge, place

_HEADER = struct.Struct(">HHHB")
LONGEST = 254  # unit and PDU: an ADU has at most 260 bytes (V1.1b3, 4.1), six of which lie before the length ends
RECENT = 256  # transactions remembered as ours after they ran out of time


class TcpReader:
    """Replies on one connection, one question at a time."""

    __slots__ = ("_buffer", "_foreign", "_request", "_transaction", "_where", "broken", "late")

    def __init__(self, where: str) -> None:
        self._where = where
        self._buffer = bytearray()
        self._transaction = 0
        self._request: Request | None = None
        self._foreign = b""
        self.late = 0  # replies dropped because their question had run out of time
        self.broken = False  # the stream is no Modbus TCP any more; only a new connection helps

    def expect(self, request: Request) -> bytes:
        """Give the bytes that ask, under the next transaction number (1 to 65535)."""
        self._transaction = self._transaction % 0xFFFF + 1
        self._request = request
        self._foreign = b""
        return encode_tcp(request, self._transaction)

    def feed(self, data: bytes) -> Answer | Failure[Request] | None:
        """The event, or None for not enough yet. Bytes behind it are kept for the next question."""
        buffer = self._buffer
        buffer += data
        event: Answer | Failure[Request] | None = None
        while len(buffer) >= 7 and not self.broken:
            transaction, protocol, length, unit = _HEADER.unpack_from(buffer)
            if protocol or not 3 <= length <= LONGEST:
                self.broken = True
                raw = bytes(buffer)
                buffer.clear()
                if self._request is not None:
                    return self._finish(self._garbled(self._request), raw)
                return event
            if len(buffer) < length + 6:
                break
            frame = bytes(buffer[: length + 6])
            del buffer[: length + 6]
            if self._request is None or transaction != self._transaction:
                self.late += 1
                if self._request is not None and not self._is_recent(transaction):
                    self._foreign = frame
                continue
            judged = judge(self._request, unit, frame[7:], self._where)
            if isinstance(judged, InstrumentError):
                event = self._finish(judged, frame)
            else:
                event = Answer(self._request, judged, frame)
                self._request = None
        return event

    def _is_recent(self, transaction: int) -> bool:
        return 0 < (self._transaction - transaction) % 0xFFFF < RECENT

    def _finish(self, error: InstrumentError, raw: bytes) -> Failure[Request]:
        assert self._request is not None
        failure = Failure(self._request, error, raw)
        self._request = None
        return failure

    def missed(self) -> Failure[Request]:
        """Time is up: the failure that fits what came so far. Part of a frame stays, so that framing is kept."""
        assert self._request is not None
        where, asked = place(self._where, self._request), self._request
        if self._buffer:
            raw = bytes(self._buffer)
            return self._finish(
                Damaged(
                    where,
                    f"only {len(raw)} bytes of a reply came when asked for {asked}",
                    remedy="Check the network connection to it",
                ),
                raw,
            )
        if self._foreign:
            return self._finish(
                Foreign(
                    where,
                    f"when asked for {asked}, an answer to a transaction came that was never asked",
                    remedy="It is not used; check whether the gateway mixes up its clients",
                ),
                self._foreign,
            )
        return self._finish(
            Silence(where, f"no answer when asked for {asked}", remedy="Check its power and its unit number"), b""
        )

    def _garbled(self, request: Request) -> Garbled:
        return Garbled(
            place(self._where, request),
            "what came is no Modbus TCP",
            remedy='It is connected anew; if this stays so, check the port, or whether it wants framing = "rtu"',
        )
