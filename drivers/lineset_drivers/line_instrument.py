"""An instrument that sends lines of text, by itself or when asked, on a serial port or TCP connection of its own."""

from __future__ import annotations

from collections.abc import Sequence

import structlog

from .channel import Field
from .clock import NS
from .errors import LinkError
from .instrument import Context, InstrumentSpec, Outlet
from .link import parse_link
from .profile import Profile
from .protocols.event import Failure
from .protocols.lines import Line, LineFramer, LineStream, Pattern
from .wired import STREAM_BACKLOG, WiredDriver

log = structlog.get_logger(__name__)


def pattern_of(profile: Profile, *, where: str = "") -> Pattern:
    """How to read the lines of the profile's instrument. Raises ProfileError."""
    settings = profile.settings
    return Pattern(
        profile.channels,
        pattern=settings.pattern,
        delimiter=settings.delimiter,
        checksum=settings.checksum,
        when={c.name: c.where.when for c in profile.channels if isinstance(c.where, Field) and c.where.when},
        units=settings.units,
        held="held" if settings.held_column is None else settings.held_column,
        where=where,
    )


class LineInstrument(WiredDriver):
    """One instrument whose every good line is a frame. Bad lines are counted, and named when nothing else comes."""

    backlog = STREAM_BACKLOG

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        super().__init__(parse_link(specs[0].link), specs, context)
        if len(specs) > 1:
            raise LinkError(
                self.name,
                f"{specs[0].id} and {specs[1].id} are configured on one link, which is for one",
                remedy="Give each its own",
                permanent=True,
            )
        profile, settings = specs[0].profile, specs[0].profile.settings
        self.outlet = self.outlets[0]
        pattern = pattern_of(profile, where=self.name)
        self.stream = LineStream(
            LineFramer(settings.terminator.encode(), settings.max_length, drop_first=not settings.poll), pattern
        )
        self._poll = settings.poll.encode()
        self._period = int((profile.poll_s or 1.0) * NS)
        self._due = 0
        self._trouble = ""
        self.damaged = 0  # lines since the start that were not understood

    def begin(self) -> None:
        self.stream.framer.reset()
        self._trouble = ""
        if self._poll:
            self._due = self.clock.now()
            self._ask()

    def silent_reason(self, outlet: Outlet) -> str:
        if self._trouble:
            return self._trouble
        return "nothing comes over the cable. Check that it is switched on and set to send"

    def _ask(self) -> None:
        """Send the line that asks for a line, once a period. A late answer is only late: each line tells all."""
        now = self.clock.now()
        if now >= self._due and self.wire is not None:
            self._due = max(self._due + self._period, now)
            if self.outlet.blocked:
                self.outlet.count("poll_skipped", 1)
            else:
                self.wire.write(self._poll)
        self.call_in(self.real_until(self._due), self._ask)

    def received(self, data: bytes) -> None:
        for event in self.stream.receive(data):
            if isinstance(event, Failure):
                self._bad(event)
            elif event.samples:
                self._good(event)

    def _good(self, line: Line) -> None:
        self._trouble = ""
        low = line.marks.get("battery_low", False)
        reason = "giving samples; its battery is low" if low else "giving samples"
        if reason != self.outlet.linked_reason:
            self.outlet.linked_reason = reason
            if self.outlet.last_t is not None:
                self.outlet.tell(self.outlet.state, reason)
        self.outlet.frame(line.raw, line.samples)

    def _bad(self, failure: Failure[None]) -> None:
        error = failure.error
        self.damaged += 1
        self._trouble = f"{error.problem}. {error.remedy}"
        log.debug("line not understood", instrument=self.outlet.spec.id, error=str(error))
        if self.outlet.last_t is None:
            self.outlet.missed(self._trouble)
