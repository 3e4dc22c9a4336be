"""The client's side of one Modbus line or connection: one question in flight, then its answer or its failure."""

from __future__ import annotations

from typing import Literal

from ...errors import Refused
from ..event import Failure
from .pdu import Answer, Request
from .rtu import RtuReader
from .tcp import TcpReader

STRAY_FRAME = 5  # bytes; fewer are the glitches of an adapter that switches its driver off


class Conversation:
    """Bytes in, events out, for all units of one line (`framing="rtu"`) or one connection (`framing="tcp"`).

    What the driver does: before each `ask`, read what the transport holds (give it to `receive`); if `quiet`, keep
    on giving bytes for about one time-out, then call `quiet_over`. `ask`, send, give bytes to `receive` until it
    returns the event, or call `timed_out`. On `broken`, open the connection anew and call `reset`.

    RTU replies name no question, so a late one looks like the next one. Therefore, after a time-out, after damage,
    and when a frame arrives unasked, `quiet` is set and whatever comes is discarded. RTU over TCP is framing "rtu".
    """

    __slots__ = ("_rtu", "_tcp", "_unasked", "discarded", "framing", "quiet", "request", "where")

    def __init__(self, framing: Literal["rtu", "tcp"] = "rtu", *, where: str = "") -> None:
        if framing not in ("rtu", "tcp"):
            raise ValueError(f"Modbus framing is rtu or tcp, not {framing!r}")
        self.framing = framing
        self.where = where
        self.reset()

    def reset(self) -> None:
        """Begin anew, as after opening the port or connection."""
        self._rtu = RtuReader(self.where)
        self._tcp = TcpReader(self.where)
        self._unasked = 0
        self.request: Request | None = None  # in flight
        self.quiet = False
        self.discarded = 0  # bytes (RTU) that belonged to no question

    @property
    def broken(self) -> bool:
        """True when only a new connection helps (never on a serial line)."""
        return self._tcp.broken

    @property
    def late(self) -> int:
        """Replies dropped because their question was over (TCP)."""
        return self._tcp.late

    @property
    def echoes(self) -> bool:
        """True once the adapter has sent our own question back."""
        return self._rtu.echoes

    def ask(self, request: Request) -> bytes:
        """The bytes to send for `request`.

        Raises RuntimeError when a question is in flight, during the quiet period, or when `broken`;
        ProfileError when the request cannot be asked on Modbus.
        """
        if self.request is not None or self.quiet or self.broken:
            state = "in flight" if self.request is not None else "quiet" if self.quiet else "broken"
            raise RuntimeError(f"cannot ask for {request}: the conversation is {state}")
        data = self._rtu.expect(request) if self.framing == "rtu" else self._tcp.expect(request)
        self.request = request
        self._unasked = 0
        return data

    def receive(self, data: bytes) -> list[Answer | Failure[Request]]:
        """What the bytes complete: nothing yet, or the one event of the question in flight."""
        if self.framing == "tcp":
            event = self._tcp.feed(data)
            if event is None:
                return []
            self.request = None
            return [event]
        if self.request is None:
            self._discard(len(data))
            return []
        event, left = self._rtu.feed(data)
        if event is None:
            return []
        self.request = None
        if isinstance(event, Failure) and not isinstance(event.error, Refused):
            self.quiet = True
        if left:
            self._discard(left)
        return [event]

    def _discard(self, count: int) -> None:
        self.discarded += count
        self._unasked += count
        if self._unasked >= STRAY_FRAME:
            self.quiet = True

    def timed_out(self) -> Failure[Request]:
        """The question in flight has run out of time. Raises RuntimeError when none is."""
        if self.request is None:
            raise RuntimeError("nothing was asked, so nothing can be late")
        self.request = None
        if self.framing == "tcp":
            return self._tcp.missed()
        self.quiet = True
        return self._rtu.missed()

    def quiet_over(self) -> None:
        """The quiet period has passed: `ask` may be called again."""
        self.quiet = False
        self._unasked = 0


def silent_interval_s(baud: int, bits_per_character: int = 11) -> float:
    """Seconds of silence that end an RTU frame: 3.5 characters, and 1.75 ms above 19,200 baud.

    Source: MODBUS over Serial Line V1.02, section 2.5.1.1 (from memory).
    """
    return 0.00175 if baud > 19200 else 3.5 * bits_per_character / baud
