"""Finding the one reply to a request among the bytes of a serial line: noise, echo and damage included.

A serial line has no start mark and no transaction number, and adapters cannot keep the silences by which the
specification separates frames. So a reply is known by unit, function and size, all of which the request fixes,
and by its CRC. Source: MODBUS over Serial Line V1.02, sections 2.4.1 (what the client does with a bad or foreign
reply) and 2.5.1 (RTU framing), from memory.
"""

from __future__ import annotations

from ...errors import Damaged, Garbled, InstrumentError, Silence
from ..checksums import crc16
from ..event import Failure
from .pdu import Answer, Request, encode_rtu, judge, place, refusal, short

NOISE_LIMIT = 512  # two of the longest frames: who sends so much without an answer in it is not a Modbus instrument
_SETTINGS = "check speed, parity and stop bits, then whether A and B are swapped"


class RtuReader:
    """One request's reply. What is decided depends on the bytes alone, never on how they were cut."""

    __slots__ = ("_at", "_buffer", "_echoed", "_frame", "_head", "_request", "_size", "_where", "echoes")

    def __init__(self, where: str) -> None:
        self._where = where
        self._buffer = bytearray()
        self._at = 0
        self._echoed = False
        self.echoes = False  # learnt: this adapter sends back what we sent

    def expect(self, request: Request) -> bytes:
        """Forget the last question, and give the bytes that ask this one."""
        self._frame = encode_rtu(request)
        self._request = request
        self._head = bytes((request.unit, request.function, request.size))
        self._size = request.size + 5
        self._at = 0
        self._echoed = False
        self._buffer.clear()
        return self._frame

    def feed(self, data: bytes) -> tuple[Answer | Failure[Request] | None, int]:
        """(event or None for not enough yet, count of bytes left over behind it)."""
        if (
            len(data) == self._size
            and not self._buffer
            and data.startswith(self._head)
            and not crc16(data)
            and not self.echoes
        ):
            return Answer(self._request, data[3:-2], data), 0
        self._buffer += data
        event = self._scan()
        return event, len(self._buffer) - self._at if event is not None else 0

    def _scan(self) -> Answer | Failure[Request] | None:
        buffer, request, head, size = self._buffer, self._request, self._head, self._size
        while True:
            at = buffer.find(head[0], self._at)
            if at < 0:
                at = len(buffer)
            if at >= NOISE_LIMIT:
                self._at = len(buffer)
                return Failure(request, self._noise(), bytes(buffer[:NOISE_LIMIT]))
            self._at = at
            left = len(buffer) - at
            if left == 0:
                return None
            whole = left >= size and buffer.startswith(head, at) and not crc16(buffer[at : at + size])
            if whole and (self._echoed or not self.echoes):
                return self._answer(at)
            if not self._echoed and self._frame.startswith(buffer[at : at + 8]):
                if left < 8:
                    return None
                self._echoed = self.echoes = True
                self._at = at + 8
                continue
            if whole:
                return self._answer(at)
            if left < 3:
                return None
            function, third = buffer[at + 1], buffer[at + 2]
            if function == head[1] | 0x80:
                if left < 5:
                    return None
                if not crc16(buffer[at : at + 5]):
                    self._at = at + 5
                    error: InstrumentError = refusal(request, third, self._where)
                    return Failure(request, error, bytes(buffer[at : at + 5]))
            elif function == head[1] and third == head[2]:
                if left < size:
                    return None
                later = self._later_start(at + 1, at + size)
                if later < 0:
                    self._at = at + size
                    return Failure(request, self._damage(), bytes(buffer[: at + size]))
                self._at = later
                continue
            elif function == head[1] and third < head[2]:
                # ends before a true reply that began later could end, so waiting for it hides nothing
                if left < third + 5:
                    return None
                if not crc16(buffer[at : at + third + 5]):
                    self._at = at + third + 5
                    return Failure(request, short(request, third, self._where), bytes(buffer[at : self._at]))
            self._at = at + 1

    def _answer(self, at: int) -> Answer:
        self._at = at + self._size
        raw = bytes(self._buffer[at : self._at])
        return Answer(self._request, raw[3:-2], raw)

    def _later_start(self, low: int, high: int) -> int:
        """Where in [low, high) a true reply may begin, or -1: a false start must not cost the true one behind it."""
        buffer, head = self._buffer, self._head
        found = buffer.find(head, low, high)
        if found < 0:
            found = next((high - n for n in (2, 1) if high - n >= low and buffer[high - n : high] == head[:n]), -1)
        return found

    def missed(self) -> Failure[Request]:
        """Time is up: the failure that fits what came so far."""
        request, raw = self._request, bytes(self._buffer)
        return Failure(request, self._missed(raw), raw)

    def _missed(self, raw: bytes) -> InstrumentError:
        request = self._request
        rest = raw.replace(self._frame, b"", 1) if self._echoed else raw
        if not rest:
            note = (
                "only our own question came back, so adapter and port work" if self._echoed else "not a byte came back"
            )
            return Silence(
                place(self._where, request),
                f"no answer when asked for {request}; {note}",
                remedy="Check its power, its two wires and its unit number",
            )
        head = self._head
        for at in range(len(rest) - 4):
            if (judged := self._well_formed(rest, at)) is not None:
                return judged
        begins = rest.find(head[:2])
        if begins >= 0 or (len(rest) == self._size and sum(a == b for a, b in zip(rest, head, strict=False)) == 2):
            if begins >= 0 and len(rest) - begins < self._size:
                return self._damage(f"only {len(rest) - begins} of {self._size} bytes came")
            return self._damage()
        return self._noise(len(rest))

    def _well_formed(self, rest: bytes, at: int) -> InstrumentError | None:
        """A whole frame at `at` that is not what was asked, as an error."""
        unit, function, third = rest[at : at + 3]
        if not 1 <= unit <= 247:
            return None
        if function & 0x80 and 1 <= function & 0x7F <= 0x2B:
            size = 5
        elif 1 <= function <= 4:
            size = third + 5
        else:
            return None
        frame = rest[at : at + size]
        if len(frame) < size or crc16(frame):
            return None
        judged = judge(self._request, unit, frame[1:-2], self._where)
        if isinstance(judged, bytes):  # a true reply that a false start held up until now; too late to be trusted
            return self._damage("noise ran into the reply")
        return judged

    def _damage(self, how: str = "its CRC does not match") -> Damaged:
        return Damaged(
            place(self._where, self._request),
            f"a damaged reply came when asked for {self._request}: {how}",
            remedy="Keep the cable away from compressor and fan wires, check its screws, shield and terminator",
        )

    def _noise(self, count: int = NOISE_LIMIT) -> Garbled:
        return Garbled(
            place(self._where, self._request),
            f"{count} bytes came that are no Modbus reply",
            remedy=f"If this stays so, {_SETTINGS}",
        )
